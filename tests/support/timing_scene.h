/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef TESTS_TIMING_SCENE_H
#define TESTS_TIMING_SCENE_H

#include "tests/support/exchange_pair.h"
#include "tests/support/udp_relay.h"

/*
 * A timing over loopback.  Both agents' UDP port is the pair's; the sender's
 * packets and the replies cross the relay, which has the same address.
 */
struct scene {
    struct pair *pair; /* borrowed */
    struct udp_relay relay;
    struct timing_spec spec;
};

/* Ten probes of the least size; state is a PAIR_TEST's. */
struct scene scene_open(void **state);
/* Through the relay, when it is open. */
struct exchange_order scene_order(const struct scene *scene, const char *part);
/* End 0 sends, end 1 reflects, until both have ended. */
void scene_run(struct scene *scene, relay_fn *on_packet);

const struct exchange_account *scene_account(const struct scene *scene,
                                             int end);
const struct timing_outcome *scene_outcome(const struct scene *scene, int end);
const struct timing_probe *scene_probe(const struct scene *scene, size_t i);
const struct timing_duplicate *scene_duplicate(const struct scene *scene,
                                               size_t i);
size_t scene_arrival_count(const struct scene *scene);
const struct timing_arrival *scene_arrival(const struct scene *scene, size_t i);
void scene_assert_nothing_dropped(const struct scene *scene);

#endif
