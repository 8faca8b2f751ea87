/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduction.h"

#include "reports/arrivals.h"
#include "reports/pixel_columns.h"
#include "reports/samples.h"

#include <bothends/kinds/download.h>
#include <errno.h>
#include <time.h>

void utc_text(uint64_t unix_ns, char *ret_text, size_t size)
{
    const time_t seconds = (time_t) (unix_ns / NS_PER_S);
    struct tm utc;

    if (!gmtime_r(&seconds, &utc)
        || !strftime(ret_text, size, "%Y-%m-%dT%H:%M:%SZ", &utc))
        (void) snprintf(ret_text, size, "?");
}

const struct expectation *
reduction_expectation(const struct reduction *reduction,
                      const struct exchange_record *exchange)
{
    static const struct expectation none = {
        .channel_bps = { (double) NAN, (double) NAN },
        .ip_bps = { (double) NAN, (double) NAN },
        .goodput_bps = { (double) NAN, (double) NAN },
        .cycle_ns = { (double) NAN, (double) NAN },
        .idle_cycle_ns = { (double) NAN, (double) NAN },
        .least_rtt_ns = { (double) NAN, (double) NAN },
        .mean_rtt_ns = { (double) NAN, (double) NAN },
        .why = "the plan has no such step",
    };

    return exchange->step_index < reduction->plan->step_count
               ? &reduction->expectations[exchange->step_index]
               : &none;
}

static struct finding *add_finding(struct reduction *reduction,
                                   const char *measure, const char *unit)
{
    struct finding *finding = rows_add(&reduction->findings);

    finding->run = reduction->run.run;
    finding->level_ratio = CONFIDENCE_LEVEL;
    finding->meets_ratio = plan_meets_ratio(reduction->plan);
    finding->value = finding->low = finding->high = (double) NAN;
    finding->expected_low = finding->expected_high = (double) NAN;
    (void) snprintf(finding->measure, sizeof(finding->measure), "%s", measure);
    (void) snprintf(finding->unit, sizeof(finding->unit), "%s", unit);
    (void) snprintf(finding->started_utc, sizeof(finding->started_utc), "%s",
                    reduction->run.started_utc);
    return finding;
}

static void name_exchange(struct finding *finding,
                          const struct exchange_record *exchange)
{
    finding->plan_index = exchange->plan_index;
    (void) snprintf(finding->step, sizeof(finding->step), "%s", exchange->step);
    (void) snprintf(finding->kind, sizeof(finding->kind), "%s",
                    exchange->kind->name);
    (void) snprintf(finding->from, sizeof(finding->from), "%s", exchange->from);
    (void) snprintf(finding->to, sizeof(finding->to), "%s", exchange->to);
    (void) snprintf(finding->condition, sizeof(finding->condition), "%s",
                    exchange->condition);
}

struct finding *reduction_add_finding(struct reduction *reduction,
                                      const struct exchange_record *exchange,
                                      const char *measure, const char *unit)
{
    struct finding *finding = add_finding(reduction, measure, unit);

    name_exchange(finding, exchange);
    finding->round = exchange->round;
    (void) snprintf(finding->exchange, sizeof(finding->exchange), "%s",
                    exchange->id);
    utc_text(exchange->started_unix_ns, finding->started_utc,
             sizeof(finding->started_utc));
    return finding;
}

struct finding *reduction_add_combined(struct reduction *reduction,
                                       const struct exchange_record *exchange,
                                       const char *measure, const char *unit)
{
    struct finding *finding = add_finding(reduction, measure, unit);

    if (exchange)
        name_exchange(finding, exchange);
    return finding;
}

struct curve *reduction_add_curve(struct reduction *reduction,
                                  enum curve_form form, size_t exchange)
{
    struct curve *curve = rows_add(&reduction->curves);

    curve->form = form;
    curve->exchange = exchange;
    curve->expected = range_unsaid();
    curve->steady_from_s = (double) NAN;
    curve->span_s = (double) NAN;
    curve->points.row_size = sizeof(struct point);
    curve->columns.row_size = sizeof(struct pixel_column);
    curve->gaps.row_size = sizeof(struct curve_gap);
    return curve;
}

void reduction_add_sentence(struct rows *sentences, const char *format, ...)
{
    struct sentence *sentence = rows_add(sentences);
    va_list arguments;

    va_start(arguments, format);
    (void) vsnprintf(sentence->text, sizeof(sentence->text), format, arguments);
    va_end(arguments);
}

static const struct series *find_series(const struct exchange_record *exchange,
                                        const char *name, char *ret_table,
                                        size_t size)
{
    for (size_t i = 0; i < exchange->kind->series_count; i++) {
        const struct series *found = &exchange->kind->series[i];

        if (strcmp(found->name, name) != 0)
            continue;
        (void) snprintf(ret_table, size, "%s_%s", exchange->kind->name, name);
        return found;
    }
    return NULL;
}

/* Why there is nothing to read; 0: the query is ready, its table in the room.
 */
static int find_query(const struct exchange_record *exchange,
                      const struct account_record *account, const char *series,
                      char table[80], struct samples_query *ret_query,
                      struct fault *fault)
{
    const struct series *found = find_series(exchange, series, table, 80);

    if (!found)
        return fault_set(fault, -ENOENT, "the kind '%s' has no series '%s'",
                         exchange->kind->name, series);
    *ret_query = (struct samples_query){
        .table = table,
        .where = "account = ?",
        .key = account->key,
        .order = "row",
        .fields = found->fields,
        .field_count = found->field_count,
    };
    return 0;
}

int reduction_read_series(const struct reduction *reduction,
                          const struct exchange_record *exchange,
                          const struct account_record *account,
                          const char *series, struct rows *rows,
                          struct fault *fault)
{
    struct samples_query query;
    char table[80];
    const int code =
        find_query(exchange, account, series, table, &query, fault);

    return code ? code
                : samples_read(reduction->logbook, &query, NULL, NULL, rows,
                               fault);
}

int reduction_stream_series(const struct reduction *reduction,
                            const struct exchange_record *exchange,
                            const struct account_record *account,
                            const char *series, const char *order,
                            const struct stream_to *to, struct fault *fault)
{
    struct samples_query query;
    char table[80];
    const int code =
        find_query(exchange, account, series, table, &query, fault);

    if (code)
        return code;
    query.order = order;
    return samples_stream(reduction->logbook, &query, to->record,
                          to->record_bytes, to->on_record, to->owner, fault);
}

static void on_arrival(void *owner, const void *record)
{
    const struct download_arrival *arrival = record;

    arrivals_add(owner, arrival->at_ns, arrival->bytes);
}

int reduction_read_arrivals(const struct reduction *reduction,
                            const struct exchange_record *exchange,
                            const struct account_record *account,
                            struct arrivals *ret_arrivals, struct fault *fault)
{
    struct download_arrival arrival;
    const struct stream_to to = { &arrival, sizeof(arrival), on_arrival,
                                  ret_arrivals };

    arrivals_open(ret_arrivals);
    return reduction_stream_series(reduction, exchange, account, "arrivals",
                                   "at_ns", &to, fault);
}

bool reduction_is_account_missing(const struct account_record *account,
                                  const char *end, char *ret_why, size_t size)
{
    const int state = account->account.state;

    if (!account->is_there)
        (void) snprintf(ret_why, size, "the account of %s never came", end);
    else if (state == ACCOUNT_FAILED || state == ACCOUNT_BROKEN)
        (void) snprintf(ret_why, size, "'%s' could not carry it out: %s", end,
                        account->account.trouble[0] ? account->account.trouble
                                                    : account_states[state]);
    else
        return false;
    return true;
}

void finding_set(struct finding *finding, const struct estimate *estimate,
                 uint64_t samples_count)
{
    finding->value = estimate->value;
    finding->low = estimate->low < 0 ? 0 : estimate->low;
    finding->high = estimate->high;
    finding->samples_count = samples_count;
}

void finding_set_why(struct finding *finding, const char *format, ...)
{
    va_list arguments;

    va_start(arguments, format);
    (void) vsnprintf(finding->why, sizeof(finding->why), format, arguments);
    va_end(arguments);
}

/*
 * The interval against the limit; its width shrinks with the square root of
 * time, so this much more would bring it off the limit if the value stays.
 */
static void say_what_would_decide(struct finding *finding, double limit,
                                  double took_s)
{
    /* The lower half may be cut at 0. */
    const double half = finding->high - finding->value;
    const double distance = fabs(finding->value - limit);
    const double more_s = took_s * (half * half / distance / distance - 1);

    if (isnan(took_s))
        finding_set_why(finding, "more rounds or longer ones would decide it");
    else if (isfinite(more_s) && more_s > 0 && more_s < 86400)
        finding_set_why(finding, "about %.0f s more would decide it",
                        ceil(more_s / 10) * 10);
    else
        finding_set_why(finding, "too close to the limit to decide");
}

void finding_judge(struct finding *finding, struct range expected,
                   const char *source, double took_s)
{
    const double limit = finding->meets_ratio * expected.low;

    if (!range_is_said(expected))
        return;
    finding->expected_low = expected.low;
    finding->expected_high = expected.high;
    (void) snprintf(finding->expected_source, sizeof(finding->expected_source),
                    "%s", source);
    if (isnan(finding->value) || isnan(finding->low) || isnan(finding->high))
        return;
    if (finding->condition[0] && strcmp(finding->condition, "idle") != 0) {
        finding_set_why(finding, "others ran beside it, and the expectation "
                                 "is for one alone");
        return;
    }
    if (finding->low > expected.high) {
        finding->verdict = VERDICT_EXCEEDS;
    } else if (finding->low >= limit) {
        finding->verdict = VERDICT_MEETS;
    } else if (finding->high < limit) {
        finding->verdict = VERDICT_SHORT;
    } else {
        finding->verdict = VERDICT_UNDECIDED;
        say_what_would_decide(finding, limit, took_s);
    }
}
