/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/outcome.h"

#include "controller/display.h"
#include "controller/options.h"
#include "controller/plan/reader.h"

#include <errno.h>
#include <reports/html.h>
#include <reports/report.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <uv.h>

int outcome_read_number(const char *command, const char *text, int64_t *ret_run)
{
    char clean[128];
    char *end;

    errno = 0;
    const long long number = strtoll(text, &end, 10);

    if (!errno && end != text && !*end && number >= 1) {
        *ret_run = number;
        return 0;
    }
    display_clean(text, 0, clean, sizeof(clean));
    (void) fprintf(stderr,
                   "bothends %s: found '%s', expected the number of a run; "
                   "'bothends runs' lists them\n",
                   command, clean);
    return UV_EINVAL;
}

int outcome_fault(const char *command, const struct fault *fault)
{
    char clean[2 * sizeof(fault->text)];

    display_clean(fault->text, 0, clean, sizeof(clean));
    (void) fprintf(stderr, "bothends %s: %s\n", command, clean);
    switch (fault->code) {
    case UV_EINVAL:
    case UV_ENOENT:
        return STATUS_USAGE;
    default:
        return STATUS_OURS;
    }
}

void outcome_print_mistakes(const char *command, const char *path,
                            const struct plan_mistakes *mistakes)
{
    bool has_unknown = false;

    plan_mistakes_print(stderr, path, mistakes);
    for (size_t i = 0; i < mistakes->count; i++)
        has_unknown |=
            strncmp(mistakes->items[i].found, "unknown k", strlen("unknown k"))
            == 0;
    if (has_unknown)
        (void) fprintf(
            stderr,
            "bothends %s: a plan made for another version may say "
            "what this one, %s, does not know; 'bothends draft --all' "
            "shows what it knows\n",
            command, BOTHENDS_VERSION);
}

int outcome_read_plan_file(const char *command, const char *path,
                           const char *hint, struct plan *ret_plan)
{
    struct plan_mistakes mistakes = { 0 };
    struct fault fault = { 0 };
    char *text = NULL;
    const int code = plan_read_file(path, ret_plan, &text, &mistakes, &fault);

    if (fault.code)
        (void) fprintf(stderr, "bothends %s: %s%s%s%s\n", command, fault.text,
                       hint[0] ? " (" : "", hint, hint[0] ? ")" : "");
    else if (code)
        outcome_print_mistakes(command, path, &mistakes);
    plan_mistakes_clear(&mistakes);
    free(text);
    return code;
}

int outcome_read_plan(const char *command, const struct logbook_run *run,
                      struct plan *ret_plan)
{
    struct plan_mistakes mistakes = { 0 };
    const int code = plan_read_text(run->plan_text, strlen(run->plan_text),
                                    ret_plan, &mistakes);

    if (code) {
        (void) fprintf(stderr,
                       "bothends %s: this version cannot read the plan of run "
                       "%lld:\n",
                       command, (long long) run->run);
        outcome_print_mistakes(command, run->plan_path, &mistakes);
    }
    plan_mistakes_clear(&mistakes);
    return code;
}

/* Where a run's files go: out, or, where that is "", bothends-RUN. */
static void find_folder(const struct logbook_run *run,
                        const struct outcome_wish *wish, char *ret_folder,
                        size_t size)
{
    if (wish->out[0])
        (void) snprintf(ret_folder, size, "%s", wish->out);
    else
        (void) snprintf(ret_folder, size, "bothends-%lld%s",
                        (long long) run->run, wish->is_public ? "-public" : "");
}

static int status_of(const struct report_summary *summary)
{
    return summary->short_count || summary->undecided_count
                   || summary->exceeds_count || summary->nothing_count
                   || summary->has_break
               ? STATUS_NOT_MET
               : STATUS_MET;
}

/* On a terminal in lines that fit; for programs each thing is one line. */
static void tell_summary(const struct report_summary *summary,
                         const char *folder)
{
    (void) puts("");
    if (uv_guess_handle(fileno(stdout)) == UV_TTY)
        options_print_wrapped(stdout, 0, summary->sentence);
    else
        (void) puts(summary->sentence);
    (void) printf("\nThe report is %s/report.md; the figures are in "
                  "results.csv and results.json\nbeside it.\n",
                  folder);
}

int outcome_report_as(const char *command, struct logbook *logbook,
                      const struct logbook_run *run, const struct plan *plan,
                      const struct outcome_wish *wish)
{
    struct report_summary summary = { 0 };
    struct fault fault = { 0 };
    char folder[4096];

    find_folder(run, wish, folder, sizeof(folder));
    int code = (wish->is_public ? report_write_public : report_write)(
        logbook_database(logbook), run->run, plan, folder, &summary, &fault);

    if (!code && !wish->is_silent)
        tell_summary(&summary, folder);
    if (!code && wish->html)
        code = html_write(folder, summary.title, &fault);
    if (code) {
        (void) outcome_fault(command, &fault);
        return STATUS_OURS;
    }
    if (wish->html)
        (void) printf("%s/report.html is the same as one file.\n", folder);
    if (wish->is_public)
        (void) puts("It holds no addresses, and positions only as precise as "
                    "the plan's\npublic.locator allows. Read what people wrote "
                    "in notes and names yourself before\nyou hand it out.");
    return status_of(&summary);
}

int outcome_report(const char *command, struct logbook *logbook,
                   const struct logbook_run *run, const struct plan *plan,
                   const char *out)
{
    return outcome_report_as(command, logbook, run, plan,
                             &(struct outcome_wish){ .out = out });
}

void outcome_date(uint64_t unix_ns, char *ret_text, size_t size)
{
    const time_t seconds = (time_t) (unix_ns / NS_PER_S);
    struct tm date;

    if (!gmtime_r(&seconds, &date)
        || strftime(ret_text, size, "%Y-%m-%d %H:%M:%S", &date) == 0)
        (void) snprintf(ret_text, size, "?");
}
