/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/timing_scene.h"

#include <string.h>

struct scene scene_open(void **state)
{
    struct scene scene = {
        .pair = *state,
        .spec = { .count = 10,
                  .gap_ns = { SPREAD_FIXED, 5e6, 5e6, 5e6 },
                  .size_bytes = TIMING_BASE_BYTES,
                  .wait_ns = NS_PER_S },
    };

    return scene;
}

struct exchange_order scene_order(const struct scene *scene, const char *part)
{
    struct exchange_order order = pair_order(scene->pair, "timing", part);

    memcpy(&order.spec, &scene->spec, sizeof(scene->spec));
    order.peer_port = scene->relay.port;
    return order;
}

void scene_run(struct scene *scene, relay_fn *on_packet)
{
    relay_open(&scene->relay, &scene->pair->loop, scene->pair->udp_port,
               on_packet);
    const struct exchange_order sender = scene_order(scene, "sender");
    struct exchange_order reflector = scene_order(scene, "reflector");

    reflector.identify_to[0] = '\0';
    assert_int_equal(pair_arm(scene->pair, 1, &reflector, NULL), 0);
    assert_int_equal(pair_arm(scene->pair, 0, &sender, NULL), 0);
    pair_run(scene->pair);
    relay_close(&scene->relay);
}

const struct exchange_account *scene_account(const struct scene *scene, int end)
{
    return &scene->pair->ends[end].account;
}

const struct timing_outcome *scene_outcome(const struct scene *scene, int end)
{
    return (const void *) scene_account(scene, end)->outcome.bytes;
}

const struct timing_probe *scene_probe(const struct scene *scene, size_t i)
{
    assert_true(i < scene_account(scene, 0)->series[0].count);
    return rows_at(&scene_account(scene, 0)->series[0], i);
}

const struct timing_duplicate *scene_duplicate(const struct scene *scene,
                                               size_t i)
{
    assert_true(i < scene_account(scene, 0)->series[1].count);
    return rows_at(&scene_account(scene, 0)->series[1], i);
}

size_t scene_arrival_count(const struct scene *scene)
{
    return scene_account(scene, 1)->series[2].count;
}

const struct timing_arrival *scene_arrival(const struct scene *scene, size_t i)
{
    assert_true(i < scene_arrival_count(scene));
    return rows_at(&scene_account(scene, 1)->series[2], i);
}

void scene_assert_nothing_dropped(const struct scene *scene)
{
    for (int end = 0; end < 2; end++) {
        const struct timing_outcome *outcome = scene_outcome(scene, end);

        assert_string_equal(scene_account(scene, end)->trouble, "");
        assert_int_equal(scene_account(scene, end)->state, ACCOUNT_DONE);
        assert_int_equal(outcome->malformed_count, 0);
        assert_int_equal(outcome->forged_count, 0);
        assert_int_equal(outcome->foreign_count, 0);
        assert_int_equal(outcome->surplus_count, 0);
    }
}
