/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/steps.h"

#include "controller/contact.h"
#include "controller/operator.h"

#include <jansson.h>
#include <string.h>

/* The far end's answer to a step change is often lost, for the link changes
 * under it: it is waited for so long, and then the near end follows. */
static const uint64_t change_timeout_ms = 15000;

/* --- by hand -------------------------------------------------------------- */

/* "skerry and harbour": where the radios are. */
static void join_sites(const struct plan *plan, char *ret_text, size_t size)
{
    const size_t site_count = plan_site_count(plan);
    size_t used = 0, told_count = 0;

    for (size_t i = 0; i < plan->end_count && used < size; i++) {
        if (!plan_end_is_site(&plan->ends[i]))
            continue;
        used += (size_t) snprintf(ret_text + used, size - used, "%s%s",
                                  told_count == 0               ? ""
                                  : told_count + 1 < site_count ? ", "
                                                                : " and ",
                                  plan->ends[i].name);
        told_count++;
    }
}

static enum steps_answer ask_operator(struct conductor *conductor, size_t step)
{
    char ends[PLAN_ENDS_MAX * (NAME_SIZE + 4)], line[64];

    join_sites(conductor->plan, ends, sizeof(ends));
    for (;;) {
        display_say(conductor->display, "step", TONE_PLAIN,
                    "Set %s to step '%s', then press Return (s skips the step, "
                    "q ends the run).",
                    ends, conductor->plan->steps[step].name);
        if (!operator_read_line(conductor, line, sizeof(line))) {
            if (!conductor->stop)
                display_say(conductor->display, "step", TONE_DOUBT,
                            "no answer: the input has ended, so the run ends "
                            "here");
            return STEPS_QUIT;
        }
        if (line[0] == '\0')
            return STEPS_SET;
        if (strcmp(line, "s") == 0)
            return STEPS_SKIP;
        if (strcmp(line, "q") == 0)
            return STEPS_QUIT;
        display_say(conductor->display, "step", TONE_DOUBT,
                    "found '%s', expected Return, s or q", line);
    }
}

/* --- by the agents' command ------------------------------------------------
 */

static int put_step(struct conductor *conductor, int end, size_t step,
                    const struct ends_question *question, struct fault *fault)
{
    json_t *body =
        json_pack("{s:s}", "name", conductor->plan->steps[step].name);
    struct ends_question put = *question;
    struct ends_answer answer = { 0 };

    put.body = body;
    int code = ends_ask(conductor->ends, end, &put, &answer, fault);
    json_decref(body);
    if (!code && answer.status != 200)
        code = fault_set(fault, UV_EPERM, "%s", answer.text);
    ends_answer_clear(&answer);
    return code;
}

static int say_no_contact(const struct conductor *conductor, size_t step,
                          int code, const struct fault *lost,
                          struct fault *fault)
{
    return fault_set(
        fault, code,
        "no contact on step '%s': %.400s; is that step set at every end?",
        conductor->plan->steps[step].name, lost->text);
}

/* While they still hear us.  Whose answer is lost is_silent. */
static int tell_far_ends(struct conductor *conductor, size_t step,
                         bool is_silent[PLAN_ENDS_MAX], struct fault *fault)
{
    const struct plan *plan = conductor->plan;
    const struct ends_question once = { .method = "PUT",
                                        .target = "/step",
                                        .timeout_ms = change_timeout_ms,
                                        .tries_count = 1 };

    for (size_t i = 0; i < plan->end_count; i++) {
        struct fault lost = { 0 };

        if (ends_is_own(conductor->ends, (int) i)
            || !plan_has_agent(plan, (int) i))
            continue;
        const int code = put_step(conductor, (int) i, step, &once, &lost);
        if (code == UV_EPERM || code == UV_ECANCELED)
            return fault_set(fault, code, "%s", lost.text);
        is_silent[i] = code != 0;
    }
    return 0;
}

/* Setting a step twice does no harm, and the second answer is the proof. */
static int tell_again(struct conductor *conductor, size_t step,
                      const struct ends_question *question,
                      const bool is_silent[PLAN_ENDS_MAX], struct fault *fault)
{
    for (size_t i = 0; i < conductor->plan->end_count; i++) {
        struct fault lost = { 0 };

        if (!is_silent[i])
            continue;
        const int code = put_step(conductor, (int) i, step, question, &lost);
        if (code == UV_EPERM || code == UV_ECANCELED)
            return fault_set(fault, code, "%s", lost.text);
        if (code)
            return say_no_contact(conductor, step, code, &lost, fault);
    }
    return 0;
}

/* Far ends first, then our own; whose answer was lost is told again then. */
static int set_by_agents(struct conductor *conductor, size_t step,
                         struct fault *fault)
{
    const struct ends_question surely = {
        .method = "PUT",
        .target = "/step",
        .timeout_ms = conductor_timeout_ms(conductor, 500),
    };
    bool is_silent[PLAN_ENDS_MAX] = { false };

    ends_begin_change(conductor->ends);
    int code = tell_far_ends(conductor, step, is_silent, fault);
    if (!code)
        code = put_step(conductor, conductor->plan->controller_end, step,
                        &surely, fault);
    if (!code)
        code = tell_again(conductor, step, &surely, is_silent, fault);
    ends_end_change(conductor->ends); /* the link carries again, or never */
    return code;
}

/* The far ends answer on the step that is now set. */
static int prove(struct conductor *conductor, size_t step, struct fault *fault)
{
    struct fault lost = { 0 };

    conductor->step = step;
    ends_forget_clocks(conductor->ends);
    const int code = contact_prove_again(conductor, &lost);
    return code ? say_no_contact(conductor, step, code, &lost, fault) : 0;
}

/* For whoever reads the report: nothing else in it tells of that step. */
static int note_no_contact(struct conductor *conductor, size_t step,
                           struct fault *fault)
{
    return conductor_note_quietly(
        conductor, "step", fault,
        "There was no contact on step '%s', so nothing was measured there: "
        "that step may be set at one end only, or the path may not carry it.",
        conductor->plan->steps[step].name);
}

/* A step that was set at one end only, or another one, is the operator's to
 * mend: asked again, until there is contact or the operator has had enough. */
static int set_by_hand(struct conductor *conductor, size_t step,
                       enum steps_answer *ret_answer, struct fault *fault)
{
    for (bool has_failed = false;; has_failed = true) {
        struct fault lost = { 0 };

        *ret_answer = ask_operator(conductor, step);
        if (*ret_answer != STEPS_SET)
            return has_failed ? note_no_contact(conductor, step, fault) : 0;
        const int code = prove(conductor, step, &lost);
        if (code == 0 || code == UV_ECANCELED)
            return code;
        conductor->step = SIZE_MAX;
        display_say(conductor->display, "step", TONE_BAD, "%s", lost.text);
    }
}

int steps_set(struct conductor *conductor, size_t step,
              enum steps_answer *ret_answer, struct fault *fault)
{
    struct fault ignored = { 0 };
    int code;

    *ret_answer = STEPS_SET;
    if (conductor->plan->set_steps == SET_BY_HAND) {
        code = set_by_hand(conductor, step, ret_answer, fault);
    } else {
        code = set_by_agents(conductor, step, fault);
        if (!code)
            code = prove(conductor, step, fault);
        if (code && code != UV_ECANCELED && code != UV_EPERM)
            conductor->has_told_end =
                note_no_contact(conductor, step, &ignored) == 0;
    }
    if (code == UV_ECANCELED || conductor->stop) {
        *ret_answer = STEPS_QUIT;
        return 0;
    }
    return code;
}
