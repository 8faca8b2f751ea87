/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/event.h"

#include "controller/quantity.h"
#include "controller/text.h"

#include <stdarg.h>
#include <string.h>

#define REORDERING_BY_MOST_NS (60 * (int64_t) NS_PER_S)

/* The keys of each event beside at and what. */
static const struct taken {
    const char *must, *may; /* words with a blank behind each */
} taken[] = {
    [EVENT_LOSS] = { "chance ", "for burst within between end from to " },
    [EVENT_DUPLICATES] = { "chance ", "for end from to " },
    [EVENT_REORDERING] = { "chance ", "for by end from to " },
    [EVENT_CORRUPTION] = { "chance ", "for end from to " },
    [EVENT_FADING] = { "chance period ", "for end from to " },
    [EVENT_OUTAGE] = { "", "for end from to " },
    [EVENT_OTHER_TRAFFIC] = { "share ", "for length " },
    [EVENT_AWAY] = { "end ", "for " },
    [EVENT_STEP] = { "end step ", "for " },
    [EVENT_CLOCK_STEP] = { "end by ", "" },
};

/* Rows of plan_event_fields, and whether they were said. */
struct checking {
    const struct plan *plan;
    const struct plan_event *event;
    const bool *said;
    struct event_mistake *mistake;
};

__attribute__((format(printf, 4, 5))) static bool
refuse(struct event_mistake *mistake, const char *key, const char *found,
       const char *expected_format, ...)
{
    va_list arguments;

    mistake->key = key;
    (void) snprintf(mistake->found, sizeof(mistake->found), "%s", found);
    va_start(arguments, expected_format);
    (void) vsnprintf(mistake->expected, sizeof(mistake->expected),
                     expected_format, arguments);
    va_end(arguments);
    return false;
}

size_t event_row(const char *key, size_t length)
{
    size_t row = 0;

    while (row < COUNT_OF(plan_event_fields)
           && (strlen(plan_event_fields[row].key) != length
               || strncmp(plan_event_fields[row].key, key, length) != 0))
        row++;
    return row;
}

static bool is_said(const struct checking *checking, const char *key)
{
    return checking->said[event_row(key, strlen(key))];
}

/* --- names ---------------------------------------------------------------- */

int event_find_end(const struct plan *plan, const char *name)
{
    for (size_t i = 0; i < plan->end_count; i++) {
        if (plan_end_is_site(&plan->ends[i])
            && strcmp(plan->ends[i].name, name) == 0)
            return (int) i;
    }
    return -1;
}

void event_expect_end(const struct plan *plan, const char *name, char *ret_text,
                      size_t size)
{
    const char *names[PLAN_ENDS_MAX + 1] = { NULL };
    char all[160];
    size_t count = 0;

    for (size_t i = 0; i < plan->end_count; i++) {
        if (plan_end_is_site(&plan->ends[i]) && plan->ends[i].name[0])
            names[count++] = plan->ends[i].name;
    }
    text_join(names, all, sizeof(all));

    const char *nearest = text_nearest(name, names);
    if (nearest)
        (void) snprintf(ret_text, size, "'%s' perhaps; known ends: %s", nearest,
                        all);
    else
        (void) snprintf(ret_text, size, "the name of an end%s%s",
                        all[0] ? ": " : "", all);
}

/* "the name of a step: slow or quick" */
static void expect_step(const struct plan *plan, char *ret_text, size_t size)
{
    const char *names[PLAN_STEPS_MAX + 1] = { NULL };
    char all[200];
    size_t count = 0;

    for (size_t i = 0; i < plan->step_count; i++) {
        if (plan->steps[i].name[0])
            names[count++] = plan->steps[i].name;
    }
    text_join(names, all, sizeof(all));
    (void) snprintf(ret_text, size, "the name of a step%s%s", count ? ": " : "",
                    all);
}

/* --- which keys an event takes -------------------------------------------- */

static bool is_among(const char *words, const char *key)
{
    const size_t length = strlen(key);

    for (const char *at = words; *at; at += strcspn(at, " ") + 1) {
        if (strncmp(at, key, length) == 0 && at[length] == ' ')
            return true;
    }
    return false;
}

static bool is_taken(int what, const char *key)
{
    return strcmp(key, "at") == 0 || strcmp(key, "what") == 0
           || is_among(taken[what].must, key) || is_among(taken[what].may, key);
}

void event_list_keys(int what, char *ret_text, size_t size)
{
    const char *words[COUNT_OF(plan_event_fields) + 1] = { NULL };
    size_t count = 0;

    for (size_t i = 0; i < COUNT_OF(plan_event_fields); i++) {
        const char *known = plan_event_fields[i].key;

        if (is_among(taken[what].must, known)
            || is_among(taken[what].may, known))
            words[count++] = known;
    }
    text_join(words, ret_text, size);
}

static bool refuse_key(const struct checking *checking, const char *key)
{
    const int what = checking->event->what;
    char found[80], all[160];

    event_list_keys(what, all, sizeof(all));
    (void) snprintf(found, sizeof(found), "'%s' with %s",
                    plan_event_words[what], key);
    return refuse(checking->mistake, key, found, "%s", all);
}

static bool refuse_lack(const struct checking *checking,
                        const struct field *field)
{
    const char *what = plan_event_words[checking->event->what];
    char found[80], expected[256];

    (void) snprintf(found, sizeof(found), "'%s' without %s", what, field->key);
    if (strcmp(field->key, "end") == 0)
        event_expect_end(checking->plan, "", expected, sizeof(expected));
    else if (strcmp(field->key, "step") == 0)
        expect_step(checking->plan, expected, sizeof(expected));
    else
        quantity_describe(field, expected, sizeof(expected));
    return refuse(checking->mistake, field->key, found, "%s", expected);
}

static bool has_its_keys(const struct checking *checking)
{
    const int what = checking->event->what;

    for (size_t i = 0; i < COUNT_OF(plan_event_fields); i++) {
        const struct field *field = &plan_event_fields[i];

        if (checking->said[i] && !is_taken(what, field->key))
            return refuse_key(checking, field->key);
        if (!checking->said[i] && is_among(taken[what].must, field->key))
            return refuse_lack(checking, field);
    }
    return true;
}

/* --- its ends ------------------------------------------------------------- */

static bool is_an_end(const struct checking *checking, const char *key,
                      const char *name)
{
    char found[80], expected[256];

    /* Without ends there is a mistake already, and no name is right. */
    if (!is_said(checking, key) || checking->plan->end_count == 0
        || event_find_end(checking->plan, name) >= 0)
        return true;
    quantity_quote(name, found, sizeof(found));
    event_expect_end(checking->plan, name, expected, sizeof(expected));
    return refuse(checking->mistake, key, found, "%s", expected);
}

static bool has_its_ends(const struct checking *checking)
{
    const struct plan_event *event = checking->event;
    char found[80];

    if (!is_an_end(checking, "end", event->end)
        || !is_an_end(checking, "from", event->from)
        || !is_an_end(checking, "to", event->to))
        return false;
    if (is_said(checking, "end")
        && (is_said(checking, "from") || is_said(checking, "to")))
        return refuse(checking->mistake, "end",
                      is_said(checking, "from") ? "end and from" : "end and to",
                      "either end, or from and to");
    quantity_quote(event->to, found, sizeof(found));
    if (is_said(checking, "from") && is_said(checking, "to")
        && strcmp(event->from, event->to) == 0)
        return refuse(checking->mistake, "to", found,
                      "another end than in from");
    return true;
}

/* An event that makes sense only at some ends. */
static bool is_at_a_fitting_end(const struct checking *checking)
{
    const struct plan_event *event = checking->event;
    const int end = event_find_end(checking->plan, event->end);
    char found[80];

    if (end < 0)
        return true;
    quantity_quote(event->end, found, sizeof(found));
    if (event->what == EVENT_AWAY && checking->plan->ends[end].role == ROLE_HUB)
        return refuse(checking->mistake, "end", found,
                      "a station (the hub is where stations register)");
    if (event->what == EVENT_CLOCK_STEP && !plan_has_agent(checking->plan, end))
        return refuse(checking->mistake, "end", found,
                      "an end with an agent (it is the agent that sees the "
                      "clock)");
    return true;
}

/* --- values --------------------------------------------------------------- */

static const char *show_ratio(double ratio, char room[32])
{
    quantity_show(UNIT_RATIO, ratio, room, 32);
    return room;
}

/* "10.0 % with between 20.0 %" */
static void show_beside(double ratio, const char *key, double other,
                        char *ret_text, size_t size)
{
    char one[32], two[32];

    (void) snprintf(ret_text, size, "%s with %s %s", show_ratio(ratio, one),
                    key, show_ratio(other, two));
}

static bool refuse_much(const struct plan_faults *loss, double most,
                        struct event_mistake *mistake)
{
    const double within = loss->loss_within_ratio;
    char found[128], room[32];
    int used = snprintf(found, sizeof(found), "%s with burst %g",
                        show_ratio(loss->loss_ratio, room), loss->loss_burst);

    if (within < 1)
        (void) snprintf(found + used, sizeof(found) - (size_t) used,
                        ", within %s", show_ratio(within, room));
    return refuse(
        mistake, "chance", found,
        within < 1 || loss->loss_between_ratio > 0
            ? "at most %s (at least one frame lies between two bad periods)"
            : "at most %s (at least one frame is heard between two bursts)",
        show_ratio(most, room));
}

bool event_loss_is_right(const struct plan_faults *loss,
                         struct event_mistake *ret_mistake)
{
    const double within = loss->loss_within_ratio;
    const double between = loss->loss_between_ratio;
    const double most = loss_most_ratio(loss->loss_burst, within, between);
    char found[80], room[32];

    if (isnan(loss->loss_burst)) {
        if (within >= 1 && between <= 0)
            return true;
        return refuse(ret_mistake, within < 1 ? "within" : "between",
                      "it without burst",
                      "burst too: how many frames a bad period lasts on "
                      "average");
    }
    show_beside(between, "within", within, found, sizeof(found));
    if (between >= within)
        return refuse(ret_mistake, "between", found,
                      "less than is lost within bad periods");
    show_beside(loss->loss_ratio, "between", between, found, sizeof(found));
    if (loss->loss_ratio < between)
        return refuse(ret_mistake, "chance", found,
                      "at least %s (of all frames, in bad periods and between)",
                      show_ratio(between, room));
    return loss->loss_ratio <= most || refuse_much(loss, most, ret_mistake);
}

static bool has_fitting_loss(const struct checking *checking)
{
    const struct plan_event *event = checking->event;
    const struct plan_faults loss = {
        .loss_ratio = event->chance_ratio,
        .loss_burst = event->burst,
        .loss_within_ratio = event->within_ratio,
        .loss_between_ratio = event->between_ratio,
    };

    return event_loss_is_right(&loss, checking->mistake);
}

static bool has_a_known_step(const struct checking *checking)
{
    const struct plan *plan = checking->plan;
    const char *name = checking->event->step;
    char found[80], expected[256];

    if (!is_said(checking, "step") || plan->step_count == 0
        || plan_find_step(plan, name) < plan->step_count)
        return true;
    quantity_quote(name, found, sizeof(found));
    expect_step(plan, expected, sizeof(expected));
    return refuse(checking->mistake, "step", found, "%s", expected);
}

static bool has_fitting_values(const struct checking *checking)
{
    const struct plan_event *event = checking->event;
    const struct field *by = &plan_event_fields[event_row("by", 2)];
    char found[QUANTITY_TEXT_SIZE];

    if (!has_a_known_step(checking))
        return false;
    if (event->what == EVENT_LOSS && !has_fitting_loss(checking))
        return false;
    if (!is_said(checking, "by"))
        return true;
    quantity_write(by, event, found, sizeof(found));
    if (event->what == EVENT_REORDERING
        && (event->by_ns <= 0 || event->by_ns > REORDERING_BY_MOST_NS))
        return refuse(checking->mistake, "by", found,
                      "a time of more than 0 ms, up to 60 s");
    if (event->by_ns == 0)
        return refuse(checking->mistake, "by", found,
                      "how far the clock jumps, such as 2 s or -300 ms");
    return true;
}

bool event_is_right(const struct plan *plan, const struct plan_event *event,
                    const bool said[], struct event_mistake *ret_mistake)
{
    const struct checking checking = { plan, event, said, ret_mistake };

    return has_its_keys(&checking) && has_its_ends(&checking)
           && is_at_a_fitting_end(&checking) && has_fitting_values(&checking);
}
