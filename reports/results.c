/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/results.h"

#include "reports/csv.h"
#include "reports/wording.h"

#include <errno.h>
#include <inttypes.h>
#include <jansson.h>

/* --- JSON ----------------------------------------------------------------- */

static json_t *text_value(const char *text)
{
    char clean[1024];

    wording_clean(text, clean, sizeof(clean));
    return json_string(clean);
}

/* JSON knows no infinity: design section 8 wants the word. */
static json_t *real_value(double value)
{
    if (isnan(value))
        return json_null();
    if (isinf(value))
        return json_string(value > 0 ? "inf" : "-inf");
    return json_real(value);
}

static json_t *field_value(const struct field *field, const void *record)
{
    const void *member = field_of(field, record);

    switch (field->shape) {
    case FIELD_WHOLE:
        return json_integer((json_int_t) * (const uint64_t *) member);
    case FIELD_SIGNED:
        return json_integer(*(const int64_t *) member);
    case FIELD_REAL:
        return real_value(*(const double *) member);
    case FIELD_CHOICE:
        return json_string(field->choices[*(const int *) member]);
    case FIELD_TEXT:
        return text_value(member);
    case FIELD_RANGE:
    case FIELD_SPREAD:
    case FIELD_FLAG:
        break; /* findings have none */
    }
    return json_null();
}

static json_t *finding_object(const struct finding *finding)
{
    json_t *object = json_object();

    for (size_t i = 0; i < COUNT_OF(finding_fields); i++)
        (void) json_object_set_new(object, finding_fields[i].name,
                                   field_value(&finding_fields[i], finding));
    return object;
}

static json_t *run_object(const struct run_record *run)
{
    json_t *object = json_object();

    (void) json_object_set_new(object, "run", json_integer(run->run));
    (void) json_object_set_new(object, "title", text_value(run->title));
    (void) json_object_set_new(object, "practice",
                               json_boolean(run->is_practice));
    (void) json_object_set_new(object, "state", text_value(run->state));
    (void) json_object_set_new(object, "started_utc",
                               json_string(run->started_utc));
    (void) json_object_set_new(object, "ended_utc",
                               run->ended_utc[0] ? json_string(run->ended_utc)
                                                 : json_null());
    (void) json_object_set_new(object, "program_version",
                               text_value(run->program_version));
    (void) json_object_set_new(object, "seed",
                               json_integer((json_int_t) run->seed));
    return object;
}

static int write_chunk(const char *text, size_t length, void *out)
{
    return fwrite(text, 1, length, out) == length ? 0 : -1;
}

int results_write_json(const struct reduction *reduction, FILE *out,
                       struct fault *fault)
{
    json_t *findings = json_array();
    json_t *results = json_object();

    for (size_t i = 0; i < reduction->findings.count; i++)
        (void) json_array_append_new(
            findings, finding_object(rows_at(&reduction->findings, i)));
    (void) json_object_set_new(results, "schema",
                               json_integer(RESULTS_SCHEMA_VERSION));
    (void) json_object_set_new(results, "run", run_object(&reduction->run));
    (void) json_object_set_new(results, "findings", findings);
    const int code =
        json_dump_callback(results, write_chunk, out,
                           JSON_INDENT(1) | JSON_REAL_PRECISION(CSV_DIGITS));

    json_decref(results);
    if (code || fputc('\n', out) == EOF)
        return fault_set(fault, -EIO, "cannot write the results as JSON");
    return 0;
}

/* --- CSV ------------------------------------------------------------------ */

static void write_csv_value(FILE *out, const struct field *field,
                            const void *record)
{
    const void *member = field_of(field, record);

    switch (field->shape) {
    case FIELD_WHOLE:
        (void) fprintf(out, "%" PRIu64, *(const uint64_t *) member);
        return;
    case FIELD_SIGNED:
        (void) fprintf(out, "%" PRId64, *(const int64_t *) member);
        return;
    case FIELD_REAL:
        if (!isnan(*(const double *) member))
            (void) fprintf(out, "%.*g", CSV_DIGITS, *(const double *) member);
        return;
    case FIELD_CHOICE:
        (void) fputs(field->choices[*(const int *) member], out);
        return;
    case FIELD_TEXT:
        csv_text(out, member);
        return;
    case FIELD_RANGE:
    case FIELD_SPREAD:
    case FIELD_FLAG:
        return; /* findings have none */
    }
}

void results_write_csv(const struct rows *findings, FILE *out)
{
    for (size_t i = 0; i < COUNT_OF(finding_fields); i++)
        (void) fprintf(out, "%s%s", i ? "," : "", finding_fields[i].name);
    (void) fputs(CSV_LINE_END, out);
    for (size_t row = 0; row < findings->count; row++) {
        for (size_t i = 0; i < COUNT_OF(finding_fields); i++) {
            if (i)
                (void) fputc(',', out);
            write_csv_value(out, &finding_fields[i], rows_at(findings, row));
        }
        (void) fputs(CSV_LINE_END, out);
    }
}
