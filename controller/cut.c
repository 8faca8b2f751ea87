/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/cut.h"

#include "controller/contact.h"
#include "controller/operator.h"

#include <inttypes.h>
#include <string.h>

/* What is still in the radios' queues may be answered; after so many rounds of
 * echoes answers come another way. */
static const unsigned silent_tries_most = 3;
/* A radio that was plugged in needs a while to find its network. */
static const unsigned back_tries_most = 6;
static const uint64_t back_gap_ns = 3 * NS_PER_S;
/* The agent waits for its echoes so long at the most. */
static const uint64_t way_longest_ms = 10000;

/* What is looked at: from our own end across the air. */
struct cut {
    struct conductor *conductor;
    int near;
    char far_name[ADDRESS_SIZE], far_address[ADDRESS_SIZE];
    struct contact_way way; /* of the last look; no echoes: there was no way */
};

/* The far end of an exchange of ours, else any other site. */
static bool find_far(struct cut *cut)
{
    const struct conductor *conductor = cut->conductor;
    const struct plan *plan = conductor->plan;
    int far = -1;

    for (size_t i = 0; i < plan->exchange_count && far < 0; i++) {
        const struct plan_exchange *planned = &plan->exchanges[i];

        if (planned->from_end == cut->near)
            far = planned->to_end;
        else if (planned->to_end == cut->near)
            far = planned->from_end;
        if (far >= 0 && !plan_end_is_site(&plan->ends[far]))
            far = -1;
    }
    for (size_t i = 0; i < plan->end_count && far < 0; i++) {
        if ((int) i != cut->near && plan_end_is_site(&plan->ends[i]))
            far = (int) i;
    }
    if (far < 0)
        return false;
    (void) snprintf(cut->far_name, sizeof(cut->far_name), "%s",
                    plan->ends[far].name);
    (void) snprintf(cut->far_address, sizeof(cut->far_address), "%s",
                    ends_address(conductor->ends, far));
    return true;
}

/* Three echoes by our own agent.  No way to send them is silence, too. */
static int look(struct cut *cut, struct fault *fault)
{
    struct conductor *conductor = cut->conductor;
    const struct plan_end *near = &conductor->plan->ends[cut->near];
    struct ends_answer answer = { 0 };
    char target[256];

    (void) snprintf(target, sizeof(target), "/way?to=%s&from=%s%s%s",
                    cut->far_address, ends_address(conductor->ends, cut->near),
                    near->interface[0] ? "&interface=" : "", near->interface);
    const struct ends_question question = {
        .method = "GET",
        .target = target,
        .timeout_ms = conductor_timeout_ms(conductor, 1000) + way_longest_ms,
    };
    cut->way = (struct contact_way){ 0 };
    int code = ends_ask(conductor->ends, cut->near, &question, &answer, fault);
    if (!code && answer.status == 200)
        code = contact_read_way(answer.body, &cut->way, fault);
    ends_answer_clear(&answer);
    return code;
}

enum cut_answer {
    CUT_DONE,
    CUT_SKIP,
    CUT_QUIT,
};

static enum cut_answer ask_operator(struct conductor *conductor,
                                    const char *what)
{
    char line[64];

    for (;;) {
        display_say(conductor->display, "cut test", TONE_PLAIN,
                    "%s, then press Return (s skips the cut test, q ends the "
                    "run).",
                    what);
        if (!operator_read_line(conductor, line, sizeof(line))
            || strcmp(line, "q") == 0)
            return CUT_QUIT;
        if (line[0] == '\0')
            return CUT_DONE;
        if (strcmp(line, "s") == 0)
            return CUT_SKIP;
        display_say(conductor->display, "cut test", TONE_DOUBT,
                    "found '%s', expected Return, s or q", line);
    }
}

/* Until a round of echoes is as wanted, or the tries are over. */
static int look_until(struct cut *cut, bool wants_answers, unsigned tries_most,
                      bool *ret_is_so, uint64_t *ret_sent_count,
                      struct fault *fault)
{
    int code = 0;

    *ret_is_so = false;
    *ret_sent_count = 0;
    for (unsigned i = 0; i < tries_most && !code && !*ret_is_so; i++) {
        if (i > 0 && wants_answers)
            code = conductor_pause(cut->conductor, uv_hrtime() + back_gap_ns,
                                   NULL, NULL);
        if (!code)
            code = look(cut, fault);
        *ret_sent_count += cut->way.echo_count;
        *ret_is_so = !code && (cut->way.answered_count > 0) == wants_answers;
    }
    return code;
}

static int note_bypass(const struct cut *cut, struct fault *fault)
{
    cut->conductor->has_troubles = true;
    return conductor_note(
        cut->conductor, "interface", fault,
        "Cut test: with the radio unplugged answers still came from %s (%s), "
        "by interface %s: the traffic does not cross this radio, it goes "
        "another way.",
        cut->far_name, cut->far_address, cut->way.interface);
}

static int note_evidence(const struct cut *cut, uint64_t silent_count,
                         struct fault *fault)
{
    char echoes[64];

    if (silent_count)
        (void) snprintf(echoes, sizeof(echoes),
                        "none of %" PRIu64 " echoes was answered",
                        silent_count);
    else
        (void) snprintf(echoes, sizeof(echoes), "there was no way left");
    return conductor_note(
        cut->conductor, "cut", fault,
        "Cut test: with the radio at %s unplugged %s from %s, and plugged in "
        "again %zu of %zu were: the traffic crosses this radio.",
        cut->conductor->plan->ends[cut->near].name, echoes, cut->far_name,
        cut->way.answered_count, cut->way.echo_count);
}

/* Asked again until echoes come back, or the operator has had enough. */
static int plug_in(struct cut *cut, enum cut_answer *ret_answer,
                   struct fault *fault)
{
    for (;;) {
        bool is_back;
        uint64_t ignored;

        *ret_answer = ask_operator(cut->conductor, "Plug the radio in again");
        if (*ret_answer != CUT_DONE)
            return 0;
        const int code =
            look_until(cut, true, back_tries_most, &is_back, &ignored, fault);
        if (code || is_back)
            return code;
        display_say(cut->conductor->display, "cut test", TONE_BAD,
                    "no answer from %s (%s) yet: is the radio on, and on its "
                    "step?",
                    cut->far_name, cut->far_address);
    }
}

static int carry_out(struct cut *cut, enum cut_answer *ret_answer,
                     struct fault *fault)
{
    char what[200];
    bool is_silent;
    uint64_t silent_count;

    (void) snprintf(what, sizeof(what),
                    "At %s: stop the transmitter and unplug the radio from the "
                    "computer or its network (the antenna stays on)",
                    cut->conductor->plan->ends[cut->near].name);
    *ret_answer = ask_operator(cut->conductor, what);
    if (*ret_answer != CUT_DONE)
        return 0;
    int code = look_until(cut, false, silent_tries_most, &is_silent,
                          &silent_count, fault);
    if (!code && !is_silent)
        code = note_bypass(cut, fault);
    silent_count = cut->way.echo_count;
    if (!code)
        code = plug_in(cut, ret_answer, fault);
    if (!code && *ret_answer == CUT_DONE && is_silent)
        code = note_evidence(cut, silent_count, fault);
    return code;
}

int cut_test(struct conductor *conductor, bool *ret_quits, struct fault *fault)
{
    struct cut cut = { .conductor = conductor,
                       .near = conductor->plan->controller_end };
    enum cut_answer answer = CUT_DONE;

    *ret_quits = false;
    if (!find_far(&cut))
        return conductor_note(conductor, "contact", fault,
                              "no cut test: the plan names no site across the "
                              "air from %s",
                              conductor->plan->ends[cut.near].name);
    const int code = carry_out(&cut, &answer, fault);
    *ret_quits = answer == CUT_QUIT;
    if (!code && answer == CUT_SKIP)
        display_say(conductor->display, "cut test", TONE_DOUBT,
                    "skipped: what is measured has no such proof");
    return code;
}
