/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduction.h"
#include "reports/report.h"
#include "reports/samples.h"

#include <errno.h>
#include <inttypes.h>
#include <time.h>

/* A further kind: its file, and its row here. */
const struct report_kind *const report_kinds[] = {
    &ping_report,
    &download_report,
    NULL,
};

static const struct report_kind *report_kind_of(const struct kind *kind)
{
    for (size_t i = 0; report_kinds[i]; i++) {
        if (strcmp(report_kinds[i]->name, kind->name) == 0)
            return report_kinds[i];
    }
    return NULL;
}

/* The flow of a reduction, top to bottom. */
static int load_run(struct reduction *reduction, int64_t run,
                    struct fault *fault);
static int load_groups(struct reduction *reduction, struct fault *fault);
static int load_exchanges(struct reduction *reduction, struct fault *fault);
static int load_accounts(struct reduction *reduction,
                         struct exchange_record *exchange, struct fault *fault);
static void add_control_share(struct reduction *reduction);
static int add_notes(struct reduction *reduction, struct fault *fault);

void reduction_init(struct reduction *reduction, sqlite3 *logbook,
                    const struct plan *plan)
{
    *reduction = (struct reduction){
        .logbook = logbook,
        .plan = plan,
        .exchanges.row_size = sizeof(struct exchange_record),
        .findings.row_size = sizeof(struct finding),
        .values.row_size = sizeof(struct value_record),
        .curves.row_size = sizeof(struct curve),
        .methods.row_size = sizeof(struct sentence),
        .doubts.row_size = sizeof(struct sentence),
    };
    statistics_prepare();
    for (size_t i = 0; i < plan->step_count; i++)
        capacity_expect_of(plan, &plan->steps[i], &reduction->expectations[i]);
}

void reduction_clear(struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->curves.count; i++)
        rows_clear(&((struct curve *) rows_at(&reduction->curves, i))->points);
    rows_clear(&reduction->exchanges);
    rows_clear(&reduction->findings);
    rows_clear(&reduction->values);
    rows_clear(&reduction->curves);
    rows_clear(&reduction->methods);
    rows_clear(&reduction->doubts);
}

int reduction_run(struct reduction *reduction, int64_t run, struct fault *fault)
{
    int code = load_run(reduction, run, fault);

    if (!code)
        code = load_exchanges(reduction, fault);
    for (size_t i = 0; !code && i < reduction->exchanges.count; i++) {
        const struct report_kind *kind =
            report_kind_of(reduction_exchange(reduction, i)->kind);

        if (kind)
            code = kind->reduce(reduction, i, fault);
    }
    if (!code)
        code = load_groups(reduction, fault);
    if (code)
        return code;
    for (size_t i = 0; report_kinds[i]; i++) {
        if (report_kinds[i]->combine)
            report_kinds[i]->combine(reduction);
    }
    add_control_share(reduction);
    doubts_add(reduction);
    return add_notes(reduction, fault);
}

int reduce_run(sqlite3 *logbook, int64_t run, const struct plan *plan,
               struct rows *ret_findings, struct fault *fault)
{
    struct reduction reduction;

    reduction_init(&reduction, logbook, plan);
    const int code = reduction_run(&reduction, run, fault);

    if (!code) {
        *ret_findings = reduction.findings;
        reduction.findings =
            (struct rows){ sizeof(struct finding), 0, 0, NULL };
    }
    reduction_clear(&reduction);
    return code;
}

/* --- loading -------------------------------------------------------------- */

void utc_text(uint64_t unix_ns, char *ret_text, size_t size)
{
    const time_t seconds = (time_t) (unix_ns / NS_PER_S);
    struct tm utc;

    if (!gmtime_r(&seconds, &utc)
        || !strftime(ret_text, size, "%Y-%m-%dT%H:%M:%SZ", &utc))
        (void) snprintf(ret_text, size, "?");
}

static int load_run(struct reduction *reduction, int64_t run,
                    struct fault *fault)
{
    struct run_record *record = &reduction->run;
    sqlite3_stmt *row;
    const int code = samples_prepare(
        reduction->logbook,
        "SELECT title, plan_path, program_version, state, practice, "
        "started_unix_ns, ended_unix_ns, seed FROM runs WHERE run = ?",
        run, &row, fault);

    if (code)
        return code;
    if (sqlite3_step(row) != SQLITE_ROW) {
        (void) sqlite3_finalize(row);
        return fault_set(fault, -ENOENT,
                         "the logbook holds no run %" PRId64 ": 'bothends "
                         "runs' lists them",
                         run);
    }
    record->run = run;
    samples_text(row, 0, record->title, sizeof(record->title));
    samples_text(row, 1, record->plan_path, sizeof(record->plan_path));
    samples_text(row, 2, record->program_version,
                 sizeof(record->program_version));
    samples_text(row, 3, record->state, sizeof(record->state));
    record->is_practice = sqlite3_column_int(row, 4) != 0;
    record->started_unix_ns = samples_whole(row, 5);
    record->ended_unix_ns = samples_whole(row, 6);
    record->seed = samples_whole(row, 7);
    (void) sqlite3_finalize(row);
    utc_text(record->started_unix_ns, record->started_utc,
             sizeof(record->started_utc));
    if (record->ended_unix_ns)
        utc_text(record->ended_unix_ns, record->ended_utc,
                 sizeof(record->ended_utc));
    return 0;
}

static size_t find_step(const struct plan *plan, const char *name)
{
    size_t i = 0;

    while (i < plan->step_count && strcmp(plan->steps[i].name, name) != 0)
        i++;
    return i;
}

static int load_spec(struct reduction *reduction,
                     struct exchange_record *exchange, struct fault *fault)
{
    char table[80];
    struct rows rows = { .row_size = exchange->kind->spec_size };
    const struct samples_query query = {
        .table = table,
        .where = "exchange = ?",
        .key = exchange->key,
        .fields = exchange->kind->spec_fields,
        .field_count = exchange->kind->spec_field_count,
    };

    (void) snprintf(table, sizeof(table), "%s_spec", exchange->kind->name);
    const int code =
        samples_read(reduction->logbook, &query, NULL, NULL, &rows, fault);

    if (!code && rows.count) {
        (void) memcpy(exchange->spec.bytes, rows_at(&rows, 0), rows.row_size);
        exchange->has_spec = true;
    }
    rows_clear(&rows);
    return code;
}

static void read_exchange(const struct reduction *reduction, sqlite3_stmt *row,
                          const struct kind *kind,
                          struct exchange_record *exchange)
{
    exchange->kind = kind;
    exchange->key = sqlite3_column_int64(row, 0);
    samples_text(row, 1, exchange->id, sizeof(exchange->id));
    samples_text(row, 3, exchange->from, sizeof(exchange->from));
    samples_text(row, 4, exchange->to, sizeof(exchange->to));
    samples_text(row, 5, exchange->condition, sizeof(exchange->condition));
    exchange->plan_index = samples_whole(row, 6);
    exchange->round = samples_whole(row, 7);
    samples_text(row, 8, exchange->step, sizeof(exchange->step));
    exchange->started_unix_ns = samples_whole(row, 9);
    exchange->step_index = find_step(reduction->plan, exchange->step);
    exchange->own_bytes = (double) NAN;
}

static int load_exchanges(struct reduction *reduction, struct fault *fault)
{
    sqlite3_stmt *row;
    int step;
    int code = samples_prepare(
        reduction->logbook,
        "SELECT e.exchange, e.id, e.kind, e.from_name, e.to_name, "
        "e.condition, e.plan_index, g.round, g.step, g.started_unix_ns "
        "FROM exchanges AS e JOIN groups AS g ON g.group_id = e.group_id "
        "WHERE g.run = ? ORDER BY g.position, e.exchange",
        reduction->run.run, &row, fault);

    if (code)
        return code;
    while ((step = sqlite3_step(row)) == SQLITE_ROW && !code) {
        char name[NAME_SIZE];

        samples_text(row, 2, name, sizeof(name));
        const struct kind *kind = kind_by_name(name);

        if (!kind) {
            reduction_add_sentence(&reduction->doubts,
                                   "An exchange of the unknown kind '%s' was "
                                   "left out: a later version made it.",
                                   name);
            continue;
        }
        struct exchange_record *exchange = rows_add(&reduction->exchanges);

        read_exchange(reduction, row, kind, exchange);
        code = load_spec(reduction, exchange, fault);
        if (!code)
            code = load_accounts(reduction, exchange, fault);
    }
    (void) sqlite3_finalize(row);
    if (!code && step != SQLITE_DONE)
        code = samples_failed(reduction->logbook, "exchanges", fault);
    return code;
}

/* id and kind stand in the exchanges' table. */
static size_t account_columns(struct field *ret_fields)
{
    size_t count = 0;

    for (size_t i = 0; i < COUNT_OF(account_fields); i++) {
        if (strcmp(account_fields[i].name, "id") == 0
            || strcmp(account_fields[i].name, "kind") == 0)
            continue;
        ret_fields[count] = account_fields[i];
        /* The same member, seen from the record around it. */
        ret_fields[count++].offset += offsetof(struct account_record, account);
    }
    return count;
}

static void on_account(void *owner, sqlite3_stmt *row, void *record)
{
    struct account_record *account = record;

    (void) owner;
    account->is_there = true;
    account->key = sqlite3_column_int64(row, 0);
    samples_text(row, 1, account->end, sizeof(account->end));
    account->start_ns = samples_whole(row, 2);
    account->start_uncertainty_ns = samples_whole(row, 3);
}

static int load_outcome(struct reduction *reduction,
                        const struct exchange_record *exchange,
                        struct account_record *account, struct fault *fault)
{
    char table[80];
    struct rows rows = { .row_size = exchange->kind->outcome_size };
    const struct samples_query query = {
        .table = table,
        .where = "account = ?",
        .key = account->key,
        .fields = exchange->kind->outcome_fields,
        .field_count = exchange->kind->outcome_field_count,
    };

    (void) snprintf(table, sizeof(table), "%s_outcome", exchange->kind->name);
    const int code =
        samples_read(reduction->logbook, &query, NULL, NULL, &rows, fault);

    if (!code && rows.count)
        (void) memcpy(account->account.outcome.bytes, rows_at(&rows, 0),
                      rows.row_size);
    rows_clear(&rows);
    return code;
}

static int load_accounts(struct reduction *reduction,
                         struct exchange_record *exchange, struct fault *fault)
{
    struct field fields[COUNT_OF(account_fields)];
    struct rows rows = { .row_size = sizeof(struct account_record) };
    const struct samples_query query = {
        .table = "accounts",
        .where = "exchange = ?",
        .key = exchange->key,
        .order = "account",
        .extra = "account, \"end\", start_ns, start_uncertainty_ns",
        .fields = fields,
        .field_count = account_columns(fields),
    };
    int code = samples_read(reduction->logbook, &query, on_account, NULL, &rows,
                            fault);

    for (size_t i = 0; !code && i < rows.count; i++) {
        struct account_record *account = rows_at(&rows, i);

        code = load_outcome(reduction, exchange, account, fault);
        reduction->run.identification_count +=
            account->account.identification_count;
        reduction->run.identification_bytes +=
            account->account.identification_bytes;
        if (strcmp(account->end, exchange->from) == 0)
            exchange->from_account = *account;
        else if (strcmp(account->end, exchange->to) == 0)
            exchange->to_account = *account;
    }
    rows_clear(&rows);
    return code;
}

/* Control traffic is short requests and answers: its airtime is its bytes at
 * the step's IP rate, and an estimate. */
static int load_groups(struct reduction *reduction, struct fault *fault)
{
    struct run_record *run = &reduction->run;
    sqlite3_stmt *row;
    int step;
    const int code =
        samples_prepare(reduction->logbook,
                        "SELECT step, control_sent_bytes, "
                        "control_received_bytes FROM groups WHERE run = ?",
                        run->run, &row, fault);

    if (code)
        return code;
    while ((step = sqlite3_step(row)) == SQLITE_ROW) {
        char name[NAME_SIZE];
        const uint64_t bytes = samples_whole(row, 1) + samples_whole(row, 2);

        samples_text(row, 0, name, sizeof(name));
        const size_t index = find_step(reduction->plan, name);

        run->group_count++;
        run->control_bytes += bytes;
        run->control_airtime_s +=
            index < reduction->plan->step_count
                ? (double) (bytes * BITS_PER_BYTE)
                      / range_middle(reduction->expectations[index].ip_bps)
                : (double) NAN;
    }
    (void) sqlite3_finalize(row);
    return step == SQLITE_DONE
               ? 0
               : samples_failed(reduction->logbook, "groups", fault);
}

static int add_notes(struct reduction *reduction, struct fault *fault)
{
    sqlite3_stmt *row;
    int step;
    const int code =
        samples_prepare(reduction->logbook,
                        "SELECT text FROM notes WHERE run = ? ORDER BY note",
                        reduction->run.run, &row, fault);

    if (code)
        return code;
    while ((step = sqlite3_step(row)) == SQLITE_ROW) {
        char text[400];

        samples_text(row, 0, text, sizeof(text));
        if (text[0])
            reduction_add_sentence(&reduction->doubts, "%s", text);
    }
    (void) sqlite3_finalize(row);
    return step == SQLITE_DONE
               ? 0
               : samples_failed(reduction->logbook, "notes", fault);
}

/* --- what a run spends on itself ------------------------------------------ */

/* Counts, not samples: the interval is the value. */
static void add_control_share(struct reduction *reduction)
{
    const struct run_record *run = &reduction->run;
    double own_bytes = 0;
    size_t known = 0;

    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const double bytes = reduction_exchange(reduction, i)->own_bytes;

        if (!isnan(bytes)) {
            own_bytes += bytes;
            known++;
        }
    }
    struct finding *finding =
        reduction_add_combined(reduction, NULL, "control_share", "ratio");
    const double all_bytes = own_bytes + (double) run->control_bytes;

    if (all_bytes > 0 && known) {
        const double share = (double) run->control_bytes / all_bytes;

        finding_set(finding, &(struct estimate){ share, share, share },
                    run->group_count);
    } else {
        finding_set_why(finding, "no exchange says how much it sent");
    }
}

/* --- for the kinds -------------------------------------------------------- */

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
    curve->points.row_size = sizeof(struct point);
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

bool reduction_is_same(const struct exchange_record *a,
                       const struct exchange_record *b)
{
    return a->kind == b->kind && a->plan_index == b->plan_index
           && strcmp(a->step, b->step) == 0 && strcmp(a->from, b->from) == 0
           && strcmp(a->to, b->to) == 0
           && strcmp(a->condition, b->condition) == 0;
}

bool reduction_is_first(const struct reduction *reduction, size_t exchange)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);

    for (size_t i = 0; i < exchange; i++) {
        if (reduction_is_same(reduction_exchange(reduction, i), record))
            return false;
    }
    return true;
}

int reduction_read_series(const struct reduction *reduction,
                          const struct exchange_record *exchange,
                          const struct account_record *account,
                          const char *series, struct rows *rows,
                          struct fault *fault)
{
    for (size_t i = 0; i < exchange->kind->series_count; i++) {
        const struct series *found = &exchange->kind->series[i];
        char table[80];

        if (strcmp(found->name, series) != 0)
            continue;
        (void) snprintf(table, sizeof(table), "%s_%s", exchange->kind->name,
                        found->name);
        const struct samples_query query = {
            .table = table,
            .where = "account = ?",
            .key = account->key,
            .order = "row",
            .fields = found->fields,
            .field_count = found->field_count,
        };
        return samples_read(reduction->logbook, &query, NULL, NULL, rows,
                            fault);
    }
    return fault_set(fault, -ENOENT, "the kind '%s' has no series '%s'",
                     exchange->kind->name, series);
}

bool reduction_is_account_missing(const struct account_record *account,
                                  const char *end, char *ret_why, size_t size)
{
    const int state = account->account.state;

    if (!account->is_there)
        (void) snprintf(ret_why, size,
                        "the account of '%s' is not in the logbook", end);
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
    finding->low = estimate->low;
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
    const double half = (finding->high - finding->low) / 2;
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
    const double limit = MEETS_SHARE_RATIO * expected.low;

    if (!range_is_said(expected))
        return;
    finding->expected_low = expected.low;
    finding->expected_high = expected.high;
    (void) snprintf(finding->expected_source, sizeof(finding->expected_source),
                    "%s", source);
    if (isnan(finding->value) || isnan(finding->low) || isnan(finding->high))
        return;
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
