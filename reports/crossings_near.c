/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/crossings_inside.h"

/*
 * Where the reflector's account never came, the replies tell of it: each bears
 * when its probe arrived and when it was sent itself, by the reflector's wall
 * clock, and how many replies went before it (RFC 8762 section 4, stateful).
 * Between two that came back so many replies were sent, and so many probes:
 * what lacks in one number was lost on the way there, what lacks in the other
 * on the way back.  Of the probes after the last one that came back nothing
 * tells on which way they were lost.
 */
struct answered {
    size_t place; /* among the probes */
    uint64_t sequence, reply_sequence;
};

static int by_reply(const void *a_, const void *b_)
{
    const struct answered *a = a_;
    const struct answered *b = b_;

    return (a->reply_sequence > b->reply_sequence)
           - (a->reply_sequence < b->reply_sequence);
}

/* It came back, and so it arrived. */
static void take_stamps(struct crossing *crossing,
                        const struct timing_probe *probe)
{
    const int64_t arrived_ns = (int64_t) probe->arrived_unix_ns;
    const int64_t replied_ns = (int64_t) probe->replied_unix_ns;
    const bool has_stamps = crossing_is_stamp(arrived_ns)
                            && crossing_is_stamp(replied_ns)
                            && crossing_is_stamp((int64_t) probe->sent_ns)
                            && crossing_is_stamp((int64_t) probe->received_ns);

    crossing->ways[WAY_THERE].has_arrived = true;
    crossing->ways[WAY_THERE].has_stamps = has_stamps;
    crossing->ways[WAY_THERE].arrived_ns = arrived_ns;
    crossing->ways[WAY_BACK].is_sent = true;
    crossing->ways[WAY_BACK].has_stamps = has_stamps;
    crossing->ways[WAY_BACK].sent_ns = replied_ns;
}

/* The probes from one place to another, of which none came back: so many of
 * them arrived, whichever they were. */
static void part_losses(struct crossings *crossings, size_t from, size_t to,
                        uint64_t replied_count)
{
    for (size_t i = from; i < to; i++) {
        struct crossing *crossing = rows_at(&crossings->probes, i);

        if (i - from >= replied_count)
            continue;
        crossing->ways[WAY_THERE].has_arrived = true;
        crossing->ways[WAY_BACK].is_sent = true;
    }
}

/* In the order of the replies, which is that in which the probes arrived. */
static void order_arrivals(struct crossings *crossings, struct rows *answered)
{
    if (answered->count)
        qsort(answered->data, answered->count, answered->row_size, by_reply);
    for (size_t i = 0; i < answered->count; i++)
        (void) arrival_order_add(
            &crossings->orders[WAY_THERE],
            ((const struct answered *) rows_at(answered, i))->sequence);
}

void crossings_take_near(struct crossings *crossings, const struct rows *sent)
{
    struct rows answered = { .row_size = sizeof(struct answered) };
    size_t place = 0, next = 0;
    uint64_t next_reply = 0;

    for (size_t i = 0; i < sent->count; i++) {
        const struct timing_probe *probe = rows_at(sent, i);

        if (probe->state == PROBE_UNSENT)
            continue;
        if (probe->received_ns) {
            take_stamps(rows_at(&crossings->probes, place), probe);
            *(struct answered *) rows_add(&answered) =
                (struct answered){ place, probe->sequence,
                                   probe->reply_sequence };
            if (probe->reply_sequence >= next_reply) {
                part_losses(crossings, next, place,
                            probe->reply_sequence - next_reply);
                next_reply = probe->reply_sequence + 1;
            }
            next = place + 1;
        }
        place++;
    }
    order_arrivals(crossings, &answered);
    crossings->untold_count = place - next;
    for (; next < place; next++) {
        struct crossing *crossing = rows_at(&crossings->probes, next);

        crossing->ways[WAY_THERE].is_sent = false;
    }
    crossings->is_near_only = true;
    rows_clear(&answered);
}
