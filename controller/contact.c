/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/contact.h"

#include "agent/wire/messages.h"
#include "controller/quantity.h"

#include <inttypes.h>
#include <reports/capacity.h>
#include <reports/ladder.h>
#include <stdlib.h>
#include <string.h>

/* An agent's answer about the way takes so long at the most (it waits for
 * echoes), beside the time that the question and the answer take. */
static const uint64_t way_longest_ms = 10000;
/* So often an end is asked about one way, where echoes were lost. */
static const unsigned way_asked_most = 3;
/* So often a far end is asked for its first word; each time is waited for as
 * long as its step needs, and TCP asks about six times meanwhile. */
static const unsigned contact_tries_most = 2;
/* An agent that has not read its radio yet. */
static const uint64_t unknown_readings_ns = 3 * NS_PER_S;

/* --- the agents ----------------------------------------------------------- */

/* What is known of one end after the proof. */
struct proof {
    struct contact_self self;
    json_t *self_body;
    json_t *ways; /* what the contact proof found, for the logbook */
    struct contact_way way;
    bool has_way;
};

static const char *name_of(const struct conductor *conductor, int end)
{
    return conductor->plan->ends[end].name;
}

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
        code = fault_set(fault, UV_EPROTO, "%s: %s", name_of(conductor, end),
                         reading.text);
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
                          name_of(conductor, end), self->battery_percent);
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
        name_of(conductor, end));
}

static int doubt_self(struct conductor *conductor, int end,
                      const struct proof *proof, struct fault *fault)
{
    const int code = doubt_battery(conductor, end, &proof->self, fault);

    learn_readings(conductor, end, &proof->self);
    return code ? code : doubt_tcp(conductor, end, proof, fault);
}

/* --- the ways ------------------------------------------------------------- */

/* Whom a way leads to. */
struct way_partner {
    int end; /* -1: a host that is no end */
    const char *name, *address;
};

static struct way_partner partner_of(const struct conductor *conductor, int end)
{
    return (struct way_partner){ end, conductor->plan->ends[end].name,
                                 ends_address(conductor->ends, end) };
}

/* The own radio is on this side of the air, whatever interface it is at. */
static bool is_before_the_air(const struct conductor *conductor,
                              const struct way_partner *to)
{
    return to->end >= 0
           && conductor->plan->ends[to->end].landmark == LANDMARK_OWN_RADIO;
}

static int ask_way(struct conductor *conductor, int end,
                   const struct way_partner *to, json_t **ret_body,
                   struct fault *fault)
{
    const struct plan_end *planned = &conductor->plan->ends[end];
    struct ends_answer answer = { 0 };
    char target[256];

    const bool is_tied =
        planned->interface[0] && !is_before_the_air(conductor, to);
    (void) snprintf(
        target, sizeof(target), "/way?to=%s&bytes=%llu&from=%s%s%s",
        to->address, (unsigned long long) conductor->plan->link.mtu_bytes,
        ends_address(conductor->ends, end), is_tied ? "&interface=" : "",
        is_tied ? planned->interface : "");
    const struct ends_question question = {
        .method = "GET",
        .target = target,
        .timeout_ms = conductor_timeout_ms(conductor, 4000) + way_longest_ms,
    };
    const int code = ends_ask(conductor->ends, end, &question, &answer, fault);
    if (code)
        return code;
    if (answer.status != 200) {
        (void) fault_set(fault, UV_EHOSTUNREACH, "%s", answer.text);
        ends_answer_clear(&answer);
        return UV_EHOSTUNREACH;
    }
    *ret_body = json_incref(answer.body);
    ends_answer_clear(&answer);
    return 0;
}

/* The way is the one of the plan. */
static int check_way(struct conductor *conductor, int end, const char *to_name,
                     const char *to, const struct contact_way *way,
                     struct fault *fault)
{
    const struct plan_end *planned = &conductor->plan->ends[end];
    const char *own = ends_address(conductor->ends, end);

    if (planned->interface[0] && way->interface[0]
        && strcmp(way->interface, planned->interface) != 0)
        return fault_set(fault, UV_EHOSTUNREACH,
                         "%s: the way to %s (%s) goes by interface '%s', "
                         "expected '%s' (ends.%s.interface): this traffic "
                         "would not cross the radio; mend the route or the "
                         "plan",
                         planned->name, to_name, to, way->interface,
                         planned->interface, planned->name);
    if (way->source_address[0] && strcmp(way->source_address, own) != 0)
        return fault_set(fault, UV_EHOSTUNREACH,
                         "%s: the way to %s (%s) starts from address %s, "
                         "expected %s (ends.%s.address)",
                         planned->name, to_name, to, way->source_address, own,
                         planned->name);
    return 0;
}

static int prove_way(struct conductor *conductor, int end,
                     const struct way_partner *to, struct proof *proofs,
                     struct fault *fault);
static const json_t *find_way(const json_t *ways, const char *to_name);

/* Does the partner hear back from this end, though this one does not?  What it
 * sends and the answer have crossed the link both ways then. */
static bool is_heard_by(struct conductor *conductor, int end,
                        const struct way_partner *by, struct proof *proofs)
{
    const struct way_partner self = partner_of(conductor, end);
    struct fault ignored = { 0 };
    struct contact_way way;

    if (!plan_has_agent(conductor->plan, by->end))
        return false;
    if (!find_way(proofs[by->end].ways, self.name)
        && prove_way(conductor, by->end, &self, proofs, &ignored) != 0)
        return false;
    return contact_read_way(find_way(proofs[by->end].ways, self.name), &way,
                            &ignored)
               == 0
           && way.answered_count > 0;
}

/* Something came back.  That an end without an agent is silent is what the
 * run's pings are there to find out. */
static int check_answers(struct conductor *conductor, int end,
                         const struct way_partner *to,
                         const struct contact_way *way, struct proof *proofs,
                         struct fault *fault)
{
    if (way->echo_count == 0 || way->answered_count > 0)
        return 0;
    if (is_heard_by(conductor, end, to, proofs))
        return conductor_note(conductor, "contact", fault,
                              "%s had no answer from %s, but answers its "
                              "echoes: only %s can open connections (address "
                              "translation, a firewall?), so let it do so "
                              "(opener) and let it send the pings",
                              name_of(conductor, end), to->name, to->name);
    if (to->end >= 0 && !plan_has_agent(conductor->plan, to->end))
        return conductor_note(conductor, "contact", fault,
                              "%s had no answer from %s (%s) to %zu echoes",
                              name_of(conductor, end), to->name, to->address,
                              way->echo_count);
    return fault_set(fault, UV_EHOSTUNREACH,
                     "%s: no answer from %s (%s) to %zu echoes by "
                     "interface '%s'%s%s: is the other end up, on the same "
                     "step, and does it answer pings?",
                     name_of(conductor, end), to->name, to->address,
                     way->echo_count, way->interface,
                     way->trouble[0] ? "; " : "", way->trouble);
}

/* The least round trip that any step of the plan allows; NaN: not known. */
static double least_rtt_ns(const struct plan *plan)
{
    double least_ns = (double) NAN;

    for (size_t i = 0; i < plan->step_count; i++) {
        struct expectation expected;

        capacity_expect_of(plan, &plan->steps[i], &expected);
        if (!range_is_said(expected.least_rtt_ns))
            return (double) NAN;
        if (isnan(least_ns) || expected.least_rtt_ns.low < least_ns)
            least_ns = expected.least_rtt_ns.low;
    }
    return least_ns;
}

static int doubt_bypass(struct conductor *conductor, int end,
                        const char *to_name, const struct contact_way *way,
                        struct fault *fault)
{
    const double least_ns = least_rtt_ns(conductor->plan);
    char found[32], expected[32];

    if (way->is_own)
        return conductor_note(conductor, "interface", fault,
                              "the way from %s to %s does not leave the "
                              "computer: no radio is in it",
                              name_of(conductor, end), to_name);
    if (way->answered_count == 0 || isnan(least_ns)
        || (double) way->least_rtt_ns >= least_ns)
        return 0;
    quantity_show(UNIT_DURATION, (double) way->least_rtt_ns, found,
                  sizeof(found));
    quantity_show(UNIT_DURATION, least_ns, expected, sizeof(expected));
    return conductor_note(conductor, "interface", fault,
                          "%s had an answer from %s after %s, sooner than any "
                          "step of the plan allows (%s): does this traffic "
                          "cross the radio?",
                          name_of(conductor, end), to_name, found, expected);
}

/* Long ones were not answered, or not each time: what is lost now and then says
 * nothing of the MTU. */
static int doubt_whole(struct conductor *conductor, int end,
                       const char *to_name, const struct contact_way *way,
                       struct fault *fault)
{
    const unsigned long long mtu_bytes = conductor->plan->link.mtu_bytes;
    const char *name = name_of(conductor, end);

    if (!way->whole_trouble[0]
        && (way->whole_answered_count || way->answered_count < way->echo_count))
        return conductor_note(
            conductor, "contact", fault,
            "%s: %zu of %zu short echoes to %s were answered, and %" PRIu64
            " of %" PRIu64 " of %llu B: packets are lost on the way%s",
            name, way->answered_count, way->echo_count, to_name,
            way->whole_answered_count, way->whole_asked_count, mtu_bytes,
            way->whole_answered_count
                ? ""
                : " (whether the path's MTU is smaller than link.mtu too is "
                  "not known)");
    return conductor_note(
        conductor, "mtu", fault,
        "%s: of %" PRIu64 " unfragmented echoes of %llu B to %s none was "
        "answered though small ones were%s%s: the path's MTU may be "
        "smaller than link.mtu",
        name, way->whole_asked_count, mtu_bytes, to_name,
        way->whole_trouble[0] ? "; " : "", way->whole_trouble);
}

static int doubt_way(struct conductor *conductor, int end, const char *to_name,
                     const struct contact_way *way, struct fault *fault)
{
    const unsigned long long mtu_bytes = conductor->plan->link.mtu_bytes;
    int code = doubt_bypass(conductor, end, to_name, way, fault);

    if (!code && way->echo_count == 0)
        code = conductor_note(conductor, "contact", fault,
                              "%s sent no echo to %s: %s",
                              name_of(conductor, end), to_name, way->trouble);
    if (!code && way->mtu_bytes && way->mtu_bytes < mtu_bytes)
        code = conductor_note(conductor, "mtu", fault,
                              "%s: the way to %s has an MTU of %llu B, the "
                              "plan says %llu B (link.mtu)",
                              name_of(conductor, end), to_name,
                              (unsigned long long) way->mtu_bytes, mtu_bytes);
    else if (!code && way->answered_count > 0
             && way->whole_answered_count < way->whole_asked_count)
        code = doubt_whole(conductor, end, to_name, way, fault);
    return code;
}

static int judge_way(struct conductor *conductor, int end,
                     const struct way_partner *to,
                     const struct contact_way *way, struct proof *proofs,
                     struct fault *fault)
{
    int code = 0;

    if (!is_before_the_air(conductor, to))
        code = check_way(conductor, end, to->name, to->address, way, fault);
    if (!code)
        code = check_answers(conductor, end, to, way, proofs, fault);
    if (!code && !is_before_the_air(conductor, to))
        code = doubt_way(conductor, end, to->name, way, fault);
    return code;
}

/* Is there something that may be chance?  Where the system itself says why a
 * packet can't pass, it is not; nor is the silence of what has no agent. */
static bool may_be_chance(const struct conductor *conductor,
                          const struct way_partner *to,
                          const struct contact_way *way)
{
    if (way->echo_count == 0 || way->trouble[0])
        return false;
    if (way->answered_count == 0)
        return plan_has_agent(conductor->plan, to->end);
    return way->whole_asked_count && !way->whole_answered_count
           && !way->whole_trouble[0]
           && (!way->mtu_bytes
               || way->mtu_bytes >= conductor->plan->link.mtu_bytes);
}

/* What is lost by chance is asked for again, a few times. */
static int ask_way_surely(struct conductor *conductor, int end,
                          const struct way_partner *to, json_t **ret_body,
                          struct fault *fault)
{
    json_t *body = NULL;
    int code = ask_way(conductor, end, to, &body, fault);

    for (unsigned asked = 1; !code && asked < way_asked_most; asked++) {
        struct fault ignored = { 0 };
        struct contact_way way;
        json_t *again = NULL;

        if (contact_read_way(body, &way, &ignored) != 0
            || !may_be_chance(conductor, to, &way))
            break;
        code = ask_way(conductor, end, to, &again, fault);
        if (!code)
            contact_add_way(body, again);
        json_decref(again);
    }
    if (code)
        json_decref(body);
    else
        *ret_body = body;
    return code;
}

static int prove_way(struct conductor *conductor, int end,
                     const struct way_partner *to, struct proof *proofs,
                     struct fault *fault)
{
    struct proof *proof = &proofs[end];
    struct contact_way way;
    json_t *body = NULL;
    int code = ask_way_surely(conductor, end, to, &body, fault);

    if (code)
        return code;
    code = contact_read_way(body, &way, fault);
    (void) json_object_set_new(body, "to_name", json_string(to->name));
    (void) json_array_append_new(proof->ways, body);
    if (!code)
        code = judge_way(conductor, end, to, &way, proofs, fault);
    if (!code && !proof->has_way && !is_before_the_air(conductor, to)) {
        proof->way = way;
        proof->has_way = true;
    }
    return code;
}

/* What was found of this way, if it was asked for: several exchanges use one
 * pair. */
static const json_t *find_way(const json_t *ways, const char *to_name)
{
    const json_t *way;
    size_t i;

    json_array_foreach(ways, i, way)
    {
        const char *name = json_string_value(json_object_get(way, "to_name"));

        if (name && strcmp(name, to_name) == 0)
            return way;
    }
    return NULL;
}

/* An end, or the host that stands in its place in that exchange. */
static struct way_partner partner_at(const struct conductor *conductor,
                                     size_t exchange, int end, const char *host)
{
    return end >= 0 ? partner_of(conductor, end)
                    : (struct way_partner){ -1, host,
                                            conductor->site.hosts[exchange] };
}

static int prove_ways(struct conductor *conductor, struct proof *proofs,
                      struct fault *fault)
{
    const struct plan *plan = conductor->plan;
    int code = 0;

    for (size_t i = 0; i < plan->exchange_count && !code; i++) {
        const struct plan_exchange *planned = &plan->exchanges[i];
        const int ends[] = { planned->from_end, planned->to_end };
        const struct way_partner partners[] = {
            partner_at(conductor, i, planned->from_end, planned->from),
            partner_at(conductor, i, planned->to_end, planned->to),
        };

        for (size_t side = 0; side < 2 && !code; side++) {
            const int end = ends[side];
            const struct way_partner *other = &partners[1 - side];

            if (plan_has_agent(plan, end)
                && !find_way(proofs[end].ways, other->name))
                code = prove_way(conductor, end, other, proofs, fault);
        }
    }
    return code;
}

/* --- the ladder ----------------------------------------------------------- */

/* From our own end, which can be asked also when nothing crosses the air. */
static int climb(struct conductor *conductor, int landmark_end,
                 const json_t *known_ways, struct rung *ret_rung)
{
    const struct plan *plan = conductor->plan;
    const struct plan_end *end = &plan->ends[landmark_end];
    const json_t *known = find_way(known_ways, end->name);
    struct fault ignored = { 0 };
    struct contact_way way = { 0 };
    json_t *body = NULL;
    int code = 0;

    if (!known) {
        const struct way_partner to = partner_of(conductor, landmark_end);

        code = ask_way(conductor, plan->controller_end, &to, &body, &ignored);
    }
    if (!code)
        code = contact_read_way(known ? known : body, &way, &ignored);
    json_decref(body);
    *ret_rung = (struct rung){ .landmark = end->landmark,
                               .sent_count = way.echo_count,
                               .answered_count = way.answered_count };
    (void) snprintf(ret_rung->name, sizeof(ret_rung->name), "%s", end->name);
    return code;
}

/* asks_more: rungs of which nothing is known yet are pinged. */
static void show_ladder(struct conductor *conductor, const json_t *known_ways,
                        bool asks_more)
{
    const struct plan *plan = conductor->plan;
    struct rung rungs[PLAN_ENDS_MAX];
    struct fault ignored = { 0 };
    char text[400];
    size_t count = 0;

    for (size_t i = 0; i < plan->end_count; i++) {
        if (plan->ends[i].landmark == LANDMARK_NONE
            || (int) i == plan->controller_end
            || (!asks_more && !find_way(known_ways, plan->ends[i].name)))
            continue;
        const int code = climb(conductor, (int) i, known_ways, &rungs[count]);
        if (code == UV_ECANCELED)
            return;
        /* Without a route nothing is sent, and that is no answer either. */
        if (code)
            rungs[count].sent_count = 1;
        count++;
    }
    ladder_sort(rungs, count);
    if (ladder_tell(rungs, count, plan->ends[plan->controller_end].name, text,
                    sizeof(text)))
        (void) conductor_note(conductor, "ladder", &ignored, "%s", text);
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
    display_say(conductor->display, "contact", TONE_PLAIN, "%s %s%s%s%s",
                name_of(conductor, end), ends_address(conductor->ends, end),
                ends_is_own(conductor->ends, end) ? " (this computer)" : "", by,
                clock);
}

static void tell_agentless(struct conductor *conductor, int end)
{
    display_say(conductor->display, "contact", TONE_PLAIN,
                "%s %s (no agent: seen from one end only)",
                name_of(conductor, end), ends_address(conductor->ends, end));
}

static int store_proof(struct conductor *conductor, int end,
                       const struct proof *proof, struct fault *fault)
{
    char *self = json_dumps(proof->self_body, JSON_COMPACT);
    char *ways = json_dumps(proof->ways, JSON_COMPACT);
    const int code = logbook_store_end(
        conductor->wish->logbook, conductor->wish->run->run,
        name_of(conductor, end), self ? self : "{}", ways ? ways : "[]", fault);

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
        code = prove_ways(conductor, proofs, fault);
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
        show_ladder(conductor, proofs[conductor->plan->controller_end].ways,
                    code != 0);
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
        show_ladder(conductor, NULL, true);
    return code;
}
