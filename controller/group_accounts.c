/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/group.h"

#include "agent/wire/messages.h"
#include "controller/telling.h"

#include <stdlib.h>
#include <string.h>

/* Longest that a radio's queue is waited for after the own end is through. */
static const uint64_t drain_most_ns = 10 * NS_PER_S;
static const double drain_bytes = 20e3;
/* An end that is late is asked again after so long, and given up after that. */
static const uint64_t late_gap_ns = 3 * NS_PER_S;
static const uint64_t late_most_ns = 60 * NS_PER_S;
/* The own agent answers a long poll after so long at the most. */
#define OWN_POLL_MS 1000

/* --- the accounts --------------------------------------------------------- */

enum fetched {
    FETCHED,
    FETCH_LATER, /* it is not through yet */
};

static int take_account(struct group *group, size_t exchange, size_t number,
                        const json_t *body, struct fault *fault)
{
    const struct order_part *ordered =
        &group->exchanges[exchange].parts[number];
    struct exchange_account *account = calloc(1, sizeof(*account));
    struct fault reading = { 0 };

    if (!account)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    int code = account_decode(body, account, &reading);
    if (!code
        && (strcmp(account->id, ordered->order.id) != 0
            || strcmp(account->kind, ordered->order.kind) != 0))
        code = fault_set(&reading, UV_EPROTO,
                         "found the account of '%s', expected that of '%s'",
                         account->id, ordered->order.id);
    if (code) {
        account_clear(account);
        free(account);
        return fault_set(fault, code, "%s: %s",
                         group_end_name(group, ordered->end), reading.text);
    }
    group->parts[exchange][number].account = account;
    return 0;
}

/* An agent that is still at it says how much it has done so far. */
static void note_live(struct group *group, const struct exchange_order *order,
                      const json_t *body)
{
    const json_int_t done = json_integer_value(json_object_get(body, "done"));
    const uint64_t now_ns = uv_hrtime();

    if (now_ns > group->start_ns)
        telling_live(order, done > 0 ? (uint64_t) done : 0,
                     now_ns - group->start_ns, group->live,
                     sizeof(group->live));
}

static int fetch(struct group *group, size_t exchange, size_t number,
                 uint64_t wait_ms, enum fetched *ret_fetched,
                 struct fault *fault)
{
    struct conductor *conductor = group->conductor;
    const struct order_part *ordered =
        &group->exchanges[exchange].parts[number];
    struct ends_answer answer = { 0 };
    char target[96];

    (void) snprintf(target, sizeof(target), "/exchanges/%s?wait_ms=%llu",
                    ordered->order.id, (unsigned long long) wait_ms);
    if (wait_ms == 0)
        *strchr(target, '?') = '\0';
    const struct ends_question question = {
        .method = "GET",
        .target = target,
        .timeout_ms = conductor_timeout_ms(conductor, 200000) + wait_ms,
        /* The far end is asked again by await_far_part(), in its own time. */
        .tries_count = wait_ms ? 0 : 1,
    };
    int code =
        ends_ask(conductor->ends, ordered->end, &question, &answer, fault);
    if (code)
        return code;
    *ret_fetched = FETCH_LATER;
    if (answer.status == 200) {
        *ret_fetched = FETCHED;
        code = take_account(group, exchange, number, answer.body, fault);
    } else if (answer.status >= 400) {
        code = fault_set(fault, UV_EPROTO, "%s", answer.text);
    } else {
        note_live(group, &ordered->order, answer.body);
    }
    ends_answer_clear(&answer);
    return code;
}

/* The part that the agent of this computer plays, if any. */
static bool find_own_part(const struct group *group, size_t *ret_exchange,
                          size_t *ret_number)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        for (size_t k = 0; k < group->exchanges[i].part_count; k++) {
            if (!ends_is_own(group->conductor->ends,
                             group->exchanges[i].parts[k].end)
                || group->parts[i][k].account)
                continue;
            *ret_exchange = i;
            *ret_number = k;
            return true;
        }
    }
    return false;
}

/* --- the silence ---------------------------------------------------------- */

/* Time in which the radios' queues run empty on the present step. */
static uint64_t drain_ns(const struct group *group)
{
    const double bps = group->conductor->site.expected_bps[group->place->step];
    const double ns = bps > 0 ? drain_bytes * BITS_PER_BYTE / bps * 1e9 : 2e9;

    return ns < (double) drain_most_ns ? (uint64_t) ns : drain_most_ns;
}

static bool own_end_sends(const struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        const struct plan_exchange *planned = group->exchanges[i].planned;

        if (ends_is_own(group->conductor->ends, planned->from_end)
            || (planned->kind->uses_between
                && ends_is_own(group->conductor->ends, planned->to_end)))
            return true;
    }
    return false;
}

/* Own accounts by long polls over loopback, while the far ends are left in
 * peace. */
static int await_own_parts(struct group *group, struct fault *fault)
{
    const uint64_t give_up_ns = group->latest_end_ns + late_most_ns;
    size_t exchange, number;

    while (find_own_part(group, &exchange, &number)) {
        enum fetched fetched = FETCH_LATER;

        group_show_time_left(group);
        const int code =
            fetch(group, exchange, number, OWN_POLL_MS, &fetched, fault);
        if (code)
            return code;
        if (fetched == FETCH_LATER && uv_hrtime() > give_up_ns)
            return fault_set(
                fault, UV_ETIMEDOUT, "%s: the exchange '%s' does not end",
                group_end_name(group, group->conductor->plan->controller_end),
                group->exchanges[exchange].parts[number].order.id);
    }
    return 0;
}

/* Until when exchanges may go on in which our own end has no part: nothing here
 * tells when they are over. */
static uint64_t foreign_end_ns(const struct group *group)
{
    uint64_t latest_ns = 0;

    for (size_t i = 0; i < group->exchange_count; i++) {
        const struct ordered_exchange *ordered = &group->exchanges[i];
        bool is_own = false;

        for (size_t k = 0; k < ordered->part_count; k++)
            is_own |=
                ends_is_own(group->conductor->ends, ordered->parts[k].end);
        if (!is_own && group->start_ns + ordered->planned_ns > latest_ns)
            latest_ns = group->start_ns + ordered->planned_ns;
    }
    return latest_ns;
}

int group_keep_silent(struct group *group, struct fault *fault)
{
    struct conductor *conductor = group->conductor;
    size_t exchange, number;
    uint64_t round_trip_ns;
    uint64_t until_ns = group->planned_end_ns;

    (void) group_far_orders(group, &round_trip_ns);
    if (find_own_part(group, &exchange, &number)) {
        const int code = await_own_parts(group, fault);

        if (code)
            return code;
        /* Our end is through.  What it sent may still be in the radios' queues;
         * what it was sent has come. */
        const uint64_t now_ns = uv_hrtime();
        const uint64_t drained_ns =
            now_ns + (own_end_sends(group) ? drain_ns(group) : 0);
        if (drained_ns < until_ns || now_ns > until_ns)
            until_ns = drained_ns;
        if (until_ns < foreign_end_ns(group))
            until_ns = foreign_end_ns(group);
    }
    until_ns += group_lead_ns(round_trip_ns) / GROUP_LEAD_ROUND_TRIPS;
    return conductor_pause(conductor, until_ns, group_show_time_left, group);
}

/* --- after it ------------------------------------------------------------- */

/* A failure that will not be another one when asked again. */
static bool is_final(int code)
{
    return code == UV_ECANCELED || code == UV_EPROTO || code == UV_EINVAL
           || code == UV_ENOMEM;
}

/* It is still at it, or not reached just now: each question costs air, so the
 * gaps follow the time that has passed. */
static int pause_before_next(struct group *group)
{
    const uint64_t now_ns = uv_hrtime();
    const uint64_t passed_ns = now_ns - group->start_ns;
    const uint64_t gap_ns =
        passed_ns / 8 > late_gap_ns ? passed_ns / 8 : late_gap_ns;

    return conductor_pause(group->conductor, now_ns + gap_ns,
                           group_show_time_left, group);
}

/* A link that is out for a moment is waited for: the account lies safe in the
 * far spool. */
static int await_far_part(struct group *group, size_t exchange, size_t number,
                          struct fault *fault)
{
    const struct order_part *ordered =
        &group->exchanges[exchange].parts[number];
    const uint64_t now_ns = uv_hrtime();
    const uint64_t give_up_ns =
        (now_ns > group->latest_end_ns ? now_ns : group->latest_end_ns)
        + late_most_ns;
    bool is_told = false;

    for (;;) {
        enum fetched fetched = FETCH_LATER;
        struct fault trouble = { 0 };

        group_show_live(group, "fetching the accounts");
        int code = fetch(group, exchange, number, 0, &fetched, &trouble);
        if (fetched == FETCHED && !code)
            return 0;
        if (!code && uv_hrtime() > give_up_ns)
            code = fault_set(
                &trouble, UV_EPROTO, "%s: the exchange '%s' does not end",
                group_end_name(group, ordered->end), ordered->order.id);
        if (is_final(code) || uv_hrtime() > give_up_ns)
            return fault_set(fault, code, "%s", trouble.text);
        if (code && !is_told)
            display_say(group->conductor->display, "waiting", TONE_DOUBT,
                        "%s (asked again for about a minute)", trouble.text);
        is_told = is_told || code;
        code = pause_before_next(group);
        if (code)
            return fault_set(fault, code, "ended by the operator");
    }
}

/* Fetch what there is: an end that is not reached does not keep us from the
 * others.  The first trouble is the one that is returned. */
int group_fetch_accounts(struct group *group, struct fault *fault)
{
    int first_code = 0;

    for (size_t i = 0; i < group->exchange_count; i++) {
        for (size_t k = 0; k < group->exchanges[i].part_count; k++) {
            struct part *part = &group->parts[i][k];
            struct fault trouble = { 0 };

            const int end = group->exchanges[i].parts[k].end;
            if (!part->is_told || part->account || group->is_lost[end])
                continue;
            const int code = await_far_part(group, i, k, &trouble);
            if (code == UV_ECANCELED)
                return code;
            if (!code)
                continue;
            group->is_lost[end] = !is_final(code);
            group_note(group, "control", "%s", trouble.text);
            (void) fault_set(fault, code, "%s", trouble.text);
            first_code = first_code ? first_code : code;
        }
    }
    return first_code;
}

/* End what is told and not through, without asking for patience: the own end
 * first, for it answers at once. */
void group_cancel_part(struct group *group, size_t exchange, size_t number)
{
    const struct order_part *ordered =
        &group->exchanges[exchange].parts[number];
    struct fault ignored = { 0 };
    struct ends_answer answer = { 0 };
    enum fetched fetched;
    char target[64];

    if (group->is_lost[ordered->end])
        return;
    (void) snprintf(target, sizeof(target), "/exchanges/%s", ordered->order.id);
    const struct ends_question question = {
        .method = "DELETE",
        .target = target,
        .timeout_ms = conductor_timeout_ms(group->conductor, 500),
        .tries_count = 1,
    };
    const int code = ends_ask(group->conductor->ends, ordered->end, &question,
                              &answer, &ignored);
    group->is_lost[ordered->end] = code != 0;
    if (!code && answer.status < 400)
        (void) fetch(group, exchange, number, OWN_POLL_MS, &fetched, &ignored);
    ends_answer_clear(&answer);
    if (ignored.code)
        group_note(group, "control", "%s", ignored.text);
}

void group_cancel_all(struct group *group)
{
    for (size_t turn = 0; turn < 2; turn++) {
        for (size_t i = 0; i < group->exchange_count; i++) {
            for (size_t k = 0; k < group->exchanges[i].part_count; k++) {
                const bool is_own = ends_is_own(
                    group->conductor->ends, group->exchanges[i].parts[k].end);

                if (is_own == (turn == 0) && group->parts[i][k].is_told
                    && !group->parts[i][k].account)
                    group_cancel_part(group, i, k);
            }
        }
    }
}
