/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reasons.h"
#include "reports/repeats.h"
#include "reports/shortfall_evidence.h"

#include <bothends/kinds.h>

/*
 * What says that the air itself is not as the plan states it: idle echoes
 * between the two ends on the same step, and what the radios told.
 */
void evidence_find_pings(const struct reduction *reduction,
                         struct lookup *pings)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        if (strcmp(exchange->kind->name, ping_kind.name) == 0
            && strcmp(exchange->condition, "idle") == 0
            && !exchange->bypass_signs)
            lookup_add(pings, repeats_key_beside(exchange), i);
    }
    lookup_sort(pings);
}

/* A percentile of those answered stands beside that of all sent, which has the
 * expectation. */
static void take_median(const struct reduction *reduction, size_t place,
                        uint64_t *most_count, struct evidence *evidence)
{
    const struct finding *answered = rows_at(&reduction->findings, place);

    if (answered->samples_count <= *most_count)
        return;
    for (size_t i = place; i-- > 0;) {
        const struct finding *all = rows_at(&reduction->findings, i);

        if (strcmp(all->exchange, answered->exchange) != 0)
            return;
        if (strcmp(all->measure, "rtt_p50") != 0 || isnan(all->expected_low))
            continue;
        *most_count = answered->samples_count;
        evidence->echo_median_s = answered->value;
        evidence->echo_median_expected_s =
            (struct range){ all->expected_low, all->expected_high };
        return;
    }
}

static void take_least(const struct finding *finding, struct evidence *evidence)
{
    if (isnan(finding->expected_low) || finding->samples_count < ECHOES_LEAST
        || evidence->echo_least_s <= finding->value)
        return;
    evidence->echo_least_s = finding->value;
    evidence->echo_least_expected_s =
        (struct range){ finding->expected_low, finding->expected_high };
}

/* Of a size that the expectation is for. */
static bool is_expected(const struct finding *finding)
{
    return strcmp(finding->measure, "rtt_least") == 0
           && !isnan(finding->expected_low);
}

static void count_late(const struct reduction *reduction,
                       const struct exchange_record *ping,
                       struct evidence *evidence)
{
    const struct expectation *expectation =
        reduction_expectation(reduction, ping);
    const double most_s =
        (expectation->least_rtt_ns.high + expectation->spread_rtt_ns.high)
        * 1e-9;

    for (size_t i = 0; i < ping->probe_count; i++) {
        /* Negative: the first one after a pause; infinite: lost. */
        const double rtt_s = *(const double *) rows_at(&reduction->probes,
                                                       ping->first_probe + i);

        if (!(rtt_s > 0))
            continue;
        evidence->asked_echoes_count++;
        if (isinf(rtt_s))
            continue;
        evidence->echo_mean_s =
            (evidence->echo_mean_s * evidence->echoes_count + rtt_s)
            / (evidence->echoes_count + 1);
        evidence->echoes_count++;
        evidence->late_echoes_count += rtt_s > ECHO_LEAST_RATIO * most_s;
    }
}

/* Where echoes were lost, what else was sent is our own that was sent again,
 * and made them slower. */
static bool is_disturbed(const struct reduction *reduction,
                         const struct exchange_record *ping)
{
    const struct ping_outcome *outcome =
        (const void *) ping->from_account.account.outcome.bytes;
    char why[160];

    return outcome->lost_count > 0
           && reasons_against(reduction, ping, VERDICT_SHORT, why, sizeof(why));
}

void evidence_take_ping(const struct reduction *reduction,
                        const struct exchange_record *ping,
                        uint64_t *most_count, struct evidence *evidence)
{
    const struct ping_outcome *outcome =
        (const void *) ping->from_account.account.outcome.bytes;
    const bool disturbed = is_disturbed(reduction, ping);

    evidence->overtaken_echoes_count += (double) ping->overtaken_count;
    evidence->doubles_echoes =
        evidence->doubles_echoes || outcome->duplicates_count > 0;
    for (size_t i = 0; i < ping->finding_count; i++) {
        const size_t place = ping->first_finding + i;
        const struct finding *finding = rows_at(&reduction->findings, place);

        if (!isfinite(finding->value))
            continue;
        if (is_expected(finding) && !disturbed)
            count_late(reduction, ping, evidence);
        if (strcmp(finding->measure, "rtt_least") == 0)
            take_least(finding, evidence);
        else if (strcmp(finding->measure, "rtt_answered_p50") == 0
                 && !disturbed)
            take_median(reduction, place, most_count, evidence);
        else if (strcmp(finding->measure, "loss") == 0)
            evidence->loses_echoes =
                evidence->loses_echoes || finding->low >= ECHO_LOSS_RATIO;
    }
}

/* Of single exchanges: the least of all, and the median of the most. */
void evidence_take_echoes(const struct reduction *reduction,
                          const struct lookup *pings, struct evidence *evidence)
{
    const struct exchange_record *exchange =
        reduction_exchange(reduction, evidence->exchange);
    const struct lookup_found found =
        lookup_find(pings, repeats_key_beside(exchange));
    uint64_t most_count = ECHOES_LEAST - 1;

    evidence->echo_least_s = evidence->echo_median_s = (double) NAN;
    for (size_t i = 0; i < found.count; i++) {
        const struct exchange_record *ping =
            reduction_exchange(reduction, found.entries[i].index);

        if (repeats_are_beside(ping, exchange))
            evidence_take_ping(reduction, ping, &most_count, evidence);
    }
}

/* They stand in the order of their exchanges' keys. */
static size_t first_reading(const struct reduction *reduction, int64_t key)
{
    size_t low = 0;
    size_t high = reduction->readings.count;

    while (low < high) {
        const size_t middle = low + (high - low) / 2;
        const struct reading_record *record =
            rows_at(&reduction->readings, middle);

        if (record->exchange < key)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

/* Counters: what they rose by from before the exchange until after it. */
static void count_frames(const struct radio_reading *reading, bool is_sender,
                         struct evidence *evidence)
{
    const double more =
        reading->moment == READING_AFTER ? reading->value : -reading->value;

    if (isnan(more))
        return;
    if (is_sender && strcmp(reading->name, "sent_frames") == 0)
        evidence->radio_frames_count += more;
    else if (is_sender && strcmp(reading->name, "repeated_frames") == 0)
        evidence->radio_repeats_count += more;
    else if (!is_sender && strcmp(reading->name, "heard_frames") == 0)
        evidence->heard_frames_count += more;
    else if (!is_sender && strcmp(reading->name, "missed_frames") == 0)
        evidence->missed_frames_count += more;
}

void evidence_take_readings(const struct reduction *reduction,
                            struct evidence *evidence)
{
    const struct exchange_record *exchange =
        reduction_exchange(reduction, evidence->exchange);

    evidence->read_stations_count = (double) NAN;
    for (size_t i = first_reading(reduction, exchange->key);
         i < reduction->readings.count; i++) {
        const struct reading_record *record = rows_at(&reduction->readings, i);
        const struct radio_reading *reading = &record->reading;

        if (record->exchange != exchange->key)
            break;
        if (strcmp(reading->name, "step") == 0
            && strcmp(reading->text, exchange->step) != 0
            && plan_find_step(reduction->plan, reading->text)
                   < reduction->plan->step_count) {
            (void) snprintf(evidence->read_step, sizeof(evidence->read_step),
                            "%s", reading->text);
            (void) snprintf(evidence->read_step_end,
                            sizeof(evidence->read_step_end), "%s", record->end);
        }
        if (strstr(reading->name, "stations") && !isnan(reading->value)
            && !(evidence->read_stations_count >= reading->value))
            evidence->read_stations_count = reading->value;
        if (strcmp(record->end, exchange->from) == 0
            || strcmp(record->end, exchange->to) == 0)
            count_frames(reading, strcmp(record->end, exchange->from) == 0,
                         evidence);
    }
}
