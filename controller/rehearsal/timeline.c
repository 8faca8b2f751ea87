/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/timeline.h"

#include "controller/plan/event.h"

#include <assert.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define EVERY_END SIZE_MAX

struct entry {
    struct plan_event event;
    unsigned number;
    bool holds; /* false: still to begin */
    uint64_t begin_ns, end_ns;
    size_t end, from, to; /* of the air; EVERY_END */
    size_t step;          /* matters for EVENT_STEP alone */
};

struct timeline {
    const struct plan *plan; /* borrowed */
    struct timeline_listener listener;
    uint64_t began_ns;
    struct faults_config always;
    size_t end_count;
    /* Those that wait or hold, in the order in which they were named. */
    struct entry entries[TIMELINE_EVENTS_MAX];
    size_t entry_count;
    unsigned last_number;
};

/* --- entries -------------------------------------------------------------- */

static size_t end_of(const struct plan *plan, const char *name)
{
    if (!name[0])
        return EVERY_END;
    const int end = event_find_end(plan, name);

    assert(end >= 0);
    return air_index(plan, (size_t) end);
}

static struct entry *add_entry(struct timeline *timeline,
                               const struct plan_event *event)
{
    struct entry *entry = &timeline->entries[timeline->entry_count++];
    const uint64_t begin_ns = timeline->began_ns + event->at_ns;

    *entry = (struct entry){
        .event = *event,
        .number = ++timeline->last_number,
        .begin_ns = begin_ns,
        .end_ns = event->for_ns ? begin_ns + event->for_ns : AIR_NEVER,
        .end = end_of(timeline->plan, event->end),
        .from = end_of(timeline->plan, event->from),
        .to = end_of(timeline->plan, event->to),
        .step = plan_find_step(timeline->plan, event->step),
    };
    return entry;
}

static void remove_entry(struct timeline *timeline, struct entry *entry)
{
    const struct entry *behind = timeline->entries + timeline->entry_count;

    memmove(entry, entry + 1, (size_t) (behind - (entry + 1)) * sizeof(*entry));
    timeline->entry_count--;
}

struct timeline *timeline_new(const struct plan *plan, uint64_t began_ns,
                              const struct timeline_listener *listener)
{
    static_assert(PLAN_EVENTS_MAX <= TIMELINE_EVENTS_MAX,
                  "there is room for the plan's events");
    struct timeline *timeline = calloc(1, sizeof(*timeline));

    if (!timeline) {
        (void) fputs("out of memory\n", stderr);
        abort();
    }
    timeline->plan = plan;
    timeline->began_ns = began_ns;
    timeline->always = air_config_faults(plan);
    timeline->end_count = plan_site_count(plan);
    if (listener)
        timeline->listener = *listener;
    for (size_t i = 0; i < plan->practice.event_count; i++)
        (void) add_entry(timeline, &plan->practice.events[i]);
    return timeline;
}

void timeline_free(struct timeline *timeline)
{
    free(timeline);
}

/* --- what holds ----------------------------------------------------------- */

static bool is_hit(const struct entry *entry, size_t from, size_t to)
{
    return (entry->end == EVERY_END || entry->end == from || entry->end == to)
           && (entry->from == EVERY_END || entry->from == from)
           && (entry->to == EVERY_END || entry->to == to);
}

static void lay_over(const struct timeline *timeline,
                     const struct plan_event *event,
                     struct faults_config *config)
{
    switch ((enum plan_event_what) event->what) {
    case EVENT_LOSS:
        config->loss_ratio = event->chance_ratio;
        config->loss_burst = event->burst;
        config->loss_within_ratio = event->within_ratio;
        config->loss_between_ratio = event->between_ratio;
        return;
    case EVENT_DUPLICATES:
        config->duplicates_ratio = event->chance_ratio;
        return;
    case EVENT_REORDERING:
        config->reordering_ratio = event->chance_ratio;
        config->reordering_by_ns = event->by_ns
                                       ? (uint64_t) event->by_ns
                                       : timeline->always.reordering_by_ns;
        return;
    case EVENT_CORRUPTION:
        config->corruption_ratio = event->chance_ratio;
        return;
    case EVENT_FADING:
        config->fading_ratio = event->chance_ratio;
        config->fading_period_ns = event->period_ns;
        return;
    case EVENT_OUTAGE:
        config->is_out = true;
        return;
    case EVENT_OTHER_TRAFFIC:
    case EVENT_AWAY:
    case EVENT_STEP:
    case EVENT_CLOCK_STEP:
        return;
    }
}

/* The last named event of that sort that holds (there), or NULL. */
static const struct entry *last_holding(const struct timeline *timeline,
                                        int what, size_t end)
{
    for (size_t i = timeline->entry_count; i-- > 0;) {
        const struct entry *entry = &timeline->entries[i];

        if (entry->holds && entry->event.what == what && entry->end == end)
            return entry;
    }
    return NULL;
}

static void settle_direction(const struct timeline *timeline, struct air *air,
                             uint64_t now_ns, size_t from, size_t to)
{
    struct faults_config config = timeline->always;

    for (size_t i = 0; i < timeline->entry_count; i++) {
        const struct entry *entry = &timeline->entries[i];

        if (entry->holds && is_hit(entry, from, to))
            lay_over(timeline, &entry->event, &config);
    }
    air_set_faults(air, now_ns, from, to, &config);
}

static void settle_directions(const struct timeline *timeline, struct air *air,
                              uint64_t now_ns, const struct entry *changed)
{
    for (size_t from = 0; from < timeline->end_count; from++) {
        for (size_t to = 0; to < timeline->end_count; to++) {
            if (from != to && is_hit(changed, from, to))
                settle_direction(timeline, air, now_ns, from, to);
        }
    }
}

static void settle_other_traffic(const struct timeline *timeline,
                                 struct air *air, uint64_t now_ns)
{
    const struct entry *last =
        last_holding(timeline, EVENT_OTHER_TRAFFIC, EVERY_END);
    const struct plan_other_traffic *always = &timeline->plan->practice.other;
    const bool has_length = last && last->event.length_ns;

    air_set_other_traffic(
        air, now_ns, last ? last->event.share_ratio : always->share_ratio,
        has_length ? last->event.length_ns : always->length_ns);
}

/* An event has begun or ended (and is no longer among the entries). */
static void settle(const struct timeline *timeline, struct air *air,
                   uint64_t now_ns, const struct entry *changed)
{
    const struct entry *last;

    switch ((enum plan_event_what) changed->event.what) {
    case EVENT_LOSS:
    case EVENT_DUPLICATES:
    case EVENT_REORDERING:
    case EVENT_CORRUPTION:
    case EVENT_FADING:
    case EVENT_OUTAGE:
        settle_directions(timeline, air, now_ns, changed);
        return;
    case EVENT_OTHER_TRAFFIC:
        settle_other_traffic(timeline, air, now_ns);
        return;
    case EVENT_AWAY:
        air_set_registered(air, now_ns, changed->end,
                           !last_holding(timeline, EVENT_AWAY, changed->end));
        return;
    case EVENT_STEP:
        last = last_holding(timeline, EVENT_STEP, changed->end);
        air_stick_step(air, now_ns, changed->end,
                       last ? last->step : AIR_NO_STEP);
        return;
    case EVENT_CLOCK_STEP:
        return;
    }
}

/* --- time ----------------------------------------------------------------- */

static void tell(const struct timeline *timeline, uint64_t now_ns,
                 const struct entry *entry, bool is_beginning)
{
    const struct timeline_listener *listener = &timeline->listener;

    if (listener->on_event)
        listener->on_event(listener->owner, now_ns, entry->number, is_beginning,
                           &entry->event);
}

static void end_entry(struct timeline *timeline, struct air *air,
                      uint64_t now_ns, struct entry *entry)
{
    const struct entry ended = *entry;

    remove_entry(timeline, entry);
    if (!ended.holds)
        return;
    settle(timeline, air, now_ns, &ended);
    tell(timeline, now_ns, &ended, false);
}

static void begin_entry(struct timeline *timeline, struct air *air,
                        uint64_t now_ns, struct entry *entry)
{
    entry->holds = true;
    settle(timeline, air, now_ns, entry);
    tell(timeline, now_ns, entry, true);
    if (entry->event.what != EVENT_CLOCK_STEP)
        return;
    if (timeline->listener.on_clock_step)
        timeline->listener.on_clock_step(timeline->listener.owner, entry->end,
                                         entry->event.by_ns);
    remove_entry(timeline, entry); /* it is over at once */
}

static uint64_t edge_ns(const struct entry *entry)
{
    return entry->holds ? entry->end_ns : entry->begin_ns;
}

/* Of those with the earliest edge the first, or NULL. */
static struct entry *first_due(struct timeline *timeline)
{
    struct entry *first = NULL;

    for (size_t i = 0; i < timeline->entry_count; i++) {
        struct entry *entry = &timeline->entries[i];

        if (edge_ns(entry) < (first ? edge_ns(first) : AIR_NEVER))
            first = entry;
    }
    return first;
}

uint64_t timeline_next_ns(const struct timeline *timeline)
{
    uint64_t next_ns = AIR_NEVER;

    for (size_t i = 0; i < timeline->entry_count; i++) {
        if (edge_ns(&timeline->entries[i]) < next_ns)
            next_ns = edge_ns(&timeline->entries[i]);
    }
    return next_ns;
}

void timeline_apply(struct timeline *timeline, struct air *air, uint64_t now_ns)
{
    for (struct entry *entry = first_due(timeline);
         entry && edge_ns(entry) <= now_ns; entry = first_due(timeline)) {
        if (entry->holds)
            end_entry(timeline, air, now_ns, entry);
        else
            begin_entry(timeline, air, now_ns, entry);
    }
}

/* --- what is told while it runs ------------------------------------------- */

int timeline_begin(struct timeline *timeline, struct air *air, uint64_t now_ns,
                   const char *words, unsigned *ret_number, struct fault *fault)
{
    struct plan_event event;
    const int status = event_read(timeline->plan, words,
                                  now_ns - timeline->began_ns, &event, fault);

    if (status)
        return status;
    if (event.what == EVENT_CLOCK_STEP && !timeline->listener.on_clock_step)
        return fault_set(fault, -ENOTSUP,
                         "event: found 'clock step', expected another one: "
                         "this practice link has no computers");
    timeline_apply(timeline, air, now_ns);
    if (timeline->entry_count == TIMELINE_EVENTS_MAX)
        return fault_set(fault, -E2BIG,
                         "event: found %d that wait or hold, expected fewer: "
                         "end some first",
                         TIMELINE_EVENTS_MAX);
    struct entry *entry = add_entry(timeline, &event);
    *ret_number = entry->number;
    begin_entry(timeline, air, now_ns, entry);
    return 0;
}

int timeline_end(struct timeline *timeline, struct air *air, uint64_t now_ns,
                 unsigned number, struct fault *fault)
{
    timeline_apply(timeline, air, now_ns);
    for (size_t i = 0; i < timeline->entry_count; i++) {
        if (timeline->entries[i].number != number)
            continue;
        end_entry(timeline, air, now_ns, &timeline->entries[i]);
        return 0;
    }
    return fault_set(fault, -EINVAL,
                     "event: found %u, expected the number of one that waits "
                     "or holds",
                     number);
}

void timeline_print(const struct timeline *timeline, FILE *out)
{
    for (size_t i = 0; i < timeline->entry_count; i++) {
        const struct entry *entry = &timeline->entries[i];
        char text[EVENT_TEXT_SIZE];

        if (!entry->holds)
            continue;
        event_write(&entry->event, text);
        (void) fprintf(out, "%u %s\n", entry->number, text);
    }
}
