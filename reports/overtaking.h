/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_OVERTAKING_H
#define REPORTS_OVERTAKING_H

#include <stdbool.h>
#include <stdint.h>
#include <string.h>

/*
 * Answers that came after one to a later probe, counted while probes stream in
 * the order in which they were sent.  Nothing overtakes on one channel: such a
 * packet went another way, or was held back by itself.
 */
/* Answers under way at once are few; of more, the earliest are let go. */
#define OVERTAKING_MOST 32

struct overtaking {
    /* When answers came that were not there yet when the latest probe was sent;
     * those that were overtaken are told, and not kept. */
    uint64_t came_ns[OVERTAKING_MOST];
    size_t count;
};

/* Was that one sent while an earlier one was under way? */
static inline bool overtaking_overlaps(const struct overtaking *overtaking,
                                       uint64_t sent_ns)
{
    bool overlaps = false;

    for (size_t i = 0; i < overtaking->count; i++)
        overlaps = overlaps || overtaking->came_ns[i] > sent_ns;
    return overlaps;
}

/* How many earlier ones this answer has overtaken. */
static inline size_t overtaking_add(struct overtaking *overtaking,
                                    uint64_t sent_ns, uint64_t received_ns)
{
    size_t kept = 0;
    size_t overtaken = 0;

    for (size_t i = 0; i < overtaking->count; i++) {
        const uint64_t came_ns = overtaking->came_ns[i];

        overtaken += came_ns > received_ns;
        if (came_ns <= received_ns && came_ns > sent_ns)
            overtaking->came_ns[kept++] = came_ns;
    }
    if (kept == OVERTAKING_MOST)
        memmove(overtaking->came_ns, overtaking->came_ns + 1,
                --kept * sizeof(overtaking->came_ns[0]));
    overtaking->came_ns[kept++] = received_ns;
    overtaking->count = kept;
    return overtaken;
}

#endif
