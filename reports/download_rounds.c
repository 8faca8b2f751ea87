/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/download.h"
#include "reports/gain.h"
#include "reports/repeats.h"

/* From so many rounds on, the rounds are the sample. */
static const size_t rounds_for_a_claim = 5;

struct gathering {
    struct rows levels; /* of struct mean_error */
    int what;
};

static void take_value(void *owner, const struct value_record *value)
{
    struct gathering *gathering = owner;

    if (value->what == gathering->what)
        *(struct mean_error *) rows_add(&gathering->levels) = value->level;
}

/* Values of that exchange in all rounds, as rows of struct mean_error. */
static struct rows gather(const struct reduction *reduction, size_t exchange,
                          int what)
{
    struct gathering gathering = {
        .levels.row_size = sizeof(struct mean_error),
        .what = what,
    };

    repeats_each_value(reduction, exchange, true, take_value, &gathering);
    return gathering.levels;
}

static struct estimate over_rounds(const struct rows *levels)
{
    double *values = calloc(levels->count + 1, sizeof(*values));

    if (!values)
        abort();
    for (size_t i = 0; i < levels->count; i++)
        values[i] = ((const struct mean_error *) rows_at(levels, i))->mean;
    const struct estimate estimate =
        statistics_mean_interval(values, levels->count, CONFIDENCE_LEVEL);

    free(values);
    return estimate;
}

/*
 * The level of all rounds together.  From five rounds on their spread is the
 * error; with fewer, the errors from within each run are added, which says
 * nothing of what changes between rounds ("during this run").
 */
static bool level_of_rounds(const struct rows *levels,
                            struct mean_error *ret_level)
{
    const double count = (double) levels->count;
    double squares = 0;

    if (!levels->count)
        return false;
    if (levels->count == 1) {
        *ret_level = *(const struct mean_error *) rows_at(levels, 0);
        return true;
    }
    const struct estimate estimate = over_rounds(levels);

    *ret_level = (struct mean_error){ .mean = estimate.value };
    if (levels->count >= rounds_for_a_claim) {
        ret_level->degrees = count - 1;
        ret_level->error =
            (estimate.high - estimate.value)
            / statistics_t((1 + CONFIDENCE_LEVEL) / 2, ret_level->degrees);
        return true;
    }
    for (size_t i = 0; i < levels->count; i++) {
        const struct mean_error *level = rows_at(levels, i);

        squares += level->error * level->error;
        ret_level->degrees += level->degrees;
    }
    ret_level->error = sqrt(squares) / count;
    return true;
}

static struct estimate estimate_of(const struct mean_error *level)
{
    const double reach =
        statistics_t((1 + CONFIDENCE_LEVEL) / 2, level->degrees) * level->error;

    return (struct estimate){ level->mean, level->mean - reach,
                              level->mean + reach };
}

static void combine_steady(struct reduction *reduction, size_t exchange)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    const struct expectation *expectation =
        reduction_expectation(reduction, record);
    struct rows levels = gather(reduction, exchange, VALUE_STEADY);
    struct mean_error level;

    if (levels.count > 1 && level_of_rounds(&levels, &level)) {
        struct finding *finding = reduction_add_combined(
            reduction, record, "goodput_steady", "bit/s");
        const struct estimate estimate = estimate_of(&level);

        finding_set(finding, &estimate, levels.count);
        finding_judge(finding, expectation->goodput_bps, expectation->source,
                      (double) NAN);
    }
    rows_clear(&levels);
}

/* Judged only where no transfer was long enough for a steady figure: a whole
 * transfer has its start-up in it, and the expectation has not. */
static void combine_whole(struct reduction *reduction, size_t exchange)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    const struct expectation *expectation =
        reduction_expectation(reduction, record);
    struct rows levels = gather(reduction, exchange, VALUE_WHOLE);
    struct rows steady = gather(reduction, exchange, VALUE_STEADY);

    if (levels.count > 1) {
        struct finding *finding =
            reduction_add_combined(reduction, record, "goodput_whole", "bit/s");
        const struct estimate estimate = over_rounds(&levels);

        finding_set(finding, &estimate, levels.count);
        if (!steady.count)
            finding_judge(finding, expectation->goodput_bps,
                          expectation->source, (double) NAN);
    }
    rows_clear(&levels);
    rows_clear(&steady);
}

/* The same exchange on another step. */
static bool find_on_step(const struct reduction *reduction, size_t exchange,
                         size_t step, size_t *ret_exchange)
{
    const struct exchange_record *wanted =
        reduction_exchange(reduction, exchange);

    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *record = reduction_exchange(reduction, i);

        if (record->step_index == step && record->kind == wanted->kind
            && record->plan_index == wanted->plan_index
            && strcmp(record->from, wanted->from) == 0
            && strcmp(record->to, wanted->to) == 0) {
            *ret_exchange = i;
            return true;
        }
    }
    return false;
}

bool download_level(const struct reduction *reduction, size_t exchange,
                    struct mean_error *ret_level)
{
    struct rows levels = gather(reduction, exchange, VALUE_STEADY);
    const bool has_level = level_of_rounds(&levels, ret_level);

    rows_clear(&levels);
    return has_level;
}

static void add_gain(struct reduction *reduction, size_t above, size_t below)
{
    const struct exchange_record *record = reduction_exchange(reduction, above);
    const struct expectation *upper = reduction_expectation(reduction, record);
    struct finding *finding =
        reduction_add_combined(reduction, record, "gain", "ratio");
    struct gain gain;

    gain_between(reduction, below, reduction, above,
                 plan_no_change_ratio(reduction->plan), &gain);
    if (isnan(gain.ratio.value)) {
        finding_set_why(finding, "needs a steady goodput on both steps");
        return;
    }
    finding_set(finding, &gain.ratio,
                gain.before.round_count < gain.after.round_count
                    ? gain.before.round_count
                    : gain.after.round_count);
    finding_judge(finding, gain.promised, upper->source, (double) NAN);
    if (gain.is_over_rounds)
        return;
    /* A verdict would be a claim about the step; this is the difference. */
    finding->verdict = VERDICT_NONE;
    finding_set_why(finding,
                    "fewer than %d rounds: not shown to be due to the change",
                    ROUNDS_FOR_A_CLAIM);
}

void download_combine(struct reduction *reduction)
{
    const size_t count = reduction->exchanges.count;

    for (size_t i = 0; i < count; i++) {
        if (strcmp(reduction_exchange(reduction, i)->kind->name, "download")
                == 0
            && repeats_is_first(reduction, i)) {
            combine_whole(reduction, i);
            combine_steady(reduction, i);
        }
    }
    for (size_t i = 0; i < count; i++) {
        const struct exchange_record *record = reduction_exchange(reduction, i);
        size_t below;

        if (strcmp(record->kind->name, "download") == 0
            && repeats_is_first(reduction, i) && record->step_index > 0
            && record->step_index < reduction->plan->step_count
            && find_on_step(reduction, i, record->step_index - 1, &below))
            add_gain(reduction, i, below);
    }
}
