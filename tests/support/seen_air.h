/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef TESTS_SEEN_AIR_H
#define TESTS_SEEN_AIR_H

#include "controller/rehearsal/air.h"

/* What an air has told, in its order: the first 64 of each. */
#define SEEN_MAX 64

struct seen {
    struct air_transmission sent[SEEN_MAX];
    size_t sent_count;
    struct air_idle idle[SEEN_MAX];
    size_t idle_count;
    struct air_packet packets[SEEN_MAX];
    enum air_fate fates[SEEN_MAX];
    size_t packet_count;
};

/* An air from time 0 on that tells seen, which must outlive it; more than
 * SEEN_MAX of a kind fails the test. */
struct air *seen_air_new(const struct air_config *config, struct seen *seen);

#endif
