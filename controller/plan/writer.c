/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/writer.h"

#include "controller/quantity.h"
#include "controller/text.h"

#include <string.h>

/* Keys on lines of their own, or all in one pair of braces. */
enum layout {
    LAYOUT_LINES,
    LAYOUT_BRACES
};

struct writing {
    FILE *out;
    enum layout layout;
    int indent;
    size_t written_count;
};

/* Plain where no reader of YAML could take it for anything else. */
static void write_text(FILE *out, const char *text)
{
    bool is_plain = text_is_letter(text[0]) || text_is_digit(text[0]);

    for (const char *at = text; *at; at++)
        is_plain = is_plain
                   && (text_is_letter(*at) || text_is_digit(*at)
                       || strchr("._-/", *at));
    if (is_plain && strcmp(text, "null") != 0) {
        (void) fputs(text, out);
        return;
    }
    (void) fputc('"', out);
    for (const char *at = text; *at; at++) {
        if (*at == '"' || *at == '\\')
            (void) fputc('\\', out);
        (void) fputc(*at, out);
    }
    (void) fputc('"', out);
}

static void write_field_value(FILE *out, const struct field *field,
                              const void *record)
{
    char text[QUANTITY_TEXT_SIZE];

    quantity_write(field, record, text, sizeof(text));
    if (field->shape == FIELD_TEXT)
        write_text(out, text);
    else
        (void) fputs(text, out);
}

static bool is_worth_writing(const struct field *field, const void *record)
{
    return field->key && quantity_is_said(field, record)
           && !quantity_is_preset(field, record);
}

static void begin_key(struct writing *writing)
{
    const bool is_first = writing->written_count++ == 0;

    if (writing->layout == LAYOUT_BRACES)
        (void) fputs(is_first ? "" : ", ", writing->out);
    else
        (void) fprintf(writing->out, "%*s", writing->indent, "");
}

static void end_key(const struct writing *writing)
{
    if (writing->layout == LAYOUT_LINES)
        (void) fputc('\n', writing->out);
}

/* frame: {payload: 240 B, overhead: 12 B} from row `first` on; gives the row
 * behind the last of that mapping (their rows stand together). */
static size_t write_nested(struct writing *writing, const struct field *fields,
                           size_t field_count, size_t first, const void *record)
{
    const size_t prefix_length = strcspn(fields[first].key, ".") + 1;
    size_t written_count = 0, i = first;

    for (; i < field_count && fields[i].key
           && strncmp(fields[i].key, fields[first].key, prefix_length) == 0;
         i++) {
        if (!is_worth_writing(&fields[i], record))
            continue;
        if (written_count == 0) {
            begin_key(writing);
            (void) fprintf(writing->out, "%.*s: {", (int) prefix_length - 1,
                           fields[i].key);
        }
        (void) fprintf(writing->out, "%s%s: ", written_count++ ? ", " : "",
                       fields[i].key + prefix_length);
        write_field_value(writing->out, &fields[i], record);
    }
    if (written_count) {
        (void) fputc('}', writing->out);
        end_key(writing);
    }
    return i;
}

static void write_fields(struct writing *writing, const struct field *fields,
                         size_t field_count, const void *record)
{
    for (size_t i = 0; i < field_count;) {
        if (fields[i].key && strchr(fields[i].key, '.')) {
            i = write_nested(writing, fields, field_count, i, record);
            continue;
        }
        if (is_worth_writing(&fields[i], record)) {
            begin_key(writing);
            (void) fprintf(writing->out, "%s: ", fields[i].key);
            write_field_value(writing->out, &fields[i], record);
            end_key(writing);
        }
        i++;
    }
}

static bool has_anything(const struct field *fields, size_t field_count,
                         const void *record)
{
    for (size_t i = 0; i < field_count; i++) {
        if (is_worth_writing(&fields[i], record))
            return true;
    }
    return false;
}

static void write_section(FILE *out, const char *key,
                          const struct field *fields, size_t field_count,
                          const void *record)
{
    struct writing writing = { out, LAYOUT_LINES, 2, 0 };

    if (!has_anything(fields, field_count, record))
        return;
    (void) fprintf(out, "\n%s:\n", key);
    write_fields(&writing, fields, field_count, record);
}

static void write_steps(FILE *out, const struct plan *plan)
{
    (void) fputs("\nsteps:\n", out);
    for (size_t i = 0; i < plan->step_count; i++) {
        struct writing writing = { out, LAYOUT_BRACES, 0, 0 };

        (void) fputs("  - {", out);
        write_fields(&writing, step_fields, COUNT_OF(step_fields),
                     &plan->steps[i]);
        (void) fputs("}\n", out);
    }
}

static void write_ends(FILE *out, const struct plan *plan)
{
    (void) fputs("\nends:\n", out);
    for (size_t i = 0; i < plan->end_count; i++) {
        struct writing writing = { out, LAYOUT_LINES, 4, 0 };

        (void) fputs("  ", out);
        write_text(out, plan->ends[i].name);
        (void) fputs(":\n", out);
        write_fields(&writing, end_fields, COUNT_OF(end_fields),
                     &plan->ends[i]);
    }
    (void) fputs("\ncontroller_at: ", out);
    write_text(out, plan->ends[plan->controller_end].name);
    (void) fputc('\n', out);
}

static void write_exchange(FILE *out, const struct plan_exchange *exchange)
{
    struct writing writing = { out, LAYOUT_BRACES, 0, 2 };
    char host[ADDRESS_SIZE];
    const bool is_between = exchange->kind->uses_between;
    const bool has_from =
        !exchange->kind->from_host
        || !exchange->kind->from_host(exchange->spec.bytes, host, sizeof(host));

    (void) fprintf(out, "- %s: {", exchange->kind->name);
    if (is_between)
        (void) fputs("between: [", out);
    else if (has_from)
        (void) fputs("from: ", out);
    if (has_from) {
        write_text(out, exchange->from);
        (void) fputs(", ", out);
    }
    (void) fputs(is_between ? "" : "to: ", out);
    write_text(out, exchange->to);
    (void) fputs(is_between ? "]" : "", out);
    write_fields(&writing, exchange->kind->spec_fields,
                 exchange->kind->spec_field_count, exchange->spec.bytes);
    (void) fputs("}\n", out);
}

static void write_sequence(FILE *out, const struct plan *plan)
{
    (void) fputs("\nsequence:\n", out);
    for (size_t i = 0; i < plan->group_count; i++) {
        const struct plan_group *group = &plan->groups[i];
        const bool is_alone = group->count == 1;

        if (!is_alone)
            (void) fputs("  - together:\n", out);
        for (size_t j = 0; j < group->count; j++) {
            (void) fputs(is_alone ? "  " : "      ", out);
            write_exchange(out, &plan->exchanges[group->first + j]);
        }
    }
}

static void write_practice_ends(FILE *out, const struct plan *plan)
{
    size_t written_count = 0;

    for (size_t i = 0; i < plan->end_count; i++) {
        const struct plan_practice_end *end = &plan->practice.ends[i];
        struct writing writing = { out, LAYOUT_BRACES, 0, 0 };

        if (!has_anything(practice_end_fields, COUNT_OF(practice_end_fields),
                          end))
            continue;
        (void) fputs(written_count++ ? "    " : "  ends:\n    ", out);
        write_text(out, plan->ends[i].name);
        (void) fputs(": {", out);
        write_fields(&writing, practice_end_fields,
                     COUNT_OF(practice_end_fields), end);
        (void) fputs("}\n", out);
    }
}

static void write_events(FILE *out, const struct plan *plan)
{
    for (size_t i = 0; i < plan->practice.event_count; i++) {
        struct writing writing = { out, LAYOUT_BRACES, 0, 0 };

        (void) fputs(i ? "    - {" : "  events:\n    - {", out);
        write_fields(&writing, plan_event_fields, COUNT_OF(plan_event_fields),
                     &plan->practice.events[i]);
        (void) fputs("}\n", out);
    }
}

static bool has_practice(const struct plan *plan)
{
    bool has = plan->practice.event_count > 0
               || has_anything(practice_fields, COUNT_OF(practice_fields),
                               &plan->practice);

    for (size_t i = 0; i < plan->end_count && !has; i++)
        has = has_anything(practice_end_fields, COUNT_OF(practice_end_fields),
                           &plan->practice.ends[i]);
    return has;
}

static void write_practice(FILE *out, const struct plan *plan)
{
    struct writing writing = { out, LAYOUT_LINES, 2, 0 };

    if (!has_practice(plan))
        return;
    (void) fputs("\npractice:\n", out);
    write_fields(&writing, practice_fields, COUNT_OF(practice_fields),
                 &plan->practice);
    write_practice_ends(out, plan);
    write_events(out, plan);
}

void plan_write(FILE *out, const struct plan *plan)
{
    struct writing writing = { out, LAYOUT_LINES, 0, 0 };

    write_fields(&writing, plan_fields, COUNT_OF(plan_fields), plan);
    write_section(out, "link", link_fields, COUNT_OF(link_fields), &plan->link);
    write_steps(out, plan);
    write_ends(out, plan);
    write_sequence(out, plan);
    write_practice(out, plan);
}
