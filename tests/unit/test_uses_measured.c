/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/uses_measured.h"
#include "tests/support/reduced_run.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the three above */
#include <cmocka.h>

#define PROBES 40

struct echo {
    const char *to;
    uint64_t size_bytes, rtt_ms, plan_index;
    size_t lost_count;
};

static void add_echoes(struct reduced_run *fixture, const struct echo *echo)
{
    const struct ping_spec spec = { .count = PROBES,
                                    .size_bytes = echo->size_bytes,
                                    .wait_ns = 10 * NS_PER_S };
    struct exchange_account prober;
    uint64_t rtts_ns[PROBES];

    for (size_t i = 0; i < PROBES; i++)
        rtts_ns[i] =
            i < PROBES - echo->lost_count ? echo->rtt_ms * NS_PER_MS : 0;
    made_prober(rtts_ns, PROBES, &prober);
    made_run_add(&fixture->made,
                 &(struct made_exchange){ .kind = &ping_kind,
                                          .round = 1,
                                          .plan_index = echo->plan_index,
                                          .from = "mill",
                                          .to = echo->to,
                                          .spec = &spec,
                                          .from_account = &prober });
    account_clear(&prober);
}

static void add_landmark(struct reduced_run *fixture, const char *name,
                         int landmark)
{
    struct plan *plan = &fixture->made.plan;
    struct plan_end *end = &plan->ends[plan->end_count++];

    *end = (struct plan_end){ .role = ROLE_STATION,
                              .agent = AGENT_NONE,
                              .landmark = landmark };
    (void) snprintf(end->name, sizeof(end->name), "%s", name);
}

static struct uses_figures figures_of(struct reduced_run *fixture)
{
    struct uses_figures figures;

    reduced_run_reduce(fixture);
    uses_measured(&fixture->reduction, "calm", &figures);
    return figures;
}

static void the_own_radios_echoes_say_nothing_of_the_link(void **state)
{
    struct reduced_run *fixture = *state;

    add_landmark(fixture, "knob", LANDMARK_OWN_RADIO);
    add_landmark(fixture, "mast", LANDMARK_FAR_RADIO);
    add_landmark(fixture, "hut", LANDMARK_FAR_COMPUTER);
    add_echoes(fixture, &(struct echo){ "knob", 56, 1, 0, 0 });
    add_echoes(fixture, &(struct echo){ "mast", 56, 90, 1, 8 });
    add_echoes(fixture, &(struct echo){ "hut", 56, 120, 2, 0 });
    const struct uses_figures figures = figures_of(fixture);

    assert_true(fabs(figures.rtt_ns.low - 120e6) < 1);
    assert_true(fabs(figures.rtt_ns.high - 120e6) < 1);
    assert_true(fabs(figures.loss_ratio) < 1e-9);
}

static void the_far_radio_stands_in_where_nothing_lies_behind_it(void **state)
{
    struct reduced_run *fixture = *state;

    add_landmark(fixture, "knob", LANDMARK_OWN_RADIO);
    add_landmark(fixture, "mast", LANDMARK_FAR_RADIO);
    add_echoes(fixture, &(struct echo){ "knob", 56, 1, 0, 0 });
    add_echoes(fixture, &(struct echo){ "mast", 56, 90, 1, 0 });
    assert_true(fabs(figures_of(fixture).rtt_ns.high - 90e6) < 1);
}

static void a_large_echo_is_no_key_stroke(void **state)
{
    struct reduced_run *fixture = *state;

    add_echoes(fixture, &(struct echo){ "quay", 56, 120, 0, 0 });
    add_echoes(fixture, &(struct echo){ "quay", 1400, 900, 1, 20 });
    const struct uses_figures figures = figures_of(fixture);

    assert_true(fabs(figures.rtt_ns.high - 120e6) < 1);
    assert_true(fabs(figures.loss_ratio) < 1e-9);
}

static void of_large_echoes_alone_no_round_trip_is_said(void **state)
{
    struct reduced_run *fixture = *state;

    add_echoes(fixture, &(struct echo){ "quay", 1400, 900, 0, 0 });
    const struct uses_figures figures = figures_of(fixture);

    assert_false(range_is_said(figures.rtt_ns));
    assert_false(uses_has_rate(&figures));
}

#define TEST(name)                                                             \
    cmocka_unit_test_setup_teardown(name, reduced_run_set_up,                  \
                                    reduced_run_tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(the_own_radios_echoes_say_nothing_of_the_link),
        TEST(the_far_radio_stands_in_where_nothing_lies_behind_it),
        TEST(a_large_echo_is_no_key_stroke),
        TEST(of_large_echoes_alone_no_round_trip_is_said),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
