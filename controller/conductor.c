/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/conductor.h"

#include "controller/conductor_state.h"
#include "controller/contact.h"
#include "controller/cut.h"
#include "controller/salvage.h"
#include "controller/steps.h"

#include <bothends/cautions.h>
#include <reports/capacity.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* A live line is written anew so often. */
static const uint64_t tick_ms = 250;
/* No control time-out is shorter: facts of radio links, not of computers. */
static const uint64_t least_timeout_ms = 30000;
/* The slowest step that a time-out is made for, when nothing is known. */
static const double unknown_bps = 9600;

/* --- for all parts of the conductor ----------------------------------------
 */

uint64_t conductor_unix_ns(void)
{
    uv_timeval64_t now;

    if (uv_gettimeofday(&now) != 0)
        return 0;
    return (uint64_t) now.tv_sec * NS_PER_S
           + (uint64_t) now.tv_usec * NS_PER_US;
}

uint64_t conductor_timeout_ms(const struct conductor *conductor,
                              uint64_t answer_bytes)
{
    double bps = unknown_bps;

    if (conductor->step != SIZE_MAX
        && conductor->site.expected_bps[conductor->step] > 0)
        bps = conductor->site.expected_bps[conductor->step];
    /* Twice: other traffic, or repeats, may take half of the channel. */
    return least_timeout_ms
           + (uint64_t) (2 * 1000 * BITS_PER_BYTE * (double) answer_bytes
                         / bps);
}

struct pause {
    struct conductor *conductor;
    conductor_tick_fn *on_tick;
    void *owner;
};

static void on_pause_tick(uv_timer_t *timer)
{
    const struct pause *pause = timer->data;

    if (pause->on_tick)
        pause->on_tick(pause->owner);
}

int conductor_pause(struct conductor *conductor, uint64_t until_ns,
                    conductor_tick_fn *on_tick, void *owner)
{
    struct pause pause = { conductor, on_tick, owner };

    conductor->clock.data = &pause;
    while (!conductor->stop) {
        const uint64_t now_ns = uv_hrtime();

        if (now_ns >= until_ns)
            break;
        const uint64_t left_ms = (until_ns - now_ns) / NS_PER_MS + 1;
        uv_update_time(&conductor->loop);
        (void) uv_timer_start(&conductor->clock, on_pause_tick,
                              left_ms < tick_ms ? left_ms : tick_ms, 0);
        (void) uv_run(&conductor->loop, UV_RUN_ONCE);
    }
    (void) uv_timer_stop(&conductor->clock);
    return conductor->stop ? UV_ECANCELED : 0;
}

__attribute__((format(printf, 3, 0))) static int
store_note(struct conductor *conductor, const char *class, const char *format,
           va_list arguments, struct logbook_note *ret_note,
           struct fault *fault)
{
    *ret_note = (struct logbook_note){ .at_unix_ns = conductor_unix_ns() };
    (void) snprintf(ret_note->class, sizeof(ret_note->class), "%s", class);
    (void) vsnprintf(ret_note->text, sizeof(ret_note->text), format, arguments);
    return logbook_store_note(conductor->wish->logbook,
                              conductor->wish->run->run, ret_note, fault);
}

int conductor_note(struct conductor *conductor, const char *class,
                   struct fault *fault, const char *format, ...)
{
    struct logbook_note note;
    va_list arguments;

    va_start(arguments, format);
    const int code =
        store_note(conductor, class, format, arguments, &note, fault);
    va_end(arguments);
    display_say(conductor->display, "caution", TONE_DOUBT, "%s", note.text);
    return code;
}

int conductor_note_quietly(struct conductor *conductor, const char *class,
                           struct fault *fault, const char *format, ...)
{
    struct logbook_note note;
    va_list arguments;

    va_start(arguments, format);
    const int code =
        store_note(conductor, class, format, arguments, &note, fault);
    va_end(arguments);
    return code;
}

/* --- beginning and ending --------------------------------------------------
 */

/* Once: end in order.  Twice: leave at once; what is stored is stored, and the
 * ends stop by themselves. */
static void on_interrupt(uv_signal_t *signal, int number)
{
    struct conductor *conductor = signal->data;

    (void) number;
    if (conductor->stop) {
        display_clear_live(conductor->display);
        (void) fprintf(stderr,
                       "left at once: the ends stop by themselves at their "
                       "latest stop time%s\n",
                       conductor->wish->run->practice
                           ? ""
                           : "; 'bothends resume' goes on");
        _exit(130);
    }
    conductor->stop = true;
}

static int look_hosts_up(struct conductor *conductor, struct fault *fault)
{
    const struct plan *plan = conductor->plan;

    conductor->site.hosts =
        calloc(plan->exchange_count + 1, sizeof(*conductor->site.hosts));
    if (!conductor->site.hosts)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    for (size_t i = 0; i < plan->exchange_count; i++) {
        const struct plan_exchange *planned = &plan->exchanges[i];

        int code = 0;

        if (planned->to_end < 0)
            code = ends_look_up(conductor->ends, planned->from_end, planned->to,
                                conductor->site.hosts[i], fault);
        else if (planned->from_end < 0)
            code = ends_look_up(conductor->ends, planned->to_end, planned->from,
                                conductor->site.hosts[i], fault);
        if (code)
            return code;
    }
    return 0;
}

static void prepare_site(struct conductor *conductor)
{
    const struct plan *plan = conductor->plan;
    struct orders_site *site = &conductor->site;
    char tag[LOGBOOK_TAG_SIZE];

    site->plan = plan;
    site->seed = conductor->wish->run->seed;
    logbook_tag(conductor->wish->run->started_unix_ns, tag);
    (void) snprintf(site->tag, sizeof(site->tag), "%s", tag);
    for (size_t i = 0; i < plan->step_count; i++) {
        struct expectation expected;

        capacity_expect_of(plan, &plan->steps[i], &expected);
        site->expected_bps[i] =
            range_is_said(expected.goodput_bps) ? expected.goodput_bps.high : 0;
        site->expected_cycle_ns[i] = range_is_said(expected.cycle_ns)
                                         ? range_middle(expected.cycle_ns)
                                         : 0;
    }
}

/* An address, a host or a key that isn't there: the plan has to be mended. */
static int refuse_plan(struct fault *fault)
{
    fault->code = UV_EPERM;
    return UV_EPERM;
}

static int open_ends(struct conductor *conductor, struct fault *fault)
{
    char spool[4096];

    (void) snprintf(spool, sizeof(spool), "%.4000s.spool",
                    logbook_path(conductor->wish->logbook));
    const struct ends_wish wish = {
        .loop = &conductor->loop,
        .plan = conductor->plan,
        .plan_path = conductor->wish->run->plan_path,
        .spool = spool,
        .stop = &conductor->stop,
    };
    int code = ends_open(&wish, &conductor->ends, fault);
    if (code)
        return code == UV_ENOENT || code == UV_EINVAL || code == UV_EACCES
                   ? refuse_plan(fault)
                   : code;
    for (size_t i = 0; i < conductor->plan->end_count; i++)
        (void) snprintf(conductor->site.addresses[i], ADDRESS_SIZE, "%s",
                        ends_address(conductor->ends, (int) i));
    code = look_hosts_up(conductor, fault);
    return code == UV_ENOENT ? refuse_plan(fault) : code;
}

static void open_loop(struct conductor *conductor)
{
    (void) uv_loop_init(&conductor->loop);
    (void) uv_signal_init(&conductor->loop, &conductor->interrupt);
    (void) uv_timer_init(&conductor->loop, &conductor->clock);
    conductor->interrupt.data = conductor;
    (void) uv_signal_start(&conductor->interrupt, on_interrupt, SIGINT);
    uv_unref((uv_handle_t *) &conductor->interrupt);
}

static void close_loop(struct conductor *conductor)
{
    uv_close((uv_handle_t *) &conductor->interrupt, NULL);
    uv_close((uv_handle_t *) &conductor->clock, NULL);
    (void) uv_run(&conductor->loop, UV_RUN_DEFAULT);
    (void) uv_loop_close(&conductor->loop);
    free(conductor->site.hosts);
}

/* --- the steps -------------------------------------------------------------
 */

/* A step wider than the licence allows stays off the air. */
static bool is_allowed(const struct plan *plan, size_t step)
{
    const double limit_hz = plan->link.limit_bandwidth_hz;
    const double bandwidth_hz = capacity_bandwidth_hz(&plan->steps[step]);

    return !plan->on_air || isnan(limit_hz) || isnan(bandwidth_hz)
           || bandwidth_hz <= limit_hz;
}

static int tell_refused_steps(struct conductor *conductor, struct fault *fault)
{
    const struct plan *plan = conductor->plan;
    size_t refused_count = 0;

    for (size_t i = 0; i < plan->step_count; i++) {
        if (is_allowed(plan, i))
            continue;
        refused_count++;
        display_say(
            conductor->display, "refused", TONE_DOUBT,
            "step '%s' is not run: its bandwidth of about %.0f kHz is "
            "above the plan's limit of %.0f kHz (link.limits.bandwidth);"
            " a bench test says on_air: no",
            plan->steps[i].name, capacity_bandwidth_hz(&plan->steps[i]) / 1e3,
            plan->link.limit_bandwidth_hz / 1e3);
    }
    return refused_count < plan->step_count
               ? 0
               : fault_set(fault, UV_EPERM,
                           "no step of the plan is within "
                           "link.limits.bandwidth: nothing was sent");
}

/* What is easily forgotten in a field.  The practice link radiates nothing. */
static void tell_cautions(struct conductor *conductor)
{
    if (conductor->wish->run->practice)
        return;
    for (size_t i = 0; cautions[i]; i++)
        display_say(conductor->display, "mind", TONE_PLAIN, "%s", cautions[i]);
}

/* --- the flow --------------------------------------------------------------
 */

enum going {
    GOING_ON,
    GOING_QUIT, /* the operator ends the run */
};

/* Have the step of the visit set, where another is set. */
static int visit_step(struct conductor *conductor, size_t step,
                      bool *ret_is_skipped, enum going *ret_going,
                      struct fault *fault)
{
    enum steps_answer answer = STEPS_SET;
    int code = 0;

    if (conductor->step != step)
        code = steps_set(conductor, step, &answer, fault);
    *ret_is_skipped = answer == STEPS_SKIP;
    *ret_going = answer == STEPS_QUIT ? GOING_QUIT : GOING_ON;
    return code;
}

static bool is_first_of_visit(const struct plan *plan, uint64_t position)
{
    return position % plan->group_count == 0;
}

static int do_position(struct conductor *conductor, uint64_t position,
                       bool *is_skipped, enum going *going, struct fault *fault)
{
    struct order_place place;
    bool is_done;

    orders_place_of(conductor->plan, position, &place);
    place.attempt = conductor->attempt;
    if (is_first_of_visit(conductor->plan, position))
        *is_skipped = false;
    if (*is_skipped || !is_allowed(conductor->plan, place.step))
        return 0;
    int code =
        logbook_has_group(conductor->wish->logbook, conductor->wish->run->run,
                          position, &is_done, fault);
    if (code || is_done)
        return code;
    code = visit_step(conductor, place.step, is_skipped, going, fault);
    if (code || *is_skipped || *going == GOING_QUIT)
        return code;
    return conductor_group(conductor, &place, fault);
}

static int do_positions(struct conductor *conductor, enum going *going,
                        struct fault *fault)
{
    const uint64_t position_count = orders_position_count(conductor->plan);
    bool is_skipped = false;
    int code = 0;

    for (uint64_t position = 0;
         position < position_count && !code && *going == GOING_ON; position++) {
        code = do_position(conductor, position, &is_skipped, going, fault);
        if (!code && conductor->stop)
            *going = GOING_QUIT;
    }
    return code;
}

/* The last accounts' acknowledgements find no further question to ride on. */
static void say_last_acknowledgements(struct conductor *conductor)
{
    const struct ends_question question = {
        .method = "GET",
        .target = "/exchanges",
        .timeout_ms = conductor_timeout_ms(conductor, 500),
        .tries_count = 1,
    };

    ends_finish_up(conductor->ends);
    for (size_t i = 0; i < conductor->plan->end_count; i++) {
        struct ends_answer answer = { 0 };
        struct fault ignored = { 0 };

        if (ends_has_acknowledgements(conductor->ends, (int) i)) {
            (void) ends_ask(conductor->ends, (int) i, &question, &answer,
                            &ignored);
            ends_answer_clear(&answer);
        }
    }
}

static int carry_out(struct conductor *conductor, enum going *going,
                     struct fault *fault)
{
    tell_cautions(conductor);
    int code = tell_refused_steps(conductor, fault);
    bool quits = false;

    if (!code)
        code = open_ends(conductor, fault);
    if (!code)
        code = contact_prove(conductor, fault);
    if (!code && conductor->wish->manner.tests_cut)
        code = cut_test(conductor, &quits, fault);
    *going = quits ? GOING_QUIT : GOING_ON;
    if (code || quits)
        return code;
    if (conductor->wish->is_resumed)
        code = salvage_accounts(conductor, fault);
    if (!code)
        code = do_positions(conductor, going, fault);
    if (!code)
        say_last_acknowledgements(conductor);
    return code;
}

static enum conductor_end end_of(int code, enum going going)
{
    if (code == 0)
        return going == GOING_QUIT ? CONDUCTOR_INTERRUPTED : CONDUCTOR_COMPLETE;
    switch (code) {
    case UV_ECANCELED:
        return CONDUCTOR_INTERRUPTED;
    case UV_EPERM:
        return CONDUCTOR_REFUSED;
    case UV_ENOMEM:
    case UV_ENOSPC:
    case UV_EROFS:
    case UV_EBUSY:
    case UV_EIO:
    case UV_ERANGE:
        return CONDUCTOR_FAILED;
    default:
        return CONDUCTOR_UNREACHED;
    }
}

/* A run that failed and left nothing anywhere is not taken up again. */
static const char *state_of(const struct conductor_result *result)
{
    switch (result->end) {
    case CONDUCTOR_COMPLETE:
        return "complete";
    case CONDUCTOR_INTERRUPTED:
        return "interrupted";
    case CONDUCTOR_UNREACHED:
    case CONDUCTOR_REFUSED:
    case CONDUCTOR_FAILED:
        return result->is_resumable && !result->has_groups ? "interrupted"
                                                           : "failed";
    }
    return "failed";
}

/* The report is read by somebody who did not see the display. */
static void note_end(struct conductor *conductor, int code,
                     const struct fault *fault)
{
    const enum conductor_end end = end_of(code, GOING_ON);
    struct fault ignored = { 0 };

    if ((end == CONDUCTOR_UNREACHED || end == CONDUCTOR_FAILED)
        && !conductor->has_told_end)
        (void) conductor_note_quietly(conductor, "ending", &ignored,
                                      "The run ended early: %.360s",
                                      fault->text);
}

/* A resumed run's ids differ from those of the attempts before it. */
static int note_resume(struct conductor *conductor, struct fault *fault)
{
    struct logbook *logbook = conductor->wish->logbook;
    const int64_t run = conductor->wish->run->run;
    const struct logbook_note note = { conductor_unix_ns(), "resumed",
                                       "the run was taken up again" };

    if (!conductor->wish->is_resumed)
        return 0;
    const int code = logbook_store_note(logbook, run, &note, fault);
    return code ? code
                : logbook_count_resumes(logbook, run, &conductor->attempt,
                                        fault);
}

void conductor_run(const struct conductor_wish *wish,
                   struct conductor_result *ret_result)
{
    struct conductor conductor = {
        .wish = wish,
        .plan = wish->plan,
        .display = wish->display,
        .step = SIZE_MAX,
        .has_groups = wish->run->group_count > 0,
        .is_resumable = wish->is_resumed,
    };
    struct fault fault = { 0 }, ending = { 0 };
    enum going going = GOING_ON;

    prepare_site(&conductor);
    open_loop(&conductor);
    int code = note_resume(&conductor, &fault);
    if (!code)
        code = carry_out(&conductor, &going, &fault);
    note_end(&conductor, code, &fault);
    display_clear_live(wish->display);
    ends_close(conductor.ends);
    close_loop(&conductor);
    *ret_result = (struct conductor_result){
        .end = end_of(code, going),
        .has_groups = conductor.has_groups,
        .is_resumable = conductor.has_groups || conductor.is_resumable,
        .has_troubles = conductor.has_troubles,
        .fault = fault,
    };
    code = logbook_end_run(wish->logbook, wish->run->run, state_of(ret_result),
                           conductor_unix_ns(), &ending);
    if (code && !fault.code) {
        ret_result->end = CONDUCTOR_FAILED;
        ret_result->fault = ending;
    }
}
