/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/picture.h"

#include <bothends/units.h>

/* Time in which at least one transmitted. */
static double busy_ratio(const struct picture *picture)
{
    uint64_t until_ns = picture->from_ns;
    uint64_t busy_ns = 0;

    for (size_t i = 0; i < picture->slots.count; i++) {
        const struct picture_slot *slot = rows_at(&picture->slots, i);
        const uint64_t begin_ns =
            slot->began_ns > until_ns ? slot->began_ns : until_ns;
        const uint64_t end_ns =
            slot->ended_ns < picture->to_ns ? slot->ended_ns : picture->to_ns;

        if (slot->what == PICTURE_IDLE || end_ns <= begin_ns)
            continue;
        busy_ns += end_ns - begin_ns;
        until_ns = end_ns;
    }
    return (double) busy_ns / (double) (picture->to_ns - picture->from_ns);
}

size_t picture_count(const struct picture *picture, enum picture_what what,
                     bool is_collided)
{
    size_t count = 0;

    for (size_t i = 0; i < picture->slots.count; i++) {
        const struct picture_slot *slot = rows_at(&picture->slots, i);

        count += slot->what == what && (slot->is_collided || !is_collided);
    }
    return count;
}

void picture_says(const struct picture *picture, char *ret_text, size_t size)
{
    const size_t sent_count = picture_count(picture, PICTURE_SENT, false);
    const size_t collided_count = picture_count(picture, PICTURE_SENT, true);
    const double for_s =
        (double) (picture->to_ns - picture->from_ns) / (double) NS_PER_S;
    char collided[64] = "";

    if (collided_count)
        (void) snprintf(collided, sizeof(collided), ", %zu of them collided",
                        collided_count);
    (void) snprintf(
        ret_text, size,
        "%zu ends on %s: in these %.4g s %zu transmission%s%s; somebody "
        "transmits %.0f %% of the time",
        picture->end_count,
        picture->access == ACCESS_FULL_DUPLEX ? "two channels" : "one channel",
        for_s, sent_count, sent_count == 1 ? "" : "s", collided,
        100 * busy_ratio(picture));
}

const char *picture_explains(const struct picture *picture)
{
    switch ((enum link_access) picture->access) {
    case ACCESS_SCHEDULED:
        return "Only one can transmit at a time: turns go round, the hub, each "
               "station, the hub again. What an end wants to send waits in its "
               "queue until its turn comes.";
    case ACCESS_ALTERNATING:
        return "Only one can transmit at a time: after each transmission it is "
               "the other end's turn. What an end wants to send waits in its "
               "queue until then.";
    case ACCESS_CONTENTION:
        return "There are no turns: whoever has something to send decides by "
               "itself when to begin. If two transmit at once, both are lost. "
               "What waits is in the queue.";
    case ACCESS_FULL_DUPLEX:
        return "The hub and the stations transmit on channels of their own, so "
               "both can at once. What an end wants to send waits in its queue "
               "until it can.";
    }
    return "";
}
