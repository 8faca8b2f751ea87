/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/driver_virtual.h"

static void on_fate(void *owner, const struct air_packet *packet,
                    enum air_fate fate)
{
    struct virtual_run *run = owner;
    struct virtual_source *source = packet->handle;

    source->fates_count[fate]++;
    if (fate == FATE_DELIVERED || fate == FATE_CORRUPTED) {
        const uint64_t delay_ns = packet->over_ns - packet->enqueued_ns;

        source->delivered_bytes += packet->bytes;
        source->delay_sum_ns += (double) delay_ns;
        source->copies_count += packet->copies_count;
        if (!source->delay_least_ns || delay_ns < source->delay_least_ns)
            source->delay_least_ns = delay_ns;
        if (delay_ns > source->delay_most_ns)
            source->delay_most_ns = delay_ns;
    }
    if (run->ledger)
        ledger_packet(run->ledger, NULL, packet, (int) fate,
                      fate == FATE_DELIVERED || fate == FATE_CORRUPTED
                          ? packet->over_ns
                          : 0);
    if (run->listener.on_fate)
        run->listener.on_fate(run->listener.owner, packet, fate);
}

static void on_transmission(void *owner,
                            const struct air_transmission *transmission)
{
    const struct virtual_run *run = owner;

    if (run->ledger)
        ledger_transmission(run->ledger, transmission);
    if (run->listener.on_transmission)
        run->listener.on_transmission(run->listener.owner, transmission);
}

static void on_idle(void *owner, const struct air_idle *idle)
{
    const struct virtual_run *run = owner;

    if (run->ledger)
        ledger_idle(run->ledger, idle);
    if (run->listener.on_idle)
        run->listener.on_idle(run->listener.owner, idle);
}

static void on_other(void *owner, const struct air_other *other)
{
    const struct virtual_run *run = owner;

    if (run->ledger)
        ledger_other(run->ledger, other);
    if (run->listener.on_other)
        run->listener.on_other(run->listener.owner, other);
}

static uint64_t settled_count(const struct virtual_source *source)
{
    uint64_t count = 0;

    for (size_t i = 0; i < FATE_COUNT; i++)
        count += source->fates_count[i];
    return count;
}

/* When the source has its next packet; AIR_NEVER: not before another is
 * settled, or never again. */
static uint64_t source_next_ns(const struct virtual_source *source,
                               uint64_t now_ns)
{
    uint64_t next_ns = source->begin_ns > now_ns ? source->begin_ns : now_ns;

    if (source->is_poisson)
        next_ns = source->poisson_next_ns;
    else if (source->gap_ns)
        next_ns = source->begin_ns + source->offered_count * source->gap_ns;
    else if (source->offered_count - settled_count(source)
             >= source->backlog_count)
        return AIR_NEVER;
    return next_ns < source->end_ns ? next_ns : AIR_NEVER;
}

static void draw_next_arrival(struct virtual_source *source)
{
    const struct spread gap = { .form = SPREAD_EXPONENTIAL,
                                .mean = (double) source->gap_ns };

    source->poisson_next_ns += (uint64_t) draw_spread(&source->draw, &gap);
}

static void offer_due(struct virtual_run *run, struct air *air, uint64_t now_ns)
{
    for (size_t i = 0; i < run->source_count; i++) {
        struct virtual_source *source = &run->sources[i];

        while (source_next_ns(source, now_ns) <= now_ns) {
            source->offered_count++;
            if (source->is_poisson)
                draw_next_arrival(source);
            air_enqueue(air, now_ns, source->from, source->to,
                        source->packet_bytes, source);
        }
    }
}

static uint64_t least(uint64_t a, uint64_t b)
{
    return a < b ? a : b;
}

static uint64_t next_ns(const struct virtual_run *run, const struct air *air,
                        size_t changes_done, uint64_t now_ns)
{
    uint64_t at_ns = least(air_next_ns(air), run->duration_ns);

    for (size_t i = 0; i < run->source_count; i++)
        at_ns = least(at_ns, source_next_ns(&run->sources[i], now_ns));
    if (changes_done < run->change_count)
        at_ns = least(at_ns, run->changes[changes_done].at_ns);
    if (run->timeline)
        at_ns = least(at_ns, timeline_next_ns(run->timeline));
    return at_ns;
}

void virtual_run(struct virtual_run *run)
{
    const struct air_listener listener = { .on_fate = on_fate,
                                           .on_transmission = on_transmission,
                                           .on_idle = on_idle,
                                           .on_other = on_other,
                                           .owner = run };
    struct air *air = air_new(&run->config, &listener, 0);
    size_t changes_done = 0;
    uint64_t now_ns = 0;

    for (size_t i = 0; i < run->source_count; i++) {
        run->sources[i].draw.state = run->config.seed + 100 + i;
        run->sources[i].poisson_next_ns = run->sources[i].begin_ns;
        if (run->sources[i].is_poisson)
            draw_next_arrival(&run->sources[i]);
    }
    while (now_ns < run->duration_ns) {
        for (; changes_done < run->change_count
               && run->changes[changes_done].at_ns <= now_ns;
             changes_done++)
            air_set_step(air, now_ns, run->changes[changes_done].end,
                         run->changes[changes_done].step);
        if (run->timeline)
            timeline_apply(run->timeline, air, now_ns);
        air_advance(air, now_ns);
        offer_due(run, air, now_ns);
        now_ns = next_ns(run, air, changes_done, now_ns);
    }
    air_close(air, run->duration_ns);
    air_free(air);
}
