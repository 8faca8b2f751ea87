/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/shortfall_evidence.h"

/*
 * What says that the air itself is not as the plan states it: idle echoes
 * between the two ends on the same step, and what the radios told.
 */
static bool is_between(const struct finding *finding,
                       const struct exchange_record *exchange)
{
    return (strcmp(finding->from, exchange->from) == 0
            && strcmp(finding->to, exchange->to) == 0)
           || (strcmp(finding->from, exchange->to) == 0
               && strcmp(finding->to, exchange->from) == 0);
}

/* Of single exchanges: the least of all, and the median of the most. */
void evidence_take_echoes(const struct reduction *reduction,
                          struct evidence *evidence)
{
    const struct exchange_record *exchange =
        reduction_exchange(reduction, evidence->exchange);
    uint64_t most_count = ECHOES_LEAST - 1;

    evidence->echo_least_s = evidence->echo_median_s = (double) NAN;
    for (size_t i = 0; i < reduction->findings.count; i++) {
        const struct finding *finding = rows_at(&reduction->findings, i);

        /* Without an expectation it was no echo across the idle air. */
        if (!finding->exchange[0] || isnan(finding->expected_low)
            || strcmp(finding->step, exchange->step) != 0
            || finding->round != exchange->round
            || !is_between(finding, exchange) || !isfinite(finding->value))
            continue;
        if (strcmp(finding->measure, "rtt_least") == 0
            && finding->samples_count >= ECHOES_LEAST
            && !(evidence->echo_least_s <= finding->value)) {
            evidence->echo_least_s = finding->value;
            evidence->echo_least_expected_s =
                (struct range){ finding->expected_low, finding->expected_high };
        }
        if (strcmp(finding->measure, "rtt_p50") == 0
            && finding->samples_count > most_count) {
            most_count = finding->samples_count;
            evidence->echo_median_s = finding->value;
            evidence->echo_median_expected_s =
                (struct range){ finding->expected_low, finding->expected_high };
        }
    }
}

static bool is_step_of_plan(const struct plan *plan, const char *name)
{
    for (size_t i = 0; i < plan->step_count; i++) {
        if (strcmp(plan->steps[i].name, name) == 0)
            return true;
    }
    return false;
}

void evidence_take_readings(const struct reduction *reduction,
                            struct evidence *evidence)
{
    const struct exchange_record *exchange =
        reduction_exchange(reduction, evidence->exchange);

    evidence->read_stations_count = (double) NAN;
    for (size_t i = 0; i < reduction->readings.count; i++) {
        const struct reading_record *record = rows_at(&reduction->readings, i);
        const struct radio_reading *reading = &record->reading;

        if (record->exchange != exchange->key)
            continue;
        if (strcmp(reading->name, "step") == 0
            && strcmp(reading->text, exchange->step) != 0
            && is_step_of_plan(reduction->plan, reading->text)) {
            (void) snprintf(evidence->read_step, sizeof(evidence->read_step),
                            "%s", reading->text);
            (void) snprintf(evidence->read_step_end,
                            sizeof(evidence->read_step_end), "%s", record->end);
        }
        if (strstr(reading->name, "stations") && !isnan(reading->value)
            && !(evidence->read_stations_count >= reading->value))
            evidence->read_stations_count = reading->value;
    }
}
