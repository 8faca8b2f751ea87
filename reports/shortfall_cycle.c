/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/shortfall_evidence.h"

#include <bothends/kinds.h>

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

static bool is_idle_echo(const struct finding *finding,
                         const struct exchange_record *exchange)
{
    return finding->exchange[0] && strcmp(finding->kind, ping_kind.name) == 0
           && strcmp(finding->condition, "idle") == 0
           && strcmp(finding->step, exchange->step) == 0
           && finding->round == exchange->round && is_between(finding, exchange)
           && isfinite(finding->value);
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

        if (!is_idle_echo(finding, exchange))
            continue;
        if (strcmp(finding->measure, "rtt_least") == 0)
            take_least(finding, evidence);
        else if (strcmp(finding->measure, "rtt_answered_p50") == 0)
            take_median(reduction, i, &most_count, evidence);
        else if (strcmp(finding->measure, "loss") == 0)
            evidence->loses_echoes =
                evidence->loses_echoes || finding->low >= ECHO_LOSS_RATIO;
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
