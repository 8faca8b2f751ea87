/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/loading.h"

#include "reports/samples.h"

#include <errno.h>
#include <inttypes.h>

int loading_run(struct reduction *reduction, int64_t run, struct fault *fault)
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

static int load_accounts(struct reduction *reduction,
                         struct exchange_record *exchange, struct fault *fault);

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
    exchange->is_refused = sqlite3_column_int(row, 10) != 0;
    exchange->step_index = plan_find_step(reduction->plan, exchange->step);
    exchange->own_bytes = (double) NAN;
}

/* "+" keeps SQLite from taking the groups' index first, and then a walk over
 * all exchanges for each group. */
int loading_exchanges(struct reduction *reduction, struct fault *fault)
{
    sqlite3_stmt *row;
    int step;
    int code = samples_prepare(
        reduction->logbook,
        "SELECT e.exchange, e.id, e.kind, e.from_name, e.to_name, "
        "e.condition, e.plan_index, g.round, g.step, g.started_unix_ns, "
        "e.group_id IN (SELECT n.group_id FROM notes AS n "
        "WHERE n.run = ?1 AND n.class = 'refused') "
        "FROM exchanges AS e JOIN groups AS g ON g.group_id = e.group_id "
        "WHERE +g.run = ?1 ORDER BY g.position, e.exchange",
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
int loading_groups(struct reduction *reduction, struct fault *fault)
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
        const size_t index = plan_find_step(reduction->plan, name);

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

static void on_reading(void *owner, sqlite3_stmt *row, void *record)
{
    struct reading_record *reading = record;

    (void) owner;
    reading->exchange = sqlite3_column_int64(row, 0);
    samples_text(row, 1, reading->end, sizeof(reading->end));
}

int loading_readings(struct reduction *reduction, struct fault *fault)
{
    struct field fields[COUNT_OF(reading_fields)];
    const struct samples_query query = {
        .table = readings_series.name,
        .where = "exchange IN (SELECT exchange FROM exchanges JOIN groups "
                 "USING (group_id) WHERE +run = ?)",
        .key = reduction->run.run,
        .order = "exchange, rowid",
        .extra = "exchange, \"end\"",
        .fields = fields,
        .field_count = COUNT_OF(fields),
    };

    for (size_t i = 0; i < COUNT_OF(fields); i++) {
        fields[i] = reading_fields[i];
        fields[i].offset += offsetof(struct reading_record, reading);
    }
    return samples_read(reduction->logbook, &query, on_reading, NULL,
                        &reduction->readings, fault);
}

/* What the operator said with the run, and not the plan. */
static bool is_said_with_run(struct reduction *reduction, const char *class,
                             const char *text)
{
    struct run_record *run = &reduction->run;

    if (strcmp(class, "weather") == 0)
        (void) snprintf(run->weather, sizeof(run->weather), "%.*s",
                        (int) sizeof(run->weather) - 1, text);
    else if (strcmp(class, "operator") == 0)
        (void) snprintf(run->note, sizeof(run->note), "%.*s",
                        (int) sizeof(run->note) - 1, text);
    else
        return false;
    return true;
}

/* Evidence for the figures says how it was measured; all else is a doubt. */
static struct rows *place_of_note(struct reduction *reduction,
                                  const char *class)
{
    return strcmp(class, "cut") == 0 ? &reduction->methods : &reduction->doubts;
}

/* What the contact found: later the link may have been another one. */
static bool is_of_contact(const char *class, const char *text)
{
    static const char *const classes[] = { "contact", "ladder", "mtu",
                                           "interface" };

    for (size_t i = 0; i < COUNT_OF(classes); i++) {
        if (strcmp(class, classes[i]) == 0)
            return strncmp(text, "Cut test:", 9) != 0;
    }
    return false;
}

static void add_note(struct reduction *reduction, const char *class,
                     const char *text, uint64_t at_unix_ns)
{
    const struct exchange_record *first =
        reduction->exchanges.count ? reduction_exchange(reduction, 0) : NULL;
    const bool is_before = !first || at_unix_ns <= first->started_unix_ns;
    const char *when = !is_of_contact(class, text) ? ""
                       : is_before                 ? "Before the run: "
                                   : "When contact was made again: ";
    const char *stop =
        text[0] && strchr(".?!", text[strlen(text) - 1]) ? "" : ".";

    reduction_add_sentence(place_of_note(reduction, class), "%s%s%s", when,
                           text, *when ? stop : "");
}

int loading_notes(struct reduction *reduction, struct fault *fault)
{
    sqlite3_stmt *row;
    int step;
    const int code = samples_prepare(
        reduction->logbook,
        "SELECT text, class, at_unix_ns FROM notes WHERE run = ? ORDER BY note",
        reduction->run.run, &row, fault);

    if (code)
        return code;
    while ((step = sqlite3_step(row)) == SQLITE_ROW) {
        char text[400], class[NAME_SIZE];

        samples_text(row, 0, text, sizeof(text));
        samples_text(row, 1, class, sizeof(class));
        reduction->run.lost_time =
            reduction->run.lost_time || strcmp(class, "practice") == 0;
        if (text[0] && !is_said_with_run(reduction, class, text))
            add_note(reduction, class, text,
                     (uint64_t) sqlite3_column_int64(row, 2));
    }
    (void) sqlite3_finalize(row);
    return step == SQLITE_DONE
               ? 0
               : samples_failed(reduction->logbook, "notes", fault);
}
