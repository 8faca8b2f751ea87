/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/carry_out.h"

#include "controller/conductor.h"

#include <string.h>
#include <unistd.h>
#include <uv.h>

uint64_t carry_out_now_unix_ns(void)
{
    uv_timeval64_t now;

    if (uv_gettimeofday(&now) != 0)
        return 0;
    return (uint64_t) now.tv_sec * NS_PER_S
           + (uint64_t) now.tv_usec * NS_PER_US;
}

static int keep_word(struct logbook *logbook, int64_t run, const char *class,
                     const char *text, struct fault *fault)
{
    struct logbook_note note = { .at_unix_ns = carry_out_now_unix_ns() };

    if (!text[0])
        return 0;
    (void) snprintf(note.class, sizeof(note.class), "%s", class);
    (void) snprintf(note.text, sizeof(note.text), "%s", text);
    return logbook_store_note(logbook, run, &note, fault);
}

int carry_out_keep_words(struct logbook *logbook, int64_t run,
                         const struct carry_out_words *words,
                         struct fault *fault)
{
    const int code = keep_word(logbook, run, "weather", words->weather, fault);

    return code ? code
                : keep_word(logbook, run, "operator", words->note, fault);
}

static int status_of(enum conductor_end end)
{
    switch (end) {
    case CONDUCTOR_COMPLETE:
        return STATUS_MET;
    case CONDUCTOR_INTERRUPTED:
        return STATUS_INTERRUPTED;
    case CONDUCTOR_UNREACHED:
        return STATUS_UNREACHED;
    case CONDUCTOR_REFUSED:
        return STATUS_USAGE;
    case CONDUCTOR_FAILED:
        return STATUS_OURS;
    }
    return STATUS_OURS;
}

/* How to go on, as it is to be typed.  The world of a rehearsal is gone with
 * it: on a real network its addresses are somebody else's. */
static void tell_how_to_go_on(const struct carry_out_wish *wish)
{
    struct fault ignored = { 0 };
    char usual[4096] = "";

    if (wish->run->practice) {
        (void) printf("What was measured so far is kept as run %lld. The "
                      "practice link is gone and can't be taken up again: "
                      "rehearse once more.\n",
                      (long long) wish->run->run);
        return;
    }
    (void) logbook_default_path(usual, sizeof(usual), &ignored);
    const bool is_usual = strcmp(usual, logbook_path(wish->logbook)) == 0;
    (void) printf("What was measured so far is kept as run %lld. To go on, "
                  "type:\n  bothends resume%s%s\n",
                  (long long) wish->run->run, is_usual ? "" : " --logbook ",
                  is_usual ? "" : logbook_path(wish->logbook));
}

static void tell_what_next(const struct carry_out_wish *wish,
                           const struct conductor_result *result)
{
    switch (result->end) {
    case CONDUCTOR_COMPLETE:
    case CONDUCTOR_REFUSED:
        return;
    case CONDUCTOR_INTERRUPTED:
    case CONDUCTOR_UNREACHED:
    case CONDUCTOR_FAILED:
        if (result->is_resumable)
            tell_how_to_go_on(wish);
        else
            (void) puts(result->end == CONDUCTOR_INTERRUPTED
                            ? "Nothing was measured."
                            : "Nothing was measured; start again when that is "
                              "mended.");
        return;
    }
}

static void make_room(struct display *display, const struct plan *plan)
{
    for (size_t i = 0; i < plan->step_count; i++)
        display_make_room(display, plan->steps[i].name, "");
    for (size_t i = 0; i < plan->exchange_count; i++) {
        char who[2 * ADDRESS_SIZE + 8];

        plan_exchange_way(&plan->exchanges[i], who, sizeof(who));
        display_make_room(display, "", who);
    }
}

int carry_out_run(const struct carry_out_wish *wish)
{
    struct conductor_result result;
    struct display display;

    display_init(&display, stdout);
    make_room(&display, wish->plan);
    const struct conductor_wish conductor_wish = {
        .plan = wish->plan,
        .logbook = wish->logbook,
        .run = wish->run,
        .is_resumed = wish->is_resumed,
        .manner = wish->manner,
        .display = &display,
        .input = STDIN_FILENO,
    };
    conductor_run(&conductor_wish, &result);
    if (result.fault.code)
        (void) outcome_fault(wish->command, &result.fault);

    int status = status_of(result.end);
    if (result.has_groups) {
        const int reported = outcome_report(wish->command, wish->logbook,
                                            wish->run, wish->plan, wish->out);

        if (status == STATUS_MET)
            status = reported;
    }
    if (status == STATUS_MET && result.has_troubles)
        status = STATUS_NOT_MET;
    tell_what_next(wish, &result);
    return status;
}
