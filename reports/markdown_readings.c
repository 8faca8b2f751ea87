/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_readings.h"

#include "reports/lookup.h"
#include "reports/wording.h"

#include <assert.h>

/* Beyond so many lines the readings of a step are told in short. */
#define LINES_MOST 12
/* Columns that still fit on a page; more names make another table. */
#define COLUMNS_MOST 6

static const struct reading_record *record_at(const struct reduction *reduction,
                                              size_t index)
{
    return rows_at(&reduction->readings, index);
}

/* The first of its end? */
static bool is_new_end(const struct reduction *reduction, size_t index)
{
    for (size_t i = 0; i < index; i++) {
        if (strcmp(record_at(reduction, i)->end,
                   record_at(reduction, index)->end)
            == 0)
            return false;
    }
    return true;
}

/* Rows of struct radio_reading: each name once, in order of appearance; of that
 * end, or (NULL) of all. */
static struct rows names_of(const struct reduction *reduction, const char *end)
{
    struct rows names = { .row_size = sizeof(struct radio_reading) };

    for (size_t i = 0; i < reduction->readings.count; i++) {
        const struct reading_record *record = record_at(reduction, i);
        bool is_new = !end || strcmp(record->end, end) == 0;

        for (size_t k = 0; is_new && k < names.count; k++)
            is_new =
                strcmp(
                    ((const struct radio_reading *) rows_at(&names, k))->name,
                    record->reading.name)
                != 0;
        if (is_new)
            *(struct radio_reading *) rows_add(&names) = record->reading;
    }
    return names;
}

/* NULL: not told. */
static const char *text_of(const struct reduction *reduction, int64_t exchange,
                           const char *end, const char *name, int moment)
{
    for (size_t i = 0; i < reduction->readings.count; i++) {
        const struct reading_record *record = record_at(reduction, i);

        if (record->exchange == exchange && record->reading.moment == moment
            && strcmp(record->end, end) == 0
            && strcmp(record->reading.name, name) == 0)
            return record->reading.text;
    }
    return NULL;
}

/* "-87 → -91"; once where nothing changed. */
static void write_cell(const struct reduction *reduction, int64_t exchange,
                       const char *end, const char *name, FILE *out)
{
    const char *before =
        text_of(reduction, exchange, end, name, READING_BEFORE);
    const char *after = text_of(reduction, exchange, end, name, READING_AFTER);

    (void) fputs(" | ", out);
    wording_escape(out, before ? before : "–");
    if ((!before && !after) || (before && after && strcmp(before, after) == 0))
        return;
    (void) fputs(" → ", out);
    wording_escape(out, after ? after : "–");
}

static bool has_readings(const struct reduction *reduction, int64_t exchange,
                         const char *end)
{
    for (size_t i = 0; i < reduction->readings.count; i++) {
        const struct reading_record *record = record_at(reduction, i);

        if (record->exchange == exchange && strcmp(record->end, end) == 0)
            return true;
    }
    return false;
}

static void write_headings(const char *before, const char *rule_before,
                           const struct rows *names, size_t first, size_t last,
                           FILE *out)
{
    (void) fputs(before, out);
    for (size_t i = first; i < last; i++) {
        (void) fputs(" | ", out);
        wording_escape(
            out, ((const struct radio_reading *) rows_at(names, i))->name);
    }
    (void) fprintf(out, " |\n%s", rule_before);
    for (size_t i = first; i < last; i++)
        (void) fputs("|---:", out);
    (void) fputs("|\n", out);
}

static void write_table(const struct reduction *reduction, const char *end,
                        const struct rows *names, size_t first, FILE *out)
{
    const size_t last = first + COLUMNS_MOST < names->count
                            ? first + COLUMNS_MOST
                            : names->count;

    write_headings("| on step | exchange", "|---|---", names, first, last, out);
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        if (!has_readings(reduction, exchange->key, end))
            continue;
        (void) fputs("| ", out);
        wording_escape(out, exchange->step);
        (void) fprintf(out, " | %s ", exchange->kind->name);
        wording_escape(out, exchange->from);
        (void) fputs(" → ", out);
        wording_escape(out, exchange->to);
        for (size_t k = first; k < last; k++)
            write_cell(reduction, exchange->key, end,
                       ((const struct radio_reading *) rows_at(names, k))->name,
                       out);
        (void) fputs(" |\n", out);
    }
    (void) fputc('\n', out);
}

static void write_each(const struct reduction *reduction, FILE *out)
{
    (void) fputs("What each radio told just before and just after an exchange "
                 "(before → after; one value: unchanged).\n\n",
                 out);
    for (size_t i = 0; i < reduction->readings.count; i++) {
        const struct reading_record *record = record_at(reduction, i);

        if (!is_new_end(reduction, i))
            continue;
        struct rows names = names_of(reduction, record->end);

        (void) fputs("At **", out);
        wording_escape(out, record->end);
        (void) fprintf(out, "**, %s:\n\n",
                       record->reading.source == READING_BY_OPERATOR
                           ? "typed by the operator"
                           : "by its owner's command");
        for (size_t first = 0; first < names.count; first += COLUMNS_MOST)
            write_table(reduction, record->end, &names, first, out);
        rows_clear(&names);
    }
}

/* --- in short ------------------------------------------------------------- */

/* One reading of one end on one step: the first and the last that was told. */
struct short_reading {
    const char *end, *step; /* borrowed */
    const char *name, *first, *last;
};

static const char *step_of(const struct reduction *reduction,
                           const struct lookup *steps, int64_t exchange)
{
    const struct lookup_found found =
        lookup_find(steps, lookup_number(LOOKUP_KEY, (uint64_t) exchange));

    for (size_t i = 0; i < found.count; i++) {
        const struct exchange_record *record =
            reduction_exchange(reduction, found.entries[i].index);

        if (record->key == exchange)
            return record->step;
    }
    return "";
}

static struct short_reading *short_of(struct rows *shorts, const char *end,
                                      const char *step, const char *name)
{
    for (size_t i = 0; i < shorts->count; i++) {
        struct short_reading *reading = rows_at(shorts, i);

        if (strcmp(reading->end, end) == 0 && strcmp(reading->step, step) == 0
            && strcmp(reading->name, name) == 0)
            return reading;
    }
    struct short_reading *reading = rows_add(shorts);

    *reading = (struct short_reading){ .end = end, .step = step, .name = name };
    return reading;
}

static struct rows gather_shorts(const struct reduction *reduction)
{
    struct rows shorts = { .row_size = sizeof(struct short_reading) };
    struct lookup steps;

    lookup_init(&steps);
    for (size_t i = 0; i < reduction->exchanges.count; i++)
        lookup_add(
            &steps,
            lookup_number(LOOKUP_KEY,
                          (uint64_t) reduction_exchange(reduction, i)->key),
            i);
    lookup_sort(&steps);
    for (size_t i = 0; i < reduction->readings.count; i++) {
        const struct reading_record *record = record_at(reduction, i);
        struct short_reading *reading = short_of(
            &shorts, record->end, step_of(reduction, &steps, record->exchange),
            record->reading.name);

        if (!reading->first)
            reading->first = record->reading.text;
        reading->last = record->reading.text;
    }
    lookup_clear(&steps);
    return shorts;
}

static const struct short_reading *find_short(const struct rows *shorts,
                                              const struct short_reading *row,
                                              const char *name)
{
    for (size_t i = 0; i < shorts->count; i++) {
        const struct short_reading *reading = rows_at(shorts, i);

        if (strcmp(reading->end, row->end) == 0
            && strcmp(reading->step, row->step) == 0
            && strcmp(reading->name, name) == 0)
            return reading;
    }
    return NULL;
}

/* The first of its end and step? */
static bool begins_row(const struct rows *shorts, size_t index)
{
    const struct short_reading *reading = rows_at(shorts, index);

    for (size_t i = 0; i < index; i++) {
        const struct short_reading *earlier = rows_at(shorts, i);

        if (strcmp(earlier->end, reading->end) == 0
            && strcmp(earlier->step, reading->step) == 0)
            return false;
    }
    return true;
}

static void write_short_row(const struct rows *shorts,
                            const struct short_reading *row,
                            const struct rows *names, size_t first, size_t last,
                            FILE *out)
{
    (void) fputs("| ", out);
    wording_escape(out, row->end);
    (void) fputs(" | ", out);
    wording_escape(out, row->step);
    for (size_t i = first; i < last; i++) {
        const struct short_reading *reading = find_short(
            shorts, row,
            ((const struct radio_reading *) rows_at(names, i))->name);

        (void) fputs(" | ", out);
        wording_escape(out, reading ? reading->first : "–");
        if (!reading || strcmp(reading->first, reading->last) == 0)
            continue;
        (void) fputs(" → ", out);
        wording_escape(out, reading->last);
    }
    (void) fputs(" |\n", out);
}

static void write_short_table(const struct rows *shorts,
                              const struct rows *names, size_t first, FILE *out)
{
    const size_t last = first + COLUMNS_MOST < names->count
                            ? first + COLUMNS_MOST
                            : names->count;

    write_headings("| end | on step", "|---|---", names, first, last, out);
    for (size_t i = 0; i < shorts->count; i++) {
        if (begins_row(shorts, i))
            write_short_row(shorts, rows_at(shorts, i), names, first, last,
                            out);
    }
    (void) fputc('\n', out);
}

static void write_in_short(const struct reduction *reduction, FILE *out)
{
    struct rows shorts = gather_shorts(reduction);
    struct rows names = names_of(reduction, NULL);

    (void) fputs("What the radios told before the first and after the last "
                 "exchange of a step (before → after; one value: the same). "
                 "`bothends export` writes each exchange's.\n\n",
                 out);
    for (size_t first = 0; first < names.count; first += COLUMNS_MOST)
        write_short_table(&shorts, &names, first, out);
    rows_clear(&names);
    rows_clear(&shorts);
}

/* Ends and exchanges with readings, together. */
static size_t count_lines(const struct reduction *reduction)
{
    size_t count = 0;

    for (size_t i = 0; i < reduction->readings.count; i++) {
        const struct reading_record *record = record_at(reduction, i);
        const struct reading_record *before =
            i ? record_at(reduction, i - 1) : NULL;

        count += !before || before->exchange != record->exchange
                 || strcmp(before->end, record->end) != 0;
    }
    return count;
}

void markdown_readings(const struct reduction *reduction, FILE *out)
{
    if (!reduction->readings.count)
        return;
    assert(reduction->readings.data);
    (void) fputs("## Radio readings\n\n", out);
    if (count_lines(reduction) > LINES_MOST)
        write_in_short(reduction, out);
    else
        write_each(reduction, out);
}
