/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/contact_inside.h"
#include "controller/quantity.h"

#include <inttypes.h>
#include <reports/capacity.h>
#include <string.h>

/* An agent's answer about the way takes so long at the most (it waits for
 * echoes), beside the time that the question and the answer take. */
static const uint64_t way_longest_ms = 10000;
/* So often an end is asked about one way, where echoes were lost. */
static const unsigned way_asked_most = 3;

struct way_partner contact_partner(const struct conductor *conductor, int end)
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

int contact_ask_way(struct conductor *conductor, int end,
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

/* Does the partner hear back from this end, though this one does not?  What it
 * sends and the answer have crossed the link both ways then. */
static bool is_heard_by(struct conductor *conductor, int end,
                        const struct way_partner *by, struct proof *proofs)
{
    const struct way_partner self = contact_partner(conductor, end);
    struct fault ignored = { 0 };
    struct contact_way way;

    if (!plan_has_agent(conductor->plan, by->end))
        return false;
    if (!contact_find_way(proofs[by->end].ways, self.name)
        && prove_way(conductor, by->end, &self, proofs, &ignored) != 0)
        return false;
    return contact_read_way(contact_find_way(proofs[by->end].ways, self.name),
                            &way, &ignored)
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
                              contact_name(conductor, end), to->name, to->name);
    if (to->end >= 0 && !plan_has_agent(conductor->plan, to->end))
        return conductor_note(conductor, "contact", fault,
                              "%s had no answer from %s (%s) to %zu echoes",
                              contact_name(conductor, end), to->name,
                              to->address, way->echo_count);
    return fault_set(fault, UV_EHOSTUNREACH,
                     "%s: no answer from %s (%s) to %zu echoes by "
                     "interface '%s'%s%s: is the other end up, on the same "
                     "step, and does it answer pings?",
                     contact_name(conductor, end), to->name, to->address,
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
    const struct range overhead_ns = conductor->plan->link.slot_overhead_ns;
    double least_ns = least_rtt_ns(conductor->plan);
    char found[32], expected[32];

    if (way->is_own)
        return conductor_note(conductor, "interface", fault,
                              "the way from %s to %s does not leave the "
                              "computer: no radio is in it",
                              contact_name(conductor, end), to_name);
    /* What else is under way an echo may join, without an overhead of its own.
     */
    if (range_is_said(overhead_ns))
        least_ns = fmax(0, least_ns - 2 * overhead_ns.high);
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
                          contact_name(conductor, end), to_name, found,
                          expected);
}

/* Long ones were not answered, or not each time: what is lost now and then says
 * nothing of the MTU. */
static int doubt_whole(struct conductor *conductor, int end,
                       const char *to_name, const struct contact_way *way,
                       struct fault *fault)
{
    const unsigned long long mtu_bytes = conductor->plan->link.mtu_bytes;
    const char *name = contact_name(conductor, end);

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
        code = conductor_note(
            conductor, "contact", fault, "%s sent no echo to %s: %s",
            contact_name(conductor, end), to_name, way->trouble);
    if (!code && way->mtu_bytes && way->mtu_bytes < mtu_bytes)
        code = conductor_note(conductor, "mtu", fault,
                              "%s: the way to %s has an MTU of %llu B, the "
                              "plan says %llu B (link.mtu)",
                              contact_name(conductor, end), to_name,
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
    int code = contact_ask_way(conductor, end, to, &body, fault);

    for (unsigned asked = 1; !code && asked < way_asked_most; asked++) {
        struct fault ignored = { 0 };
        struct contact_way way;
        json_t *again = NULL;

        if (contact_read_way(body, &way, &ignored) != 0
            || !may_be_chance(conductor, to, &way))
            break;
        code = contact_ask_way(conductor, end, to, &again, fault);
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
const json_t *contact_find_way(const json_t *ways, const char *to_name)
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
    return end >= 0 ? contact_partner(conductor, end)
                    : (struct way_partner){ -1, host,
                                            conductor->site.hosts[exchange] };
}

int contact_prove_ways(struct conductor *conductor, struct proof *proofs,
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
                && !contact_find_way(proofs[end].ways, other->name))
                code = prove_way(conductor, end, other, proofs, fault);
        }
    }
    return code;
}
