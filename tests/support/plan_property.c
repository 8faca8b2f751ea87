/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/plan_property.h"

#include "controller/plan/reader.h"
#include "controller/plan/writer.h"
#include "controller/text.h"

#include <stdlib.h>
#include <string.h>

/* A spread has padding behind its form. */
static bool is_spread_equal(const struct spread *one,
                            const struct spread *other)
{
    return one->form == other->form && one->mean == other->mean
           && one->low == other->low && one->high == other->high;
}

static bool is_member_equal(const struct field *field, const void *one,
                            const void *other)
{
    if (field->shape == FIELD_SPREAD)
        return is_spread_equal(one, other);
    return memcmp(one, other, field->size) == 0;
}

static bool is_record_equal(const struct field *fields, size_t field_count,
                            const void *one, const void *other)
{
    for (size_t i = 0; i < field_count; i++) {
        if (!is_member_equal(&fields[i], field_of(&fields[i], one),
                             field_of(&fields[i], other)))
            return false;
    }
    return true;
}

static bool is_exchange_equal(const struct plan_exchange *one,
                              const struct plan_exchange *other)
{
    return strcmp(one->kind->name, other->kind->name) == 0
           && strcmp(one->from, other->from) == 0
           && strcmp(one->to, other->to) == 0
           && one->from_end == other->from_end && one->to_end == other->to_end
           && is_record_equal(one->kind->spec_fields,
                              one->kind->spec_field_count, one->spec.bytes,
                              other->spec.bytes);
}

static bool is_sequence_equal(const struct plan *one, const struct plan *other)
{
    if (one->exchange_count != other->exchange_count
        || one->group_count != other->group_count)
        return false;
    for (size_t i = 0; i < one->exchange_count; i++) {
        if (!is_exchange_equal(&one->exchanges[i], &other->exchanges[i]))
            return false;
    }
    return memcmp(one->groups, other->groups,
                  one->group_count * sizeof(*one->groups))
           == 0;
}

static bool is_practice_equal(const struct plan *one, const struct plan *other)
{
    const struct plan_practice *a = &one->practice, *b = &other->practice;

    if (a->event_count != b->event_count
        || !is_record_equal(practice_fields, COUNT_OF(practice_fields), a, b))
        return false;
    for (size_t i = 0; i < PLAN_ENDS_MAX; i++) {
        if (!is_record_equal(practice_end_fields, COUNT_OF(practice_end_fields),
                             &a->ends[i], &b->ends[i]))
            return false;
    }
    for (size_t i = 0; i < a->event_count; i++) {
        if (!is_record_equal(plan_event_fields, COUNT_OF(plan_event_fields),
                             &a->events[i], &b->events[i]))
            return false;
    }
    return true;
}

bool plan_is_equal(const struct plan *one, const struct plan *other)
{
    if (one->step_count != other->step_count
        || one->end_count != other->end_count
        || one->controller_end != other->controller_end
        || !is_record_equal(plan_fields, COUNT_OF(plan_fields), one, other)
        || !is_record_equal(link_fields, COUNT_OF(link_fields), &one->link,
                            &other->link)
        || !is_practice_equal(one, other))
        return false;
    for (size_t i = 0; i < one->step_count; i++) {
        if (!is_record_equal(step_fields, COUNT_OF(step_fields), &one->steps[i],
                             &other->steps[i]))
            return false;
    }
    for (size_t i = 0; i < one->end_count; i++) {
        if (strcmp(one->ends[i].name, other->ends[i].name) != 0
            || !is_record_equal(end_fields, COUNT_OF(end_fields), &one->ends[i],
                                &other->ends[i]))
            return false;
    }
    return is_sequence_equal(one, other);
}

static const char *check_round_trip(const struct plan *plan)
{
    struct plan_mistakes mistakes = { 0 };
    struct plan again;
    char *text = NULL;
    size_t text_bytes = 0;
    const char *broken = NULL;
    FILE *out = open_memstream(&text, &text_bytes);

    if (!out)
        return "no memory for the written plan";
    plan_write(out, plan);
    (void) fclose(out);
    if (plan_read_text(text, text_bytes, &again, &mistakes) != 0) {
        plan_mistakes_print(stderr, "written", &mistakes);
        broken = "a written plan is refused";
    } else if (!plan_is_equal(plan, &again)) {
        broken = "a written plan reads as another one";
    }
    if (broken)
        (void) fputs(text, stderr);
    free(text);
    plan_clear(&again);
    plan_mistakes_clear(&mistakes);
    return broken;
}

static int count_lines(const char *text, size_t text_bytes)
{
    int line_count = 1;

    for (size_t i = 0; i < text_bytes; i++)
        line_count += text[i] == '\n' || text[i] == '\r';
    return line_count;
}

static const char *check_mistakes(const struct plan_mistakes *mistakes,
                                  int line_count)
{
    if (mistakes->count == 0)
        return "refused without a mistake";
    for (size_t i = 0; i < mistakes->count; i++) {
        const struct plan_mistake *mistake = &mistakes->items[i];

        if (mistake->line < 1 || mistake->column < 1)
            return "a mistake before the text";
        /* NEL and the separators U+2028 and U+2029 break lines in YAML too;
         * the texts here hardly have any. */
        if (mistake->line > 2 * line_count + 1)
            return "a mistake behind the text";
        if (!text_is_printable(mistake->key)
            || !text_is_printable(mistake->found)
            || !text_is_printable(mistake->expected))
            return "a mistake that can't be printed";
        if (!mistake->found[0] || !mistake->expected[0])
            return "a mistake without found or expected";
    }
    return NULL;
}

const char *plan_property_broken(const char *text, size_t text_bytes)
{
    struct plan_mistakes mistakes = { 0 };
    struct plan plan;
    const char *broken;

    if (plan_read_text(text, text_bytes, &plan, &mistakes) == 0)
        broken = mistakes.count ? "read, but with mistakes"
                                : check_round_trip(&plan);
    else
        broken = check_mistakes(&mistakes, count_lines(text, text_bytes));
    plan_clear(&plan);
    plan_mistakes_clear(&mistakes);
    return broken;
}
