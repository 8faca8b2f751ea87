/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/confirmation.h"

#include <bothends/kinds/messages.h>

/* From this share of the channel on, waits are no more a matter of the access
 * alone. */
static const double most_filled_ratio = 0.5;
/* "message 12 57 Q0HUB" and "confirm 12 0 Q0HUB" (DEVELOPERS.md, "Messages on
 * the wire") without the name: two digits of each number, and the line feed. */
static const double message_line_bytes = 15;
static const double confirm_line_bytes = 14;

/* What one message brings onto the air. */
struct talk {
    size_t from, to;         /* ends: the sender's, the confirmer's */
    struct range text_bytes; /* its median, as it may be taken */
    double segment_bytes;    /* TCP's header */
    double message_bytes, confirm_bytes; /* with it, without the text */
};

static double name_bytes(const struct plan_end *end)
{
    return (double) strlen(end->call[0] ? end->call : end->name);
}

/* The median of an exponential spread is ln 2 of its mean; the median of the
 * whole time lies between what the two make of it. */
static struct range median_of(const struct spread *spread)
{
    return (struct range){ spread->form == SPREAD_EXPONENTIAL
                               ? M_LN2 * spread->mean
                               : spread->mean,
                           spread->mean };
}

/* False: an end is not the plan's, or is no radio site. */
static bool find_talk(const struct reduction *reduction,
                      const struct exchange_record *exchange, bool is_back,
                      struct talk *ret_talk)
{
    const struct plan *plan = reduction->plan;
    const struct messages_spec *spec = (const void *) exchange->spec.bytes;
    const size_t first = plan_find_end(plan, exchange->from);
    const size_t second = plan_find_end(plan, exchange->to);
    const double header_bytes = TCP_HEADER_BYTES + TCP_TIMESTAMP_BYTES;

    if (first == plan->end_count || second == plan->end_count)
        return false;
    *ret_talk = (struct talk){
        .from = is_back ? second : first,
        .to = is_back ? first : second,
        .text_bytes = median_of(&spec->size_bytes),
        .segment_bytes = header_bytes,
    };
    const struct plan_end *sender = &plan->ends[ret_talk->from];
    const struct plan_end *confirmer = &plan->ends[ret_talk->to];

    ret_talk->message_bytes =
        header_bytes + message_line_bytes + name_bytes(sender);
    ret_talk->confirm_bytes =
        header_bytes + confirm_line_bytes + name_bytes(confirmer);
    return plan_end_is_site(sender) && plan_end_is_site(confirmer)
           && (sender->role == ROLE_HUB || confirmer->role == ROLE_HUB);
}

/* Of all time: messages of both ends, their confirmations, and a bare
 * acknowledgement for the two. */
static double filled_ratio(const struct reduction *reduction,
                           const struct exchange_record *exchange,
                           const struct talk *talk)
{
    const struct messages_spec *spec = (const void *) exchange->spec.bytes;
    const double bytes = talk->message_bytes + talk->text_bytes.high
                         + talk->confirm_bytes + talk->segment_bytes
                         + 3 * IPV4_HEADER_BYTES;
    const double ip_bps =
        reduction_expectation(reduction, exchange)->ip_bps.low;

    return 2 * bytes * BITS_PER_BYTE / (spec->gap_ns.mean * 1e-9) / ip_bps;
}

/* The wait is even over what comes round, so its median is its middle.  Gaps
 * that are all alike may lock to any moment of it. */
static struct range median_s(const struct round_trip *small,
                             const struct round_trip *large, bool is_locked,
                             double filled)
{
    const double longer = 1 / (1 - filled);
    const double half = is_locked ? 0 : 0.5;

    return (struct range){
        (small->least_ns.low + half * small->spread_ns.low) * 1e-9,
        (large->least_ns.high + (1 - half) * large->spread_ns.high) * longer
            * 1e-9,
    };
}

static double least_bytes(const struct spread *spread)
{
    return spread->form == SPREAD_EXPONENTIAL ? 1 : spread->low;
}

static struct round_trip trip_of(const struct plan *plan, size_t step,
                                 const struct talk *talk, double text_bytes)
{
    struct round_trip trip;

    capacity_packet_trip(
        plan, &plan->steps[step],
        &(struct packet_trip){ talk->from, talk->to,
                               talk->message_bytes + text_bytes,
                               talk->confirm_bytes },
        &trip);
    return trip;
}

struct confirmation confirmation_expect(const struct reduction *reduction,
                                        const struct exchange_record *exchange,
                                        bool is_back)
{
    static const struct confirmation unsaid = { { (double) NAN, (double) NAN },
                                                (double) NAN };
    const struct messages_spec *spec = (const void *) exchange->spec.bytes;
    const struct plan *plan = reduction->plan;
    const size_t step = exchange->step_index;
    struct talk talk;

    if (!exchange->has_spec || step >= plan->step_count
        || strcmp(exchange->condition, "idle") != 0
        || !find_talk(reduction, exchange, is_back, &talk))
        return unsaid;
    const double filled = filled_ratio(reduction, exchange, &talk);
    const struct round_trip least =
        trip_of(plan, step, &talk, least_bytes(&spec->size_bytes));
    const struct round_trip small =
        trip_of(plan, step, &talk, talk.text_bytes.low);
    const struct round_trip large =
        trip_of(plan, step, &talk, talk.text_bytes.high);

    if (!(filled < most_filled_ratio) || !range_is_said(least.least_ns))
        return unsaid;
    return (struct confirmation){
        median_s(&small, &large, spec->gap_ns.form == SPREAD_FIXED, filled),
        least.least_ns.low * 1e-9,
    };
}

void confirmation_judge(struct finding *finding,
                        const struct confirmation *expected, const char *source)
{
    const double limit_s = expected->median_s.high / finding->meets_ratio;

    if (!range_is_said(expected->median_s))
        return;
    finding->expected_low = expected->median_s.low;
    finding->expected_high = expected->median_s.high;
    (void) snprintf(finding->expected_source, sizeof(finding->expected_source),
                    "%s", source);
    if (isnan(finding->low) || isnan(finding->high))
        return;
    if (finding->high < expected->least_s)
        finding->verdict = VERDICT_EXCEEDS;
    else if (finding->high <= limit_s)
        finding->verdict = VERDICT_MEETS;
    else if (finding->low > limit_s)
        finding->verdict = VERDICT_SHORT;
    else {
        finding->verdict = VERDICT_UNDECIDED;
        finding_set_why(finding, "more messages would decide it");
    }
}
