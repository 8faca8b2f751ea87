/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/group.h"
#include "controller/telling.h"

void group_note(struct group *group, const char *class, const char *format, ...)
{
    va_list arguments;

    if (group->note_count == NOTES_MAX)
        return;
    struct logbook_note *made = &group->notes[group->note_count++];
    made->at_unix_ns = conductor_unix_ns();
    (void) snprintf(made->class, sizeof(made->class), "%s", class);
    va_start(arguments, format);
    (void) vsnprintf(made->text, sizeof(made->text), format, arguments);
    va_end(arguments);
}

const char *group_end_name(const struct group *group, int end)
{
    return group->conductor->plan->ends[end].name;
}

static struct display_row row_of(const struct group *group, size_t exchange,
                                 char *who, size_t size)
{
    const struct plan *plan = group->conductor->plan;
    const struct plan_exchange *planned = group->exchanges[exchange].planned;

    plan_exchange_way(planned, who, size);
    return (struct display_row){ .step = plan->steps[group->place->step].name,
                                 .kind = planned->kind->name,
                                 .who = who };
}

void group_show_live(struct group *group, const char *text)
{
    char who[2 * ADDRESS_SIZE + 8];
    struct display_row row = row_of(group, 0, who, sizeof(who));

    if (group->exchange_count > 1) {
        row.kind = "together";
        (void) snprintf(who, sizeof(who), "%zu exchanges",
                        group->exchange_count);
    }
    display_live(group->conductor->display, &row, text);
}

void group_show_time_left(void *owner)
{
    struct group *group = owner;
    const uint64_t now_ns = uv_hrtime();
    char left[32], text[192];

    if (now_ns < group->start_ns) {
        display_time(group->start_ns - now_ns, left, sizeof(left));
        (void) snprintf(text, sizeof(text), "starts in %s", left);
    } else if (now_ns < group->planned_end_ns) {
        display_time(group->planned_end_ns - now_ns, left, sizeof(left));
        (void) snprintf(text, sizeof(text), "%s%sabout %s left", group->live,
                        group->live[0] ? ", " : "", left);
    } else {
        display_time(
            group->latest_end_ns > now_ns ? group->latest_end_ns - now_ns : 0,
            left, sizeof(left));
        (void) snprintf(text, sizeof(text),
                        "should be through, at most %s more", left);
    }
    group_show_live(group, text);
}

void group_show(struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        const struct exchange_account *accounts[2] = {
            group->parts[i][0].account, group->parts[i][1].account
        };
        char who[2 * ADDRESS_SIZE + 8], text[512];
        const struct display_row row = row_of(group, i, who, sizeof(who));
        const enum display_tone tone =
            telling_of(&group->exchanges[i], accounts, text, sizeof(text));

        display_done(group->conductor->display, &row, tone, text);
    }
}

void group_show_refusal(struct group *group)
{
    const char *step = group->conductor->plan->steps[group->place->step].name;

    for (size_t i = 0; i < group->exchange_count; i++) {
        char who[2 * ADDRESS_SIZE + 8];
        const struct display_row row = row_of(group, i, who, sizeof(who));

        display_done(group->conductor->display, &row, TONE_BAD, group->refusal);
        group_note(group, "refused", "%s %s on step %s: %s", row.kind, who,
                   step, group->refusal);
    }
}
