/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/contact.h"

#include "controller/contact_inside.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

/* So often a far end is asked for its first word; each time is waited for as
 * long as its step needs, and TCP asks about six times meanwhile. */
static const unsigned contact_tries_most = 2;
/* An agent that has not read its radio yet. */
static const uint64_t unknown_readings_ns = 3 * NS_PER_S;

/* --- the agents ----------------------------------------------------------- */

/* Nothing was heard: the radio may be off, or on another step. */
static bool is_silence(int code)
{
    return code == UV_ETIMEDOUT || code == UV_EHOSTUNREACH;
}

/* A far end that should be there, as often as contact_tries_most says, with a
 * word to the operator meanwhile, who may see what is wrong.  hint: what to
 * look at, if nothing is heard. */
static int ask_for_contact(struct conductor *conductor, int end,
                           const struct ends_question *question,
                           const char *hint, struct ends_answer *ret_answer,
                           struct fault *fault)
{
    struct ends_question once = *question;

    if (ends_is_own(conductor->ends, end))
        return ends_ask(conductor->ends, end, question, ret_answer, fault);
    once.tries_count = 1;
    for (unsigned tries = 1;; tries++) {
        struct fault lost = { 0 };
        const int code =
            ends_ask(conductor->ends, end, &once, ret_answer, &lost);

        if (code == 0 || code == UV_ECANCELED)
            return code;
        if (tries == contact_tries_most
            || (!is_silence(code) && code != UV_ECONNRESET))
            return fault_set(fault, code, "%.400s%s", lost.text,
                             is_silence(code) ? hint : "");
        display_say(conductor->display, "waiting", TONE_DOUBT,
                    "%s%s (asked once more)", lost.text,
                    is_silence(code) ? hint : "");
    }
}

/* Control traffic may have a way of its own, which no radio is on. */
static const char *radio_hint(const struct conductor *conductor, int end)
{
    const struct plan_end *planned = &conductor->plan->ends[end];
    const bool is_by_radio =
        !planned->control[0] || strcmp(planned->control, planned->address) == 0;

    return is_by_radio ? "; is its radio on, and on the same step?"
                       : "; is its computer on, and on that network?";
}

static int ask_self(struct conductor *conductor, int end, struct proof *proof,
                    struct fault *fault)
{
    const struct ends_question question = {
        .method = "GET",
        .target = "/self",
        .timeout_ms = conductor_timeout_ms(conductor, 4000),
    };
    struct ends_answer answer = { 0 };
    struct fault reading = { 0 };
    int code = ask_for_contact(conductor, end, &question,
                               radio_hint(conductor, end), &answer, fault);

    if (code)
        return code;
    if (answer.status != 200)
        code = fault_set(fault, UV_EPROTO, "%s", answer.text);
    else if (contact_read_self(answer.body, &proof->self, &reading))
        code = fault_set(fault, UV_EPROTO, "%s: %s",
                         contact_name(conductor, end), reading.text);
    else
        proof->self_body = json_incref(answer.body);
    ends_answer_clear(&answer);
    return code;
}

/* Readings of the radio have to be over before a start: how long they take. */
static void learn_readings(struct conductor *conductor, int end,
                           const struct contact_self *self)
{
    const uint64_t took_ns =
        self->readings_ns ? self->readings_ns : unknown_readings_ns;

    conductor->reads_radio[end] = self->reads_radio;
    if (self->reads_radio && took_ns > conductor->readings_ns)
        conductor->readings_ns = took_ns;
}

static int doubt_battery(struct conductor *conductor, int end,
                         const struct contact_self *self, struct fault *fault)
{
    const uint64_t below = conductor->wish->manner.battery_below_percent;

    if (self->battery_percent < 0 || self->on_mains
        || (uint64_t) self->battery_percent >= below)
        return 0;
    return conductor_note(conductor, "battery", fault,
                          "%s: battery at %d %%, and not on the mains: will it "
                          "last for the run?",
                          contact_name(conductor, end), self->battery_percent);
}

/* A thing that is odd but no obstacle: saved TCP metrics carry the window of
 * an earlier step over to this one. */
static int doubt_tcp(struct conductor *conductor, int end,
                     const struct proof *proof, struct fault *fault)
{
    if (!json_is_true(json_object_get(proof->self_body, "tcp_metrics_saved")))
        return 0;
    return conductor_note(
        conductor, "tcp", fault,
        "%s keeps TCP metrics from one connection to the next, so an earlier "
        "step may colour a later one; 'sysctl -w "
        "net.ipv4.tcp_no_metrics_save=1' there prevents it",
        contact_name(conductor, end));
}

static int doubt_self(struct conductor *conductor, int end,
                      const struct proof *proof, struct fault *fault)
{
    const int code = doubt_battery(conductor, end, &proof->self, fault);

    learn_readings(conductor, end, &proof->self);
    return code ? code : doubt_tcp(conductor, end, proof, fault);
}

/* --- what the operator reads ---------------------------------------------- */

/* "0.3 s", "2 h 14 min" */
static void tell_apart(int64_t apart_ns, char *ret_text, size_t size)
{
    const uint64_t ns = (uint64_t) (apart_ns < 0 ? -apart_ns : apart_ns);
    const unsigned long long minutes = ns / NS_PER_MIN, hours = minutes / 60;

    if (ns < NS_PER_S)
        (void) snprintf(ret_text, size, "less than 1 s");
    else if (ns < NS_PER_MIN)
        (void) snprintf(ret_text, size, "%.0f s", (double) ns / 1e9);
    else if (minutes < 60)
        (void) snprintf(ret_text, size, "%llu min", minutes);
    else if (hours < 48)
        (void) snprintf(ret_text, size, "%llu h %llu min", hours, minutes % 60);
    else
        (void) snprintf(ret_text, size, "%llu days", hours / 24);
}

/* How far an end's wall clock is from our own end's. */
static void tell_clock(struct conductor *conductor, const struct proof *proofs,
                       int end, char *ret_text, size_t size)
{
    const int own = conductor->plan->controller_end;
    struct ends_clock clock, own_clock;
    char apart[48];

    ret_text[0] = '\0';
    if (end == own || ends_clock(conductor->ends, end, &clock)
        || ends_clock(conductor->ends, own, &own_clock))
        return;
    const int64_t apart_ns =
        (proofs[end].self.wall_minus_monotonic_ns - clock.offset_ns)
        - (proofs[own].self.wall_minus_monotonic_ns - own_clock.offset_ns);
    tell_apart(apart_ns, apart, sizeof(apart));
    (void) snprintf(ret_text, size, ", clocks %s apart (no matter)", apart);
}

static void tell_end(struct conductor *conductor, const struct proof *proofs,
                     int end)
{
    const struct proof *proof = &proofs[end];
    const struct contact_way *way = &proof->way;
    char by[128] = "", clock[96];

    if (proof->has_way && way->hops)
        (void) snprintf(by, sizeof(by), " by %s, %" PRIu64 " hop%s",
                        way->interface, way->hops, way->hops == 1 ? "" : "s");
    else if (proof->has_way && way->interface[0])
        (void) snprintf(by, sizeof(by), " by %s", way->interface);
    tell_clock(conductor, proofs, end, clock, sizeof(clock));
    display_say(
        conductor->display, "contact", TONE_PLAIN, "%s %s%s%s%s",
        contact_name(conductor, end), ends_address(conductor->ends, end),
        ends_is_own(conductor->ends, end) ? " (this computer)" : "", by, clock);
}

static void tell_agentless(struct conductor *conductor, int end)
{
    display_say(conductor->display, "contact", TONE_PLAIN,
                "%s %s (no agent: seen from one end only)",
                contact_name(conductor, end),
                ends_address(conductor->ends, end));
}

static int store_proof(struct conductor *conductor, int end,
                       const struct proof *proof, struct fault *fault)
{
    char *self = json_dumps(proof->self_body, JSON_COMPACT);
    char *ways = json_dumps(proof->ways, JSON_COMPACT);
    const int code =
        logbook_store_end(conductor->wish->logbook, conductor->wish->run->run,
                          contact_name(conductor, end), self ? self : "{}",
                          ways ? ways : "[]", fault);

    free(self);
    free(ways);
    return code;
}

static int prove_all(struct conductor *conductor, struct proof *proofs,
                     struct fault *fault)
{
    const size_t end_count = conductor->plan->end_count;
    int code = 0;

    for (size_t i = 0; i < end_count && !code; i++) {
        if (!plan_has_agent(conductor->plan, (int) i))
            continue;
        code = ask_self(conductor, (int) i, &proofs[i], fault);
        if (!code)
            code = doubt_self(conductor, (int) i, &proofs[i], fault);
    }
    if (!code)
        code = contact_prove_ways(conductor, proofs, fault);
    for (size_t i = 0; i < end_count && !code; i++) {
        if (!plan_has_agent(conductor->plan, (int) i)) {
            tell_agentless(conductor, (int) i);
            continue;
        }
        tell_end(conductor, proofs, (int) i);
        code = store_proof(conductor, (int) i, &proofs[i], fault);
    }
    return code;
}

int contact_prove(struct conductor *conductor, struct fault *fault)
{
    struct proof proofs[PLAN_ENDS_MAX] = { 0 };

    for (size_t i = 0; i < PLAN_ENDS_MAX; i++)
        proofs[i].ways = json_array();
    const int code = prove_all(conductor, proofs, fault);
    if (code != UV_ECANCELED)
        contact_show_ladder(
            conductor, proofs[conductor->plan->controller_end].ways, code != 0);
    for (size_t i = 0; i < PLAN_ENDS_MAX; i++) {
        json_decref(proofs[i].self_body);
        json_decref(proofs[i].ways);
    }
    return code;
}

int contact_prove_again(struct conductor *conductor, struct fault *fault)
{
    int code = 0;

    /* The list of accounts is the shortest answer there is, and the question
     * carries what is to be acknowledged. */
    const struct ends_question question = {
        .method = "GET",
        .target = "/exchanges",
        .timeout_ms = conductor_timeout_ms(conductor, 500),
    };
    for (size_t i = 0; i < conductor->plan->end_count && !code; i++) {
        struct ends_answer answer = { 0 };

        if (ends_is_own(conductor->ends, (int) i)
            || !plan_has_agent(conductor->plan, (int) i))
            continue;
        /* Whoever set the step says what to look at. */
        code =
            ask_for_contact(conductor, (int) i, &question, "", &answer, fault);
        if (!code && answer.status != 200)
            code = fault_set(fault, UV_EPROTO, "%s", answer.text);
        ends_answer_clear(&answer);
    }
    if (code && code != UV_ECANCELED)
        contact_show_ladder(conductor, NULL, true);
    return code;
}
