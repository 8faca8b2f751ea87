/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reach.h"

#include "reports/append.h"
#include "reports/ladder.h"
#include "reports/wording.h"

#include <inttypes.h>

/* What one end saw on one step. */
struct view {
    char step[NAME_SIZE], from[ADDRESS_SIZE];
    struct rung rungs[PLAN_ENDS_MAX];
    size_t rung_count;
};

static const struct plan_end *find_end(const struct plan *plan,
                                       const char *name)
{
    const size_t end = plan_find_end(plan, name);

    return end < plan->end_count ? &plan->ends[end] : NULL;
}

bool reach_is_both_ended(const struct plan *plan, const char *name)
{
    const struct plan_end *end = find_end(plan, name);

    return end && end->agent == AGENT_RUNS;
}

static struct view *view_of(struct rows *views, const struct finding *finding)
{
    for (size_t i = 0; i < views->count; i++) {
        struct view *view = rows_at(views, i);

        if (strcmp(view->step, finding->step) == 0
            && strcmp(view->from, finding->from) == 0)
            return view;
    }
    struct view *view = rows_add(views);

    (void) snprintf(view->step, sizeof(view->step), "%s", finding->step);
    (void) snprintf(view->from, sizeof(view->from), "%s", finding->from);
    return view;
}

/* Several pings to one landmark count together. */
static struct rung *rung_of(struct view *view, const struct plan_end *end)
{
    for (size_t i = 0; i < view->rung_count; i++) {
        if (strcmp(view->rungs[i].name, end->name) == 0)
            return &view->rungs[i];
    }
    struct rung *rung = &view->rungs[view->rung_count++];

    rung->landmark = end->landmark;
    (void) snprintf(rung->name, sizeof(rung->name), "%s", end->name);
    return rung;
}

static void add_loss(const struct reduction *reduction, struct rows *views,
                     const struct finding *loss)
{
    const struct plan_end *end = find_end(reduction->plan, loss->to);

    if (!end || end->landmark == LANDMARK_NONE || isnan(loss->value))
        return;
    struct rung *rung = rung_of(view_of(views, loss), end);

    rung->sent_count += loss->samples_count;
    rung->answered_count +=
        (uint64_t) llround((1 - loss->value) * (double) loss->samples_count);
}

/* As rows of struct view, each with its rungs in order; the caller clears. */
static struct rows gather(const struct reduction *reduction)
{
    struct rows views = { .row_size = sizeof(struct view) };
    struct rows losses = wording_table(reduction, "loss");

    for (size_t i = 0; i < losses.count; i++) {
        const struct finding *loss = rows_at(&losses, i);

        if (strcmp(loss->kind, "ping") == 0)
            add_loss(reduction, &views, loss);
    }
    for (size_t i = 0; i < views.count; i++) {
        struct view *view = rows_at(&views, i);

        ladder_sort(view->rungs, view->rung_count);
    }
    rows_clear(&losses);
    return views;
}

static void write_rung(const struct rung *rung, FILE *out)
{
    const struct estimate answered = statistics_wilson(
        rung->answered_count, rung->sent_count, CONFIDENCE_LEVEL);

    (void) fprintf(out, "| %s | ", landmarks[rung->landmark]);
    wording_escape(out, rung->name);
    (void) fprintf(out,
                   " | %" PRIu64 " | %" PRIu64 " | %.0f %% (%.0f–%.0f) |\n",
                   rung->sent_count, rung->answered_count, 100 * answered.value,
                   100 * answered.low, 100 * answered.high);
}

static void write_view(const struct view *view, FILE *out)
{
    char text[400];

    (void) ladder_tell(view->rungs, view->rung_count, view->from, text,
                       sizeof(text));
    (void) fputs("From *", out);
    wording_escape(out, view->from);
    (void) fputs("* on step *", out);
    wording_escape(out, view->step);
    (void) fputs("*: ", out);
    wording_escape(out, text);
    (void) fputs(".\n\n"
                 "| landmark | end | pings | answered | share |\n"
                 "|---|---|---:|---:|---:|\n",
                 out);
    for (size_t i = 0; i < view->rung_count; i++)
        write_rung(&view->rungs[i], out);
    (void) fputc('\n', out);
}

void reach_write(const struct reduction *reduction, FILE *out)
{
    struct rows views = gather(reduction);

    if (views.count)
        (void) fputs("## How far it reaches\n\n"
                     "The landmarks on the way out, nearest first. One that "
                     "answered a single ping answers.\n\n",
                     out);
    for (size_t i = 0; i < views.count; i++)
        write_view(rows_at(&views, i), out);
    rows_clear(&views);
}

bool reach_append_breaks(const struct reduction *reduction, char *text,
                         size_t size)
{
    struct rows views = gather(reduction);
    bool has_break = false;

    for (size_t i = 0; i < views.count; i++) {
        const struct view *view = rows_at(&views, i);
        const size_t used = strlen(text);
        char told[400];

        if (!ladder_tell(view->rungs, view->rung_count, view->from, told,
                         sizeof(told)))
            continue;
        has_break = true;
        (void) snprintf(text + used, size - used, "%sFrom %s on step %s: %s.",
                        used ? " " : "", view->from, view->step, told);
    }
    rows_clear(&views);
    return has_break;
}

void reach_append_whole(const struct reduction *reduction, char *text,
                        size_t size)
{
    struct rows views = gather(reduction);

    for (size_t i = 0; i < views.count; i++) {
        const struct view *view = rows_at(&views, i);
        char told[400];

        if (!ladder_tell(view->rungs, view->rung_count, view->from, told,
                         sizeof(told))
            && ladder_tell_farthest(view->rungs, view->rung_count, told,
                                    sizeof(told)))
            append(text, size,
                   "%sThe way from %s is whole as far as the %s, on %s.",
                   text[0] ? " " : "", view->from, told, view->step);
    }
    rows_clear(&views);
}

bool reach_has_break(const struct reduction *reduction)
{
    char breaks[640] = "";

    return reach_append_breaks(reduction, breaks, sizeof(breaks));
}

/* "own-radio, router and farm" */
static void append_name(char *text, size_t size, const char *name,
                        size_t number, size_t count)
{
    append(text, size, "%s%s",
           number == 1       ? ""
           : number == count ? " and "
                             : ", ",
           name);
}

void reach_add_methods(struct reduction *reduction)
{
    const struct plan *plan = reduction->plan;
    size_t count = 0, number = 0;
    char names[320] = "";

    for (size_t i = 0; i < plan->end_count; i++)
        count += plan->ends[i].agent == AGENT_NONE;
    for (size_t i = 0; i < plan->end_count; i++) {
        if (plan->ends[i].agent == AGENT_NONE)
            append_name(names, sizeof(names), plan->ends[i].name, ++number,
                        count);
    }
    if (count)
        reduction_add_sentence(
            &reduction->methods,
            "There is no agent at %s: what is said of %s was seen from the "
            "other end only.",
            names, count == 1 ? "it" : "them");
}
