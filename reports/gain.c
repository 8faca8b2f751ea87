/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/gain.h"

#include "reports/download.h"
#include "reports/repeats.h"

#include <errno.h>

/* --- rounds --------------------------------------------------------------- */

/* A side's steady goodput, round by round. */
struct sample {
    double values[1024];
    uint64_t rounds[1024];
    size_t count;
};

/* A side while its values are taken. */
struct taking {
    const struct reduction *reduction;
    struct sample *sample;
};

static void take_value(void *owner, const struct value_record *value)
{
    const struct taking *taking = owner;
    struct sample *sample = taking->sample;

    if (value->what != VALUE_STEADY || !(value->level.mean > 0)
        || sample->count == COUNT_OF(sample->values))
        return;
    sample->values[sample->count] = value->level.mean;
    sample->rounds[sample->count++] =
        reduction_exchange(taking->reduction, value->exchange)->round;
}

static struct sample *sample_of(const struct reduction *reduction,
                                size_t exchange)
{
    struct taking taking = { reduction, calloc(1, sizeof(struct sample)) };

    if (!taking.sample)
        abort();
    repeats_each_value(reduction, exchange, true, take_value, &taking);
    return taking.sample;
}

/* Those rounds that both have, side by side. */
static size_t pair_rounds(struct sample *before, struct sample *after)
{
    size_t count = 0;

    for (size_t i = 0; i < after->count; i++) {
        for (size_t k = count; k < before->count; k++) {
            if (before->rounds[k] != after->rounds[i])
                continue;
            const double value = before->values[k];

            before->values[k] = before->values[count];
            before->rounds[k] = before->rounds[count];
            before->values[count] = value;
            before->rounds[count] = after->rounds[i];
            after->values[count] = after->values[i];
            after->rounds[count++] = after->rounds[i];
            break;
        }
    }
    return count;
}

static void compare_pairs(struct sample *before, struct sample *after,
                          double margin_ratio, struct gain *gain)
{
    const struct rounds_gain rounds = comparison_rounds(
        after->values, before->values, pair_rounds(before, after),
        CONFIDENCE_LEVEL, margin_ratio);

    gain->ratio = rounds.ratio;
    gain->same = rounds.same;
    gain->is_over_rounds = true;
}

static void compare_samples(const struct sample *before,
                            const struct sample *after, double margin_ratio,
                            struct gain *gain)
{
    double logs[2][COUNT_OF(before->values)];

    for (size_t i = 0; i < after->count; i++)
        logs[0][i] = log(after->values[i]);
    for (size_t i = 0; i < before->count; i++)
        logs[1][i] = log(before->values[i]);
    const struct welch welch = comparison_welch(
        logs[0], after->count, logs[1], before->count, CONFIDENCE_LEVEL);
    const double error =
        (welch.difference.high - welch.difference.value)
        / statistics_t((1 + CONFIDENCE_LEVEL) / 2, welch.degrees);

    gain->ratio = (struct estimate){ exp(welch.difference.value),
                                     exp(welch.difference.low),
                                     exp(welch.difference.high) };
    gain->same = comparison_ratio_equivalence(welch.difference.value, error,
                                              welch.degrees, margin_ratio);
    gain->is_over_rounds = true;
}

/* --- one against another -------------------------------------------------- */

static const struct plan_step *step_of(const struct reduction *reduction,
                                       const struct exchange_record *exchange)
{
    return exchange->step_index < reduction->plan->step_count
               ? &reduction->plan->steps[exchange->step_index]
               : NULL;
}

/* What is uncertain about one step is mostly uncertain about the other in the
 * same way, but the range makes no use of that. */
static void find_promise(const struct expectation *before,
                         const struct expectation *after, struct gain *gain)
{
    if (range_is_said(before->goodput_bps) && range_is_said(after->goodput_bps))
        gain->promised =
            (struct range){ after->goodput_bps.low / before->goodput_bps.high,
                            after->goodput_bps.high / before->goodput_bps.low };
}

static void find_price(const struct plan_step *before,
                       const struct plan_step *after, struct gain *gain)
{
    if (!before || !after)
        return;
    gain->bandwidth_ratio =
        capacity_bandwidth_hz(after) / capacity_bandwidth_hz(before);
    gain->margin_loss_db = after->sensitivity_dbm - before->sensitivity_dbm;
}

static enum gain_verdict judge_step(const struct gain *gain, double meets_ratio)
{
    if (gain->ratio.high <= 1)
        return GAIN_DOES_NOT_PAY;
    if (!(gain->ratio.low > 1))
        return GAIN_UNDECIDED;
    if (isnan(gain->promised.low)
        || gain->ratio.low >= meets_ratio * gain->promised.low)
        return GAIN_PAYS;
    return gain->ratio.high < meets_ratio * gain->promised.low ? GAIN_PAYS_LESS
                                                               : GAIN_UNDECIDED;
}

/* A change within the margin is none worth having, shown or not. */
static enum gain_verdict judge_change(const struct gain *gain,
                                      double margin_ratio)
{
    if (margin_ratio > 0 && gain->same < 1 - CONFIDENCE_LEVEL)
        return GAIN_SAME;
    if (gain->ratio.low > 1)
        return GAIN_MORE;
    return gain->ratio.high < 1 ? GAIN_LESS : GAIN_UNDECIDED;
}

static void judge(struct gain *gain, size_t round_count, double meets_ratio,
                  double margin_ratio)
{
    if (isnan(gain->ratio.value) || isnan(gain->ratio.low)) {
        gain->verdict = GAIN_NO_FIGURE;
        (void) snprintf(gain->why, sizeof(gain->why),
                        "needs a steady goodput on both sides");
    } else if (!gain->is_over_rounds) {
        gain->verdict = GAIN_NOT_CLAIMED;
        (void) snprintf(gain->why, sizeof(gain->why),
                        "%zu %s to compare, %d are needed to say what a "
                        "difference is due to",
                        round_count, round_count == 1 ? "round" : "rounds",
                        ROUNDS_FOR_A_CLAIM);
    } else {
        gain->verdict = strcmp(gain->before.step, gain->after.step) != 0
                            ? judge_step(gain, meets_ratio)
                            : judge_change(gain, margin_ratio);
    }
}

static void compare(const struct reduction *before, size_t before_exchange,
                    const struct reduction *after, size_t after_exchange,
                    double margin_ratio, struct gain *gain)
{
    struct sample *first = sample_of(before, before_exchange);
    struct sample *second = sample_of(after, after_exchange);
    struct mean_error levels[2];
    size_t count = first->count < second->count ? first->count : second->count;

    gain->before.round_count = first->count;
    gain->after.round_count = second->count;
    if (before == after)
        count = pair_rounds(first, second);
    if (count >= ROUNDS_FOR_A_CLAIM && before == after)
        compare_pairs(first, second, margin_ratio, gain);
    else if (count >= ROUNDS_FOR_A_CLAIM)
        compare_samples(first, second, margin_ratio, gain);
    else if (download_level(before, before_exchange, &levels[0])
             && download_level(after, after_exchange, &levels[1]))
        gain->ratio =
            statistics_ratio(&levels[1], &levels[0], CONFIDENCE_LEVEL);
    free(first);
    free(second);
    judge(gain, count, plan_meets_ratio(after->plan), margin_ratio);
}

static void name_side(const struct reduction *reduction, size_t exchange,
                      struct gain_side *side)
{
    struct mean_error level;

    (void) snprintf(side->step, sizeof(side->step), "%s",
                    reduction_exchange(reduction, exchange)->step);
    side->mean_bps =
        download_level(reduction, exchange, &level) ? level.mean : (double) NAN;
}

void gain_between(const struct reduction *before, size_t before_exchange,
                  const struct reduction *after, size_t after_exchange,
                  double margin_ratio, struct gain *ret_gain)
{
    const struct exchange_record *first =
        reduction_exchange(before, before_exchange);
    const struct exchange_record *second =
        reduction_exchange(after, after_exchange);
    const double none = (double) NAN;

    *ret_gain = (struct gain){ .ratio = { none, none, none },
                               .promised = range_unsaid(),
                               .bandwidth_ratio = none,
                               .margin_loss_db = none,
                               .same = none };
    (void) snprintf(ret_gain->from, sizeof(ret_gain->from), "%s", second->from);
    (void) snprintf(ret_gain->to, sizeof(ret_gain->to), "%s", second->to);
    name_side(before, before_exchange, &ret_gain->before);
    name_side(after, after_exchange, &ret_gain->after);
    if (strcmp(first->step, second->step) != 0) {
        find_promise(reduction_expectation(before, first),
                     reduction_expectation(after, second), ret_gain);
        find_price(step_of(before, first), step_of(after, second), ret_gain);
    }
    compare(before, before_exchange, after, after_exchange, margin_ratio,
            ret_gain);
}

/* --- all of a run, or of two ---------------------------------------------- */

/* A download that ran alone, once for all its rounds. */
static bool is_compared(const struct reduction *reduction, size_t exchange)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);

    return strcmp(record->kind->name, "download") == 0
           && strcmp(record->condition, "idle") == 0
           && repeats_is_first(reduction, exchange);
}

/* The same way on that step. */
static bool find_partner(const struct reduction *reduction, const char *step,
                         const struct exchange_record *wanted,
                         size_t *ret_exchange)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *record = reduction_exchange(reduction, i);

        if (is_compared(reduction, i) && strcmp(record->step, step) == 0
            && strcmp(record->from, wanted->from) == 0
            && strcmp(record->to, wanted->to) == 0) {
            *ret_exchange = i;
            return true;
        }
    }
    return false;
}

static void add_gain(const struct reduction *before, const char *step,
                     const struct reduction *after, size_t exchange,
                     struct gain_table *table)
{
    size_t partner;

    if (find_partner(before, step, reduction_exchange(after, exchange),
                     &partner))
        gain_between(before, partner, after, exchange, table->margin_ratio,
                     rows_add(&table->gains));
}

static void add_steps(const struct reduction *reduction,
                      struct gain_table *table)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *record = reduction_exchange(reduction, i);

        if (is_compared(reduction, i) && record->step_index > 0
            && record->step_index < reduction->plan->step_count)
            add_gain(reduction,
                     reduction->plan->steps[record->step_index - 1].name,
                     reduction, i, table);
    }
}

static void add_runs(const struct reduction *before,
                     const struct reduction *after, struct gain_table *table)
{
    for (size_t i = 0; i < after->exchanges.count; i++) {
        if (is_compared(after, i))
            add_gain(before, reduction_exchange(after, i)->step, after, i,
                     table);
    }
    if (table->gains.count || before->plan->step_count != 1
        || after->plan->step_count != 1)
        return;
    for (size_t i = 0; i < after->exchanges.count; i++) {
        if (is_compared(after, i))
            add_gain(before, before->plan->steps[0].name, after, i, table);
    }
}

static bool has_compared(const struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        if (is_compared(reduction, i))
            return true;
    }
    return false;
}

static void say_why_none(const struct reduction *before,
                         const struct reduction *after,
                         struct gain_table *table)
{
    const struct reduction *empty = !has_compared(before)  ? before
                                    : !has_compared(after) ? after
                                                           : NULL;
    char *why = table->why;
    const size_t size = sizeof(table->why);
    const long long number = (long long) after->run.run;

    if (empty)
        (void) snprintf(why, size,
                        "run %lld has no download that ran alone on the link",
                        (long long) empty->run.run);
    else if (before->run.run != after->run.run)
        (void) snprintf(why, size,
                        "no step has a download the same way in both runs");
    else if (after->plan->step_count < 2)
        (void) snprintf(why, size,
                        "run %lld has one step only, %s; 'bothends gain RUN "
                        "%lld' holds it against an earlier run",
                        number, after->plan->steps[0].name, number);
    else
        (void) snprintf(why, size,
                        "run %lld has no download the same way on two steps "
                        "that follow each other in the plan",
                        number);
}

int gain_compare(sqlite3 *logbook, int64_t before_run,
                 const struct plan *before_plan, int64_t after_run,
                 const struct plan *after_plan, double margin_ratio,
                 struct gain_table *ret_table, struct fault *fault)
{
    struct reduction before;
    struct reduction after;

    *ret_table = (struct gain_table){ .margin_ratio =
                                          isnan(margin_ratio)
                                              ? plan_no_change_ratio(after_plan)
                                              : margin_ratio,
                                      .gains.row_size = sizeof(struct gain) };
    reduction_init(&before, logbook, before_plan);
    reduction_init(&after, logbook, after_plan);
    int code = reduction_run(&before, before_run, fault);

    if (!code)
        code = reduction_run(&after, after_run, fault);
    if (!code && before_run == after_run)
        add_steps(&after, ret_table);
    else if (!code)
        add_runs(&before, &after, ret_table);
    if (!code && !ret_table->gains.count)
        say_why_none(&before, &after, ret_table);
    ret_table->before = before.run;
    ret_table->after = after.run;
    reduction_clear(&before);
    reduction_clear(&after);
    return code;
}

void gain_table_clear(struct gain_table *table)
{
    rows_clear(&table->gains);
}
