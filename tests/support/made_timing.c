/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/made_timing.h"

#include <bothends/draw.h>
#include <stdlib.h>

/* Of both ends; the far clock's offset comes on top. */
static const uint64_t begun_ns = UINT64_C(5000) * NS_PER_S;
static const uint64_t held_there_ns = 200000; /* from arrival to reply */
/* The far computer's wall clock, ahead of its monotonic one. */
static const uint64_t wall_ns = UINT64_C(1900000000) * NS_PER_S;

/* One copy of a probe or of a reply on its way. */
struct copy {
    uint64_t probe, arrives_ns; /* by the near clock: the truth */
};

static int by_arrival(const void *a_, const void *b_)
{
    const struct copy *a = a_;
    const struct copy *b = b_;

    return (a->arrives_ns > b->arrives_ns) - (a->arrives_ns < b->arrives_ns);
}

static void sort(struct rows *copies)
{
    if (copies->count)
        qsort(copies->data, copies->count, copies->row_size, by_arrival);
}

static uint64_t far_ns(const struct made_timing *timing, uint64_t near_ns)
{
    const double after_ns = (double) (near_ns - begun_ns);
    const bool is_late =
        after_ns > (double) timing->gap_ns * (double) timing->count / 2;

    return near_ns + (uint64_t) timing->offset_ns
           + (uint64_t) (int64_t) (timing->skew_ratio * after_ns)
           + (is_late ? (uint64_t) timing->jump_ns : 0);
}

static bool is_each(size_t number, size_t every)
{
    return every && number % every == every - 1;
}

/* Adds its copies, of the n-th packet that way. */
static void cross(const struct made_way *way, struct draw *draw, size_t number,
                  uint64_t probe, uint64_t sent_ns, struct rows *copies)
{
    const uint64_t took_ns =
        way->least_ns + (uint64_t) (draw_unit(draw) * (double) way->spread_ns)
        + (is_each(number, way->holds_every) ? way->held_ns : 0);

    if (is_each(number, way->loses_every))
        return;
    *(struct copy *) rows_add(copies) =
        (struct copy){ probe, sent_ns + took_ns };
    if (is_each(number, way->doubles_every))
        *(struct copy *) rows_add(copies) =
            (struct copy){ probe, sent_ns + took_ns + NS_PER_MS };
}

static void begin(struct exchange_account *account, const char *part,
                  uint64_t at_ns, uint64_t took_ns)
{
    account_init(account, &timing_kind);
    (void) snprintf(account->part, sizeof(account->part), "%s", part);
    account->state = ACCOUNT_DONE;
    account->begun_ns = at_ns;
    account->ended_ns = at_ns + took_ns;
    (void) snprintf(account->interface, sizeof(account->interface), "radio0");
}

static void send_probes(const struct made_timing *timing, struct draw *draw,
                        struct exchange_account *sender, struct rows *there)
{
    for (size_t i = 0; i < timing->count; i++) {
        struct timing_probe *probe = rows_add(&sender->series[0]);

        probe->sequence = i;
        probe->state = PROBE_LOST;
        probe->planned_ns = probe->sent_ns = begun_ns + i * timing->gap_ns;
        probe->sent_source = STAMP_KERNEL;
        cross(&timing->there, draw, i, i, probe->sent_ns, there);
    }
    sort(there);
}

static void reply(const struct made_timing *timing, struct draw *draw,
                  const struct rows *there, struct exchange_account *reflector,
                  struct rows *back)
{
    struct timing_outcome *outcome =
        (struct timing_outcome *) reflector->outcome.bytes;
    bool *has_come = calloc(timing->count + 1, sizeof(*has_come));

    for (size_t i = 0; has_come && i < there->count; i++) {
        const struct copy *copy = rows_at(there, i);
        struct timing_arrival *arrival = rows_add(&reflector->series[2]);

        arrival->sequence = copy->probe;
        arrival->arrived_ns = far_ns(timing, copy->arrives_ns);
        arrival->arrived_source = STAMP_KERNEL;
        arrival->ttl = 64;
        arrival->is_duplicate = has_come[copy->probe];
        outcome->duplicates_count += has_come[copy->probe];
        if (has_come[copy->probe])
            continue;
        has_come[copy->probe] = true;
        arrival->replied_ns = far_ns(timing, copy->arrives_ns + held_there_ns);
        arrival->reply_sequence = outcome->replied_count;
        cross(&timing->back, draw, outcome->replied_count++, copy->probe,
              copy->arrives_ns + held_there_ns, back);
    }
    outcome->arrived_count = outcome->replied_count;
    free(has_come);
    sort(back);
}

/* What the reflector has on record of that probe. */
static const struct timing_arrival *
arrival_of(const struct exchange_account *reflector, uint64_t sequence)
{
    const struct rows *arrivals = &reflector->series[2];

    for (size_t i = 0; i < arrivals->count; i++) {
        const struct timing_arrival *arrival = rows_at(arrivals, i);

        if (arrival->sequence == sequence && !arrival->is_duplicate)
            return arrival;
    }
    abort();
}

static void receive(const struct rows *back,
                    const struct exchange_account *reflector,
                    struct exchange_account *sender)
{
    struct timing_outcome *outcome =
        (struct timing_outcome *) sender->outcome.bytes;

    for (size_t i = 0; i < back->count; i++) {
        const struct copy *copy = rows_at(back, i);
        struct timing_probe *probe = rows_at(&sender->series[0], copy->probe);

        if (probe->received_ns) {
            probe->duplicates_count++;
            outcome->duplicates_count++;
            continue;
        }
        probe->state = PROBE_ANSWERED;
        probe->received_ns = copy->arrives_ns;
        probe->received_source = STAMP_KERNEL;
        const struct timing_arrival *arrival =
            arrival_of(reflector, copy->probe);

        probe->reply_sequence = arrival->reply_sequence;
        probe->arrived_unix_ns = arrival->arrived_ns + wall_ns;
        probe->replied_unix_ns = arrival->replied_ns + wall_ns;
        probe->reply_number = ++outcome->answered_count;
        probe->reply_ttl = 64;
    }
}

void made_timing(const struct made_timing *timing,
                 struct exchange_account *sender,
                 struct exchange_account *reflector)
{
    const uint64_t took_ns = timing->count * timing->gap_ns + 10 * NS_PER_S;
    struct rows there = { .row_size = sizeof(struct copy) };
    struct rows back = { .row_size = sizeof(struct copy) };
    struct draw draw = { timing->seed };

    begin(sender, "sender", begun_ns, took_ns);
    begin(reflector, "reflector", far_ns(timing, begun_ns), took_ns);
    struct timing_outcome *outcome =
        (struct timing_outcome *) sender->outcome.bytes;

    send_probes(timing, &draw, sender, &there);
    reply(timing, &draw, &there, reflector, &back);
    receive(&back, reflector, sender);
    outcome->sent_count = timing->count;
    outcome->lost_count = timing->count - outcome->answered_count;
    outcome->wire_bytes = 140;
    rows_clear(&there);
    rows_clear(&back);
}
