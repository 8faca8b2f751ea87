/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/export.h"

#include "reports/csv.h"
#include "reports/folder.h"
#include "reports/samples.h"

#include <bothends/exchange.h>
#include <bothends/kinds.h>
#include <errno.h>
#include <inttypes.h>

/* One run on its way into a folder. */
struct export
{
    sqlite3 *logbook;   /* borrowed */
    const char *folder; /* borrowed */
    int64_t run;
    struct export_summary summary;
};

/* --- rows of SQL to lines of CSV ------------------------------------------ */

static void write_headings(FILE *out, sqlite3_stmt *row)
{
    for (int i = 0; i < sqlite3_column_count(row); i++)
        (void) fprintf(out, "%s%s", i ? "," : "", sqlite3_column_name(row, i));
    (void) fputs(CSV_LINE_END, out);
}

static void write_value(FILE *out, sqlite3_stmt *row, int column)
{
    switch (sqlite3_column_type(row, column)) {
    case SQLITE_INTEGER:
        (void) fprintf(out, "%lld",
                       (long long) sqlite3_column_int64(row, column));
        return;
    case SQLITE_FLOAT:
        (void) fprintf(out, "%.*g", CSV_DIGITS,
                       sqlite3_column_double(row, column));
        return;
    case SQLITE_TEXT:
        csv_text(out, (const char *) sqlite3_column_text(row, column));
        return;
    default: /* NULL: not said */
        return;
    }
}

static void write_line(FILE *out, sqlite3_stmt *row)
{
    for (int i = 0; i < sqlite3_column_count(row); i++) {
        if (i)
            (void) fputc(',', out);
        write_value(out, row, i);
    }
    (void) fputs(CSV_LINE_END, out);
}

/* The statement's first row is read already. */
static int write_rows(const char *path, sqlite3 *logbook, sqlite3_stmt *row,
                      uint64_t *ret_count, struct fault *fault)
{
    FILE *out = fopen(path, "w");
    uint64_t count = 0;
    int step = SQLITE_ROW;

    if (!out)
        return fault_set(fault, -errno, "cannot write '%s': %s", path,
                         strerror(errno));
    write_headings(out, row);
    for (; step == SQLITE_ROW; step = sqlite3_step(row)) {
        write_line(out, row);
        count++;
    }
    const bool is_broken = ferror(out) != 0;

    if (fclose(out) != 0 || is_broken)
        return fault_set(fault, -EIO, "cannot write '%s': %s", path,
                         strerror(errno));
    *ret_count = count;
    return step == SQLITE_DONE ? 0 : samples_failed(logbook, "samples", fault);
}

/* A logbook that an earlier version made lacks the tables of later kinds. */
static bool has_table(const struct export *export, const char *table)
{
    return sqlite3_table_column_metadata(export->logbook, NULL, table, NULL,
                                         NULL, NULL, NULL, NULL, NULL)
           == SQLITE_OK;
}

/* The answer to one question as one file; none when it is empty. */
static int write_answer(struct export *export, const char *name,
                        const char *sql, int64_t key, uint64_t *ret_count,
                        struct fault *fault)
{
    sqlite3_stmt *row;
    char path[4352];
    int code = samples_prepare(export->logbook, sql, key, &row, fault);

    *ret_count = 0;
    if (code)
        return code;
    (void) snprintf(path, sizeof(path), "%s/%s", export->folder, name);
    const int step = sqlite3_step(row);

    if (step == SQLITE_ROW) {
        code = folder_make_for(path, fault);
        if (!code)
            code = write_rows(path, export->logbook, row, ret_count, fault);
        export->summary.file_count++;
    } else if (step != SQLITE_DONE) {
        code = samples_failed(export->logbook, "samples", fault);
    }
    (void) sqlite3_finalize(row);
    return code;
}

/* --- columns ---------------------------------------------------------------
 */

/* ", s.a, s.b_low, s.b_high" of the table's field list, in its order; names
 * come from our own lists and are quoted because some are words of SQL. */
static void add_fields(sqlite3_str *sql, const char *table,
                       const struct field *fields, size_t field_count)
{
    static const char *const alone[] = { "", NULL };
    static const char *const range[] = { "_low", "_high", NULL };
    static const char *const spread[] = { "_form", "_mean", "_low", "_high",
                                          NULL };

    for (size_t i = 0; i < field_count; i++) {
        const char *const *endings = fields[i].shape == FIELD_RANGE    ? range
                                     : fields[i].shape == FIELD_SPREAD ? spread
                                                                       : alone;

        for (; *endings; endings++)
            sqlite3_str_appendf(sql, ", %s.\"%w%s\" AS \"%w%s\"", table,
                                fields[i].name, *endings, fields[i].name,
                                *endings);
    }
}

/* Takes the text. */
static int write_sql(struct export *export, const char *name, sqlite3_str *sql,
                     int64_t key, uint64_t *ret_count, struct fault *fault)
{
    char *text = sqlite3_str_finish(sql);
    const int code =
        text ? write_answer(export, name, text, key, ret_count, fault)
             : fault_set(fault, -ENOMEM, "out of memory");

    sqlite3_free(text);
    return code;
}

/* --- what is common to all kinds ------------------------------------------ */

/* On "+g.run": reports/loading.c. */
static int write_exchanges(struct export *export, struct fault *fault)
{
    static const char sql[] =
        "SELECT e.id AS exchange, g.run AS run, e.kind AS kind, "
        "e.from_name AS \"from\", e.to_name AS \"to\", "
        "e.condition AS condition, g.round AS round, g.step AS step, "
        "g.position AS position, g.started_unix_ns AS started_unix_ns, "
        "g.ended_unix_ns AS ended_unix_ns, e.seed AS seed, "
        "g.control_sent_bytes AS group_control_sent_bytes, "
        "g.control_received_bytes AS group_control_received_bytes "
        "FROM exchanges AS e JOIN groups AS g ON g.group_id = e.group_id "
        "WHERE +g.run = ? ORDER BY g.position, e.exchange";
    uint64_t count = 0;

    return write_answer(export, "exchanges.csv", sql, export->run, &count,
                        fault);
}

static int write_accounts(struct export *export, struct fault *fault)
{
    /* id and kind stand in exchanges.csv. */
    static const size_t elsewhere_count = 2;
    sqlite3_str *sql = sqlite3_str_new(export->logbook);
    uint64_t count = 0;

    sqlite3_str_appendall(sql,
                          "SELECT e.id AS exchange, s.\"end\" AS \"end\", "
                          "s.start_ns AS start_ns, "
                          "s.start_uncertainty_ns AS start_uncertainty_ns, "
                          "s.offset_ns AS offset_ns");
    add_fields(sql, "s", account_fields + elsewhere_count,
               COUNT_OF(account_fields) - elsewhere_count);
    sqlite3_str_appendall(
        sql, " FROM accounts AS s JOIN exchanges AS e "
             "ON e.exchange = s.exchange "
             "JOIN groups AS g ON g.group_id = e.group_id "
             "WHERE +g.run = ? ORDER BY g.position, e.exchange, s.account");
    return write_sql(export, "accounts.csv", sql, export->run, &count, fault);
}

static int write_readings(struct export *export, struct fault *fault)
{
    uint64_t count = 0;

    if (!has_table(export, "readings"))
        return 0;
    sqlite3_str *sql = sqlite3_str_new(export->logbook);

    sqlite3_str_appendall(sql, "SELECT e.id AS exchange, s.\"end\" AS \"end\"");
    add_fields(sql, "s", reading_fields, COUNT_OF(reading_fields));
    sqlite3_str_appendall(
        sql, " FROM readings AS s JOIN exchanges AS e "
             "ON e.exchange = s.exchange "
             "JOIN groups AS g ON g.group_id = e.group_id "
             "WHERE +g.run = ? ORDER BY g.position, e.exchange, s.rowid");
    return write_sql(export, "readings.csv", sql, export->run, &count, fault);
}

static int write_notes(struct export *export, struct fault *fault)
{
    static const char sql[] =
        "SELECT g.position AS position, n.at_unix_ns AS at_unix_ns, "
        "n.class AS class, n.text AS text "
        "FROM notes AS n LEFT JOIN groups AS g ON g.group_id = n.group_id "
        "WHERE n.run = ? ORDER BY n.note";
    uint64_t count = 0;

    return write_answer(export, "notes.csv", sql, export->run, &count, fault);
}

/* --- each kind -------------------------------------------------------------
 */

static int write_spec(struct export *export, const struct kind *kind,
                      struct fault *fault)
{
    sqlite3_str *sql = sqlite3_str_new(export->logbook);
    char name[80];
    uint64_t count = 0;

    (void) snprintf(name, sizeof(name), "%s-spec.csv", kind->name);
    sqlite3_str_appendall(sql, "SELECT e.id AS exchange");
    add_fields(sql, "s", kind->spec_fields, kind->spec_field_count);
    sqlite3_str_appendf(sql,
                        " FROM \"%w_spec\" AS s JOIN exchanges AS e "
                        "ON e.exchange = s.exchange "
                        "JOIN groups AS g ON g.group_id = e.group_id "
                        "WHERE +g.run = ? ORDER BY g.position, e.exchange",
                        kind->name);
    return write_sql(export, name, sql, export->run, &count, fault);
}

static int write_outcome(struct export *export, const struct kind *kind,
                         struct fault *fault)
{
    sqlite3_str *sql = sqlite3_str_new(export->logbook);
    char name[80];
    uint64_t count = 0;

    (void) snprintf(name, sizeof(name), "%s-outcome.csv", kind->name);
    sqlite3_str_appendall(sql, "SELECT e.id AS exchange, a.\"end\" AS \"end\"");
    add_fields(sql, "s", kind->outcome_fields, kind->outcome_field_count);
    sqlite3_str_appendf(
        sql,
        " FROM \"%w_outcome\" AS s JOIN accounts AS a "
        "ON a.account = s.account "
        "JOIN exchanges AS e ON e.exchange = a.exchange "
        "JOIN groups AS g ON g.group_id = e.group_id "
        "WHERE +g.run = ? ORDER BY g.position, e.exchange, a.account",
        kind->name);
    return write_sql(export, name, sql, export->run, &count, fault);
}

static int write_kind(struct export *export, const struct kind *kind,
                      struct fault *fault)
{
    char table[80];

    (void) snprintf(table, sizeof(table), "%s_spec", kind->name);
    if (!has_table(export, table))
        return 0;
    const int code = write_spec(export, kind, fault);

    return code ? code : write_outcome(export, kind, fault);
}

/* --- the samples of one end in one exchange --------------------------------
 */

static int write_series(struct export *export, const struct kind *kind,
                        const struct series *series, const char *name,
                        int64_t account, struct fault *fault)
{
    sqlite3_str *sql = sqlite3_str_new(export->logbook);
    uint64_t count = 0;

    sqlite3_str_appendall(sql, "SELECT e.id AS exchange, a.\"end\" AS \"end\"");
    add_fields(sql, "s", series->fields, series->field_count);
    sqlite3_str_appendf(sql,
                        " FROM \"%w_%w\" AS s JOIN accounts AS a "
                        "ON a.account = s.account "
                        "JOIN exchanges AS e ON e.exchange = a.exchange "
                        "WHERE s.account = ? ORDER BY s.row",
                        kind->name, series->name);
    const int code = write_sql(export, name, sql, account, &count, fault);

    export->summary.sample_count += count;
    return code;
}

/* An id is [a-z0-9-]; what stands in a damaged logbook may be anything. */
static bool is_name(const char *text)
{
    return *text
           && strspn(text, "abcdefghijklmnopqrstuvwxyz0123456789-")
                  == strlen(text);
}

static int write_account(struct export *export, sqlite3_stmt *row,
                         struct fault *fault)
{
    char id[ID_SIZE];
    char kind_name[NAME_SIZE];
    const int64_t account = sqlite3_column_int64(row, 0);
    const bool is_from = sqlite3_column_int(row, 3) != 0;
    int code = 0;

    samples_text(row, 1, id, sizeof(id));
    samples_text(row, 2, kind_name, sizeof(kind_name));
    const struct kind *kind = kind_by_name(kind_name);

    if (!kind) /* of a later version */
        return 0;
    if (!is_name(id))
        return fault_set(fault, -EINVAL,
                         "found an exchange '%s' in the logbook, expected "
                         "small letters, digits and '-'",
                         id);
    for (size_t i = 0; !code && i < kind->series_count; i++) {
        char name[160];

        (void) snprintf(name, sizeof(name), "%s/%s-%s.csv", id,
                        is_from ? kind->from_part : kind->to_part,
                        kind->series[i].name);
        code =
            write_series(export, kind, &kind->series[i], name, account, fault);
    }
    return code;
}

static int write_samples(struct export *export, struct fault *fault)
{
    sqlite3_stmt *row;
    int step;
    int code = samples_prepare(
        export->logbook,
        "SELECT a.account, e.id, e.kind, a.\"end\" = e.from_name "
        "FROM accounts AS a JOIN exchanges AS e ON e.exchange = a.exchange "
        "JOIN groups AS g ON g.group_id = e.group_id "
        "WHERE +g.run = ? ORDER BY g.position, e.exchange, a.account",
        export->run, &row, fault);

    if (code)
        return code;
    while ((step = sqlite3_step(row)) == SQLITE_ROW && !code)
        code = write_account(export, row, fault);
    (void) sqlite3_finalize(row);
    if (!code && step != SQLITE_DONE)
        code = samples_failed(export->logbook, "accounts", fault);
    return code;
}

int export_write(sqlite3 *logbook, int64_t run, const char *folder,
                 struct export_summary *ret_summary, struct fault *fault)
{
    static int (*const writes[])(struct export *, struct fault *) = {
        write_exchanges, write_accounts, write_readings,
        write_notes,     write_samples,
    };
    struct export export = { logbook, folder, run, { 0 } };
    int code = folder_make(folder, fault);

    for (size_t i = 0; !code && i < COUNT_OF(writes); i++)
        code = writes[i](&export, fault);
    for (size_t i = 0; !code && i < COUNT_OF(exchange_kinds); i++)
        code = write_kind(&export, exchange_kinds[i], fault);
    if (!code)
        *ret_summary = export.summary;
    return code;
}
