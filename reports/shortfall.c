/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/shortfall.h"

#include "reports/shortfall_evidence.h"
#include "reports/shortfall_says.h"

#include <bothends/kinds/download.h>

/*
 * The difference is taken apart in the order of enum shortfall_part: each part
 * takes what its evidence is worth, at most what is left; so parts add up to
 * the whole, and what no evidence takes is unexplained.
 */
struct parting {
    const struct reduction *reduction;
    const struct evidence *evidence;
    struct shortfall *shortfall;
    double left_bps;
};

static void take(struct parting *parting, enum shortfall_part part, double bps)
{
    const double taken_bps = fmax(0, fmin(bps, parting->left_bps));

    parting->shortfall->part_bps[part] += taken_bps;
    parting->left_bps -= taken_bps;
}

static void take_all(struct parting *parting, enum shortfall_part part)
{
    parting->shortfall->part_bps[part] += parting->left_bps;
    parting->left_bps = 0;
}

/* --- outages ----------------------------------------------------------------
 */

/* The rate but for the start and for so long that it stood still. */
static double clear_bps(const struct evidence *evidence, double outage_s)
{
    const double clear_s = evidence->span_s - outage_s - evidence->start_s;

    return clear_s > 0.1 * evidence->span_s
               ? (evidence->content_bytes - evidence->start_came_bytes)
                     * BITS_PER_BYTE / clear_s
               : evidence->measured_bps;
}

/*
 * A link that loses all the time has long gaps too, while TCP waits; but then
 * it is slow outside of them as well.
 */
static bool has_outage(const struct parting *parting)
{
    const struct evidence *evidence = parting->evidence;
    const double outside_ratio =
        clear_bps(evidence, evidence->outage_s) / evidence->expected.low;
    const double again_bytes = evidence->repeated_outside_bytes;

    if (!evidence->outage_count || evidence->loses_echoes)
        return false;
    if (!evidence->has_tcp
        || (outside_ratio >= plan_meets_ratio(parting->reduction->plan)
            && evidence->outage_s >= OUTAGE_LONG_RATIO * evidence->span_s)
        || again_bytes < REPEATED_LEAST_RATIO * evidence->sent_bytes)
        return true;
    return outside_ratio >= OUTAGE_OUTSIDE_RATIO
           && again_bytes < OUTAGE_REPEATED_RATIO * evidence->sent_bytes;
}

/* TCP's own waiting is no outage. */
static double steady_bps(const struct parting *parting)
{
    return clear_bps(parting->evidence,
                     has_outage(parting) ? parting->evidence->outage_s : 0);
}

/* --- another step --------------------------------------------------------- */

static bool is_within(const struct parting *parting, double bps,
                      struct range expected)
{
    return bps >= plan_meets_ratio(parting->reduction->plan) * expected.low
           && bps <= expected.high;
}

static bool echo_fits(const struct evidence *evidence,
                      const struct expectation *other)
{
    const double least_s = evidence->echo_least_s;
    const double stated_s = range_middle(evidence->echo_least_expected_s);
    const double other_s = range_middle(other->least_rtt_ns) * 1e-9;

    return !isnan(least_s) && !isnan(other_s)
           && fabs(log(other_s / stated_s)) > log(ECHO_LEAST_RATIO)
           && fabs(log(least_s / other_s)) < fabs(log(least_s / stated_s));
}

/* The goodput fits another step of the plan; -1: none.  Of several the one
 * that the echoes fit, else the nearest. */
static int other_step(const struct parting *parting, bool *ret_is_shown)
{
    const struct reduction *reduction = parting->reduction;
    const struct evidence *evidence = parting->evidence;
    const size_t own =
        reduction_exchange(reduction, evidence->exchange)->step_index;
    const double bps = steady_bps(parting);
    int found = -1;

    *ret_is_shown = false;
    for (size_t i = 0; i < reduction->plan->step_count; i++) {
        const struct expectation *other = &reduction->expectations[i];
        const bool is_read =
            strcmp(reduction->plan->steps[i].name, evidence->read_step) == 0;

        if (i == own)
            continue;
        if (is_read
            || (is_within(parting, bps, other->goodput_bps)
                && echo_fits(evidence, other))) {
            *ret_is_shown = true;
            return (int) i;
        }
        if (is_within(parting, bps, other->goodput_bps))
            found = (int) i;
    }
    return found;
}

static void part_other_step(struct parting *parting)
{
    bool is_shown;
    const int step = other_step(parting, &is_shown);

    if (step < 0 || !is_shown)
        return;
    const double other_bps = evidence_likely_bps(
        parting->reduction,
        reduction_exchange(parting->reduction, parting->evidence->exchange),
        &parting->reduction->expectations[step]);
    const double bps = parting->evidence->expected_bps - other_bps;

    /* What little is left or too much is the other step's own range. */
    if (bps < 0
        || is_within(parting, steady_bps(parting),
                     parting->reduction->expectations[step].goodput_bps))
        take_all(parting, PART_OTHER_STEP);
    else
        take(parting, PART_OTHER_STEP, bps);
}

/* --- the parts that TCP tells --------------------------------------------- */

static double bps_of(const struct evidence *evidence, double bytes)
{
    return bytes * BITS_PER_BYTE / evidence->span_s;
}

static double repeated_bytes(const struct parting *parting)
{
    const struct evidence *evidence = parting->evidence;

    return has_outage(parting) ? evidence->repeated_outside_bytes
                               : evidence->repeated_bytes;
}

static bool has_repeats(const struct parting *parting)
{
    const struct evidence *evidence = parting->evidence;
    const double bytes = repeated_bytes(parting);

    return bytes >= REPEATED_LEAST_RATIO * evidence->sent_bytes
           && bytes >= REPEATED_LEAST_SEGMENTS * evidence->segment_bytes
           && bytes > 0;
}

/* What other traffic at the computers took, of the download's own bytes. */
static double foreign_bps(const struct parting *parting)
{
    const struct evidence *evidence = parting->evidence;
    const struct expectation *expectation = reduction_expectation(
        parting->reduction,
        reduction_exchange(parting->reduction, evidence->exchange));
    const double content_ratio =
        evidence->expected_bps / range_middle(expectation->ip_bps);

    return evidence->foreign_share_ratio >= FOREIGN_LEAST_RATIO
               ? bps_of(evidence, evidence->foreign_bytes)
                     * fmin(1, content_ratio)
               : 0;
}

/* Traffic that fills the sender's queue makes gaps too. */
static void part_outage(struct parting *parting)
{
    const struct evidence *evidence = parting->evidence;

    if (has_outage(parting)
        && foreign_bps(parting) < DOMINANT_LEAST_RATIO * parting->left_bps)
        take(parting, PART_OUTAGE,
             evidence->expected_bps * evidence->outage_s / evidence->span_s);
}

static bool is_slow_computer(const struct evidence *evidence)
{
    return evidence->loopback_bps > 0
           && evidence->measured_bps
                  >= COMPUTER_LEAST_RATIO * evidence->loopback_bps;
}

static void part_sender(struct parting *parting)
{
    const struct evidence *evidence = parting->evidence;
    const double left_ratio = 1 - evidence->idle_ratio;

    if (!evidence->has_tcp || is_slow_computer(evidence))
        return;
    if (evidence->idle_ratio >= IDLE_LEAST_RATIO)
        take(parting, PART_SENDER_IDLE,
             evidence->expected_bps * evidence->idle_ratio);
    if (evidence->buffer_ratio >= LIMITED_LEAST_RATIO && left_ratio > 0)
        take(parting, PART_SEND_BUFFER,
             parting->left_bps * evidence->buffer_ratio / left_ratio);
    if (evidence->receiver_ratio >= LIMITED_LEAST_RATIO && left_ratio > 0)
        take(parting, PART_RECEIVER_WINDOW,
             parting->left_bps * evidence->receiver_ratio / left_ratio);
}

/*
 * A window that fills a link overflows its queue now and then, on a slow link
 * as on a quick one: losses take no more than what is left of a longer cycle
 * and of other traffic, whose bytes were counted.  What the radio's queue had
 * no room for costs no time on the air as long as something else waits there.
 */
static void part_losses(struct parting *parting)
{
    const struct evidence *evidence = parting->evidence;
    const double elsewhere_bps =
        fmin(evidence_longer_cycle_bps(evidence) + foreign_bps(parting),
             parting->left_bps);
    const double needless = evidence_needless_bytes(evidence);
    /* What is lost behind the radios has crossed the air; then idle echoes are
     * lost too. */
    const bool costs_air =
        !evidence_hears_all(evidence) || !evidence_is_supplied(evidence)
        || evidence->echoes_count < evidence->asked_echoes_count;

    if (!has_repeats(parting))
        return;
    parting->left_bps -= elsewhere_bps;
    take(parting, PART_NEEDLESS, bps_of(evidence, needless));
    if (costs_air)
        take(parting, PART_REPEATS,
             bps_of(evidence, repeated_bytes(parting) - needless));
    if (evidence->held_ratio >= HELD_LEAST_RATIO
        && (costs_air || evidence_is_needless(evidence)))
        take(parting,
             evidence_is_needless(evidence) ? PART_NEEDLESS : PART_LOSS_WINDOW,
             parting->left_bps * evidence->held_ratio);
    parting->left_bps += elsewhere_bps;
}

/* --- what the air carried besides, or was ----------------------------------
 */

static void part_foreign(struct parting *parting)
{
    take(parting, PART_FOREIGN, foreign_bps(parting));
}

/* Of the air, what frames took that were sent again. */
static double radio_repeats_ratio(const struct evidence *evidence)
{
    const double frames = evidence->radio_frames_count;
    const double repeats = evidence->radio_repeats_count;

    return frames > 0 && repeats > 0 && repeats <= frames ? repeats / frames
                                                          : 0;
}

static void part_radio_repeats(struct parting *parting)
{
    const double ratio = radio_repeats_ratio(parting->evidence);

    if (ratio >= RADIO_REPEATS_LEAST_RATIO)
        take(parting, PART_RADIO_REPEATS,
             parting->evidence->expected_bps * ratio);
}

static bool has_more_stations(const struct evidence *evidence)
{
    return evidence->read_stations_count > evidence->plan_stations_count;
}

/*
 * Data always waited at the sender's radio, both radios told of no frame that
 * was lost or repeated, and on the idle link echoes are as they should be: what
 * is left is how the loaded channel is shared.
 */
static bool is_left_to_cycle(const struct evidence *evidence)
{
    return evidence_is_supplied(evidence) && evidence->tells_held
           && evidence_hears_all(evidence)
           && evidence->radio_frames_count >= RADIO_FRAMES_LEAST
           && radio_repeats_ratio(evidence) < RADIO_MISSED_LEAST_RATIO
           && evidence->echoes_count >= ECHOES_LEAST && !evidence->loses_echoes
           && !evidence_has_overtaking(evidence);
}

static void part_cycle(struct parting *parting)
{
    if (evidence_has_longer_echoes(parting->evidence)
        || has_more_stations(parting->evidence)
        || is_left_to_cycle(parting->evidence))
        take_all(parting, PART_LONGER_CYCLE);
}

/* --- what dominates ------------------------------------------------------- */

static int largest_of(const struct shortfall *shortfall)
{
    int largest = PART_UNEXPLAINED;

    for (int i = 0; i < SHORTFALL_PARTS; i++) {
        if (fabs(shortfall->part_bps[i]) > fabs(shortfall->part_bps[largest]))
            largest = i;
    }
    return largest;
}

/* Had the repeats been lost on the air, that none of the idle echoes was would
 * be chance: were they but too many for the queue? */
static bool may_be_overflow(const struct parting *parting)
{
    const struct evidence *evidence = parting->evidence;
    const struct plan_link *link = &parting->reduction->plan->link;
    const double frame_bytes = (double) link->frame_payload_bytes;
    const double frames =
        frame_bytes > 0 ? ceil((double) link->mtu_bytes / frame_bytes) : 1;
    const double echo_frames =
        frame_bytes > 0 ? 2 * ceil(ECHO_BYTES / frame_bytes) : 2;
    const double heard_ratio =
        1 - evidence->repeated_bytes / fmax(1, evidence->sent_bytes);

    return evidence_is_supplied(evidence)
           && evidence->echoes_count >= ECHOES_LEAST
           && evidence->echoes_count == evidence->asked_echoes_count
           && pow(heard_ratio,
                  echo_frames / frames * evidence->asked_echoes_count)
                  < ECHO_CHANCE_RATIO;
}

static bool is_of_losses(int part)
{
    return part == PART_REPEATS || part == PART_LOSS_WINDOW;
}

/* Repeats are the losses' price too. */
static int dominant_of(const struct shortfall *shortfall)
{
    const double whole_bps =
        fabs(shortfall->expected_bps - shortfall->measured_bps);
    const int largest = largest_of(shortfall);
    const double losses_bps = shortfall->part_bps[PART_REPEATS]
                              + shortfall->part_bps[PART_LOSS_WINDOW];

    if (fabs(shortfall->part_bps[largest]) >= DOMINANT_LEAST_RATIO * whole_bps)
        return largest;
    if (losses_bps < DOMINANT_LEAST_RATIO * whole_bps)
        return PART_UNEXPLAINED;
    return shortfall->part_bps[PART_LOSS_WINDOW]
                   > shortfall->part_bps[PART_REPEATS]
               ? PART_LOSS_WINDOW
               : PART_REPEATS;
}

static void name_dominant(struct parting *parting)
{
    const struct evidence *evidence = parting->evidence;
    struct shortfall *shortfall = parting->shortfall;
    bool is_shown;
    const bool fits = other_step(parting, &is_shown) >= 0;

    shortfall->dominant = dominant_of(shortfall);
    shortfall->or_else = -1;
    if (shortfall->dominant == PART_LONGER_CYCLE && fits
        && (isnan(evidence->echo_least_s)
            || !evidence_has_longer_echoes(evidence)))
        shortfall->or_else = PART_OTHER_STEP;
    if (is_of_losses(shortfall->dominant) && may_be_overflow(parting))
        shortfall->or_else = PART_LONGER_CYCLE;
    if (shortfall->dominant != PART_UNEXPLAINED || !evidence->has_tcp)
        return;
    if (evidence_has_overtaking(evidence))
        shortfall->or_else = PART_NEEDLESS;
    else if (isnan(evidence->echo_median_s))
        shortfall->or_else = fits ? PART_OTHER_STEP : PART_LONGER_CYCLE;
}

/* --- one download ----------------------------------------------------------
 */

static void take_apart(struct parting *parting)
{
    const struct exchange_record *exchange =
        reduction_exchange(parting->reduction, parting->evidence->exchange);

    if (exchange->bypass_proofs || exchange->bypass_signs > 1)
        take_all(parting, PART_BYPASS);
    part_other_step(parting);
    part_outage(parting);
    take(parting, PART_START_UP,
         bps_of(parting->evidence, parting->evidence->start_bytes));
    part_sender(parting);
    part_losses(parting);
    part_foreign(parting);
    if (is_slow_computer(parting->evidence))
        take_all(parting, PART_SLOW_COMPUTER);
    part_radio_repeats(parting);
    part_cycle(parting);
    take_all(parting, PART_UNEXPLAINED);
}

static void add_findings(struct reduction *reduction,
                         const struct evidence *evidence,
                         const struct shortfall *shortfall)
{
    const struct exchange_record *exchange =
        reduction_exchange(reduction, shortfall->exchange);

    for (int i = 0; i < SHORTFALL_PARTS; i++) {
        char measure[NAME_SIZE];

        (void) snprintf(measure, sizeof(measure), "shortfall_%s",
                        shortfall_part_names[i]);
        struct finding *finding =
            reduction_add_finding(reduction, exchange, measure, "bit/s");

        finding->value = shortfall->part_bps[i];
        finding->samples_count = 1;
        finding_set_why(finding, "one transfer has no interval");
        finding->expected_low = evidence->expected.low;
        finding->expected_high = evidence->expected.high;
        (void) snprintf(finding->expected_source,
                        sizeof(finding->expected_source), "%s",
                        reduction_expectation(reduction, exchange)->source);
    }
}

static bool is_explained(const struct exchange_record *exchange)
{
    const int state = exchange->to_account.account.state;

    return strcmp(exchange->kind->name, download_kind.name) == 0
           && strcmp(exchange->condition, "idle") == 0
           && exchange->to_account.is_there && state != ACCOUNT_FAILED
           && state != ACCOUNT_BROKEN && state != ACCOUNT_CANCELLED;
}

static int explain(struct reduction *reduction,
                   const struct evidence_sources *sources, size_t exchange,
                   struct fault *fault)
{
    struct evidence evidence;
    const int code =
        evidence_gather(reduction, sources, exchange, &evidence, fault);

    if (code || !range_is_said(evidence.expected) || evidence.span_s <= 0)
        return code;
    const bool is_short =
        evidence.measured_bps
        < plan_meets_ratio(reduction->plan) * evidence.expected.low;
    const bool is_too_much = evidence.measured_bps > evidence.expected.high;

    if (!is_short && !is_too_much)
        return 0;
    struct shortfall *shortfall = rows_add(&reduction->shortfalls);
    struct parting parting = {
        .reduction = reduction,
        .evidence = &evidence,
        .shortfall = shortfall,
        .left_bps = evidence.expected_bps - evidence.measured_bps,
    };

    shortfall->exchange = exchange;
    shortfall->expected_bps = evidence.expected_bps;
    shortfall->measured_bps = evidence.measured_bps;
    take_apart(&parting);
    name_dominant(&parting);
    shortfall_say(reduction, &evidence, shortfall);
    add_findings(reduction, &evidence, shortfall);
    return 0;
}

int shortfall_add(struct reduction *reduction, struct fault *fault)
{
    struct evidence_sources sources;
    int code = evidence_sources_open(reduction, &sources, fault);

    for (size_t i = 0; !code && i < reduction->exchanges.count; i++) {
        if (is_explained(reduction_exchange(reduction, i)))
            code = explain(reduction, &sources, i, fault);
    }
    evidence_sources_clear(&sources);
    return code;
}
