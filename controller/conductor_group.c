/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/conductor_state.h"

#include "agent/wire/messages.h"
#include "controller/operator.h"
#include "controller/telling.h"

#include <reports/capacity.h>
#include <stdlib.h>
#include <string.h>

/*
 * One group of exchanges:
 *
 *   tell the ends -> silence -> fetch the accounts -> logbook
 *
 * Between the last answer to an order and the end of the exchanges the
 * controller puts nothing on the link.  It speaks to the agent of its own
 * computer only, and only if that takes part.
 */

/* A start lies so many control round trips after the last answer, and at least
 * a second. */
static const uint64_t lead_round_trips = 3;
static const uint64_t least_lead_ns = NS_PER_S;
/* Orders are repeated with a later start when an answer came too late. */
static const unsigned starts_most = 6;
/* What an exchange may need after its longest time, to end by itself. */
static const uint64_t stop_margin_ns = 3 * NS_PER_S;
/* Longest that a radio's queue is waited for after the own end is through. */
static const uint64_t drain_most_ns = 10 * NS_PER_S;
static const double drain_bytes = 20e3;
/* An end that is late is asked again after so long, and given up after that. */
static const uint64_t late_gap_ns = 3 * NS_PER_S;
static const uint64_t late_most_ns = 60 * NS_PER_S;
/* The own agent answers a long poll after so long at the most. */
#define OWN_POLL_MS 1000

#define NOTES_MAX     32
#define HTTP_CONFLICT 409

/* One end's part in one exchange. */
struct part {
    bool is_told;
    struct ends_clock clock; /* at the order that counted */
    struct exchange_account *account;
};

struct group {
    struct conductor *conductor;
    const struct order_place *place;
    struct ordered_exchange *exchanges;
    struct part (*parts)[2]; /* as the exchanges' parts */
    size_t exchange_count;
    uint64_t started_unix_ns;
    uint64_t sent_bytes, received_bytes; /* control traffic before it */
    uint64_t start_ns;                   /* our monotonic clock, as all below */
    uint64_t planned_end_ns, latest_end_ns;
    char live[80];   /* figure of the own part that is under way, or "" */
    bool is_refused; /* an end can't carry its order out */
    bool is_cut;     /* ended by the operator */
    bool is_lost[PLAN_ENDS_MAX]; /* ends that did not answer: asked once */
    struct logbook_note notes[NOTES_MAX];
    size_t note_count;
    struct rows typed[PLAN_ENDS_MAX]; /* readings, of struct radio_reading */
};

static int tell_ends(struct group *group, struct fault *fault);
static int keep_silent(struct group *group, struct fault *fault);
static int fetch_accounts(struct group *group, struct fault *fault);
static void cancel_all(struct group *group);
static int store(struct group *group, struct fault *fault);
static void show(struct group *group);

/* --- small things --------------------------------------------------------- */

static void note(struct group *group, const char *class, const char *format,
                 ...) __attribute__((format(printf, 3, 4)));

static void note(struct group *group, const char *class, const char *format,
                 ...)
{
    va_list arguments;

    if (group->note_count == NOTES_MAX)
        return;
    struct logbook_note *made = &group->notes[group->note_count++];
    made->at_unix_ns = conductor_unix_ns();
    (void) snprintf(made->class, sizeof(made->class), "%s", class);
    va_start(arguments, format);
    (void) vsnprintf(made->text, sizeof(made->text), format, arguments);
    va_end(arguments);
}

static const char *end_name(const struct group *group, int end)
{
    return group->conductor->plan->ends[end].name;
}

static struct display_row row_of(const struct group *group, size_t exchange,
                                 char *who, size_t size)
{
    const struct plan *plan = group->conductor->plan;
    const struct plan_exchange *planned = group->exchanges[exchange].planned;

    plan_exchange_way(planned, who, size);
    return (struct display_row){ .step = plan->steps[group->place->step].name,
                                 .kind = planned->kind->name,
                                 .who = who };
}

static void show_live(struct group *group, const char *text)
{
    char who[2 * ADDRESS_SIZE + 8];
    struct display_row row = row_of(group, 0, who, sizeof(who));

    if (group->exchange_count > 1) {
        row.kind = "together";
        (void) snprintf(who, sizeof(who), "%zu exchanges",
                        group->exchange_count);
    }
    display_live(group->conductor->display, &row, text);
}

static void show_time_left(void *owner)
{
    struct group *group = owner;
    const uint64_t now_ns = uv_hrtime();
    char left[32], text[192];

    if (now_ns < group->start_ns) {
        display_time(group->start_ns - now_ns, left, sizeof(left));
        (void) snprintf(text, sizeof(text), "starts in %s", left);
    } else if (now_ns < group->planned_end_ns) {
        display_time(group->planned_end_ns - now_ns, left, sizeof(left));
        (void) snprintf(text, sizeof(text), "%s%sabout %s left", group->live,
                        group->live[0] ? ", " : "", left);
    } else {
        display_time(
            group->latest_end_ns > now_ns ? group->latest_end_ns - now_ns : 0,
            left, sizeof(left));
        (void) snprintf(text, sizeof(text),
                        "should be through, at most %s more", left);
    }
    show_live(group, text);
}

/* --- readings that the operator types ------------------------------------- */

static bool takes_part(const struct group *group, size_t exchange, int end)
{
    const struct plan_exchange *planned = group->exchanges[exchange].planned;

    return planned->from_end == end || planned->to_end == end;
}

/* Of each site of the group whose radio no agent reads. */
static void ask_readings(struct group *group, enum reading_moment moment)
{
    struct conductor *conductor = group->conductor;
    const struct plan *plan = conductor->plan;

    for (size_t end = 0;
         conductor->wish->manner.asks_readings && end < plan->end_count;
         end++) {
        bool is_asked = false;

        for (size_t i = 0; i < group->exchange_count; i++)
            is_asked = is_asked || takes_part(group, i, (int) end);
        if (is_asked && plan_end_is_site(&plan->ends[end])
            && !conductor->reads_radio[end])
            operator_ask_readings(conductor, (int) end, moment,
                                  &group->typed[end]);
    }
}

/* With the group's first exchange in which the end takes part. */
static void fill_typed(const struct group *group, size_t exchange,
                       struct logbook_exchange *row)
{
    for (size_t end = 0; end < PLAN_ENDS_MAX; end++) {
        size_t first = 0;

        if (!group->typed[end].count)
            continue;
        while (first < exchange && !takes_part(group, first, (int) end))
            first++;
        if (first != exchange || !takes_part(group, exchange, (int) end)
            || row->typed_count == COUNT_OF(row->typed))
            continue;
        row->typed[row->typed_count++] = (struct logbook_typed){
            .end = end_name(group, (int) end),
            .readings = &group->typed[end],
        };
    }
}

/* --- the orders ----------------------------------------------------------- */

static int put_order(struct group *group, size_t exchange, size_t number,
                     uint64_t *ret_taken_ns, struct fault *fault)
{
    struct conductor *conductor = group->conductor;
    struct part *part = &group->parts[exchange][number];
    struct order_part *ordered = &group->exchanges[exchange].parts[number];
    struct exchange_order *order = &ordered->order;
    struct ends_answer answer = { 0 };
    json_t *body = NULL;
    char target[64];

    if (ends_clock(conductor->ends, ordered->end, &part->clock))
        return fault_set(fault, UV_EAGAIN, "%s has not told its clock yet",
                         end_name(group, ordered->end));
    order->start_ns =
        (uint64_t) ((int64_t) group->start_ns - part->clock.offset_ns);
    order->stop_ns = order->start_ns + group->exchanges[exchange].longest_ns
                     + stop_margin_ns;
    int code = order_encode(order, &body, fault);
    if (code)
        return code;
    (void) snprintf(target, sizeof(target), "/exchanges/%s", order->id);
    const struct ends_question question = {
        .method = "PUT",
        .target = target,
        .body = body,
        .timeout_ms = conductor_timeout_ms(conductor, 1000),
    };
    code = ends_ask(conductor->ends, ordered->end, &question, &answer, fault);
    json_decref(body);
    if (code)
        return code;
    *ret_taken_ns = answer.taken_ns;
    if (answer.status == HTTP_CONFLICT) {
        /* Another run is at that end: all further groups would hear the same.*/
        code = fault_set(fault, UV_EADDRINUSE, "%s", answer.text);
    } else if (answer.status >= 400) {
        group->is_refused = true;
        note(group, "refused", "%s", answer.text);
        display_say(conductor->display, "refused", TONE_BAD, "%s", answer.text);
    } else {
        part->is_told = true;
    }
    ends_answer_clear(&answer);
    return code;
}

/* The agents read their radios when they are told, and must be through. */
static uint64_t readings_lead_ns(const struct group *group)
{
    const uint64_t took_ns = group->conductor->readings_ns;

    return took_ns ? took_ns + took_ns / 2 + 100 * NS_PER_MS : 0;
}

static uint64_t lead_after(uint64_t round_trip_ns)
{
    const uint64_t lead_ns = lead_round_trips * round_trip_ns;

    return lead_ns > least_lead_ns ? lead_ns : least_lead_ns;
}

/* Would so many more orders be taken too late for the start? */
static bool is_late(const struct group *group, size_t left_count,
                    uint64_t taken_ns)
{
    return uv_hrtime() + left_count * taken_ns + lead_after(taken_ns)
               + readings_lead_ns(group)
           > group->start_ns;
}

/* All receiving parts come before all sending ones.  Ends early when the start
 * can't be kept: those that were told must be told another one before it. */
static int put_orders(struct group *group, size_t far_count,
                      uint64_t *ret_longest_ns, bool *ret_in_time,
                      struct fault *fault)
{
    *ret_longest_ns = 0;
    *ret_in_time = false;
    for (size_t turn = 0; turn < 2; turn++) {
        for (size_t i = 0; i < group->exchange_count; i++) {
            const struct ordered_exchange *exchange = &group->exchanges[i];
            const size_t number = exchange->part_count - 2 + turn;
            uint64_t taken_ns = 0;

            if (number >= exchange->part_count) /* of one part: no receiver */
                continue;
            const int code = put_order(group, i, number, &taken_ns, fault);
            if (code || group->is_refused)
                return code;
            if (ends_is_own(group->conductor->ends,
                            exchange->parts[number].end))
                continue;
            if (taken_ns > *ret_longest_ns)
                *ret_longest_ns = taken_ns;
            if (is_late(group, --far_count, *ret_longest_ns))
                return 0;
        }
    }
    *ret_in_time = !is_late(group, 0, *ret_longest_ns);
    return 0;
}

static void set_start(struct group *group, uint64_t start_ns)
{
    uint64_t planned_ns = 0, longest_ns = 0;

    for (size_t i = 0; i < group->exchange_count; i++) {
        if (group->exchanges[i].planned_ns > planned_ns)
            planned_ns = group->exchanges[i].planned_ns;
        if (group->exchanges[i].longest_ns > longest_ns)
            longest_ns = group->exchanges[i].longest_ns;
    }
    group->start_ns = start_ns;
    group->planned_end_ns = start_ns + planned_ns;
    group->latest_end_ns = start_ns + longest_ns + stop_margin_ns;
}

/* Orders that go over the link, and the round trip that the slowest of their
 * ends had last. */
static size_t far_orders(const struct group *group, uint64_t *ret_round_trip_ns)
{
    size_t count = 0;

    *ret_round_trip_ns = 0;
    for (size_t i = 0; i < group->exchange_count; i++) {
        for (size_t k = 0; k < group->exchanges[i].part_count; k++) {
            const int end = group->exchanges[i].parts[k].end;
            struct ends_clock clock;

            if (ends_is_own(group->conductor->ends, end))
                continue;
            count++;
            if (ends_clock(group->conductor->ends, end, &clock) == 0
                && clock.latest_round_trip_ns > *ret_round_trip_ns)
                *ret_round_trip_ns = clock.latest_round_trip_ns;
        }
    }
    return count;
}

static int tell_ends(struct group *group, struct fault *fault)
{
    uint64_t round_trip_ns;
    const size_t far_count = far_orders(group, &round_trip_ns);

    for (unsigned tries = 1; tries <= starts_most; tries++) {
        uint64_t longest_ns;

        set_start(group,
                  uv_hrtime() + lead_after(round_trip_ns)
                      + readings_lead_ns(group)
                      + tries * (far_count * round_trip_ns + 100 * NS_PER_MS));
        show_live(group, "telling the ends");
        bool in_time;
        const int code =
            put_orders(group, far_count, &longest_ns, &in_time, fault);
        if (code || group->is_refused || in_time)
            return code;
        if (longest_ns > round_trip_ns)
            round_trip_ns = longest_ns;
    }
    return fault_set(fault, UV_ETIMEDOUT,
                     "no common start in %u tries: the answers to the orders "
                     "take longer each time (last %llu ms); is other traffic "
                     "on the link?",
                     starts_most,
                     (unsigned long long) (round_trip_ns / NS_PER_MS));
}

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
        return fault_set(fault, code, "%s: %s", end_name(group, ordered->end),
                         reading.text);
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

        show_time_left(group);
        const int code =
            fetch(group, exchange, number, OWN_POLL_MS, &fetched, fault);
        if (code)
            return code;
        if (fetched == FETCH_LATER && uv_hrtime() > give_up_ns)
            return fault_set(
                fault, UV_ETIMEDOUT, "%s: the exchange '%s' does not end",
                end_name(group, group->conductor->plan->controller_end),
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

static int keep_silent(struct group *group, struct fault *fault)
{
    struct conductor *conductor = group->conductor;
    size_t exchange, number;
    uint64_t round_trip_ns;
    uint64_t until_ns = group->planned_end_ns;

    (void) far_orders(group, &round_trip_ns);
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
    until_ns += lead_after(round_trip_ns) / lead_round_trips;
    return conductor_pause(conductor, until_ns, show_time_left, group);
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

    return conductor_pause(group->conductor, now_ns + gap_ns, show_time_left,
                           group);
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

        show_live(group, "fetching the accounts");
        int code = fetch(group, exchange, number, 0, &fetched, &trouble);
        if (fetched == FETCHED && !code)
            return 0;
        if (!code && uv_hrtime() > give_up_ns)
            code = fault_set(&trouble, UV_EPROTO,
                             "%s: the exchange '%s' does not end",
                             end_name(group, ordered->end), ordered->order.id);
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
static int fetch_accounts(struct group *group, struct fault *fault)
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
            note(group, "control", "%s", trouble.text);
            (void) fault_set(fault, code, "%s", trouble.text);
            first_code = first_code ? first_code : code;
        }
    }
    return first_code;
}

/* End what is told and not through, without asking for patience: the own end
 * first, for it answers at once. */
static void cancel_part(struct group *group, size_t exchange, size_t number)
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
        note(group, "control", "%s", ignored.text);
}

static void cancel_all(struct group *group)
{
    for (size_t turn = 0; turn < 2; turn++) {
        for (size_t i = 0; i < group->exchange_count; i++) {
            for (size_t k = 0; k < group->exchanges[i].part_count; k++) {
                const bool is_own = ends_is_own(
                    group->conductor->ends, group->exchanges[i].parts[k].end);

                if (is_own == (turn == 0) && group->parts[i][k].is_told
                    && !group->parts[i][k].account)
                    cancel_part(group, i, k);
            }
        }
    }
}

/* --- the logbook ---------------------------------------------------------- */

static void fill_exchange(const struct group *group, size_t exchange,
                          struct logbook_exchange *ret_row)
{
    const struct ordered_exchange *ordered = &group->exchanges[exchange];
    const struct exchange_order *order = &ordered->parts[0].order;

    *ret_row = (struct logbook_exchange){
        .id = order->id,
        .from = ordered->planned->from,
        .to = ordered->planned->to,
        .condition = ordered->condition,
        .kind = ordered->planned->kind,
        .spec = ordered->planned->spec.bytes,
        .seed = order->seed,
        .plan_index = ordered->plan_index,
    };
    for (size_t k = 0; k < ordered->part_count; k++) {
        const struct part *part = &group->parts[exchange][k];

        if (!part->account)
            continue;
        ret_row->accounts[ret_row->account_count++] = (struct logbook_account){
            .end = end_name(group, ordered->parts[k].end),
            .start_ns = ordered->parts[k].order.start_ns,
            .start_uncertainty_ns = part->clock.uncertainty_ns,
            .offset_ns = part->clock.offset_ns,
            .account = part->account,
        };
    }
    fill_typed(group, exchange, ret_row);
}

/* The agents may drop what is committed. */
static void acknowledge(struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        for (size_t k = 0; k < group->exchanges[i].part_count; k++) {
            const struct order_part *ordered = &group->exchanges[i].parts[k];

            if (group->parts[i][k].account)
                ends_acknowledge(group->conductor->ends, ordered->end,
                                 ordered->order.id);
        }
    }
}

static int store(struct group *group, struct fault *fault)
{
    struct conductor *conductor = group->conductor;
    struct logbook_exchange *rows =
        calloc(group->exchange_count + 1, sizeof(*rows));
    uint64_t sent_bytes, received_bytes;

    if (!rows)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    for (size_t i = 0; i < group->exchange_count; i++)
        fill_exchange(group, i, &rows[i]);
    ends_traffic(conductor->ends, &sent_bytes, &received_bytes);
    const struct logbook_group row = {
        .position = group->place->position,
        .is_cut = group->is_cut,
        .round =
            group->place->position
                / (conductor->plan->group_count * conductor->plan->step_count)
            + 1,
        .place = group->place->group,
        .step = conductor->plan->steps[group->place->step].name,
        .started_unix_ns = group->started_unix_ns,
        .ended_unix_ns = conductor_unix_ns(),
        .control_sent_bytes = sent_bytes - group->sent_bytes,
        .control_received_bytes = received_bytes - group->received_bytes,
        .exchanges = rows,
        .exchange_count = group->exchange_count,
        .notes = group->notes,
        .note_count = group->note_count,
    };
    const int code = logbook_store_group(
        conductor->wish->logbook, conductor->wish->run->run, &row, fault);
    free(rows);
    if (code)
        return code;
    conductor->has_groups = true;
    acknowledge(group);
    return 0;
}

static void show(struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        const struct exchange_account *accounts[2] = {
            group->parts[i][0].account, group->parts[i][1].account
        };
        char who[2 * ADDRESS_SIZE + 8], text[512];
        const struct display_row row = row_of(group, i, who, sizeof(who));
        const enum display_tone tone =
            telling_of(&group->exchanges[i], accounts, text, sizeof(text));

        display_done(group->conductor->display, &row, tone, text);
    }
}

/* --- the flow ------------------------------------------------------------- */

static bool has_accounts(const struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        if (group->parts[i][0].account || group->parts[i][1].account)
            return true;
    }
    return false;
}

/* Who refused has said why; the rest of the run may still be worth its air. */
static int give_up_refused(struct group *group, struct fault *fault)
{
    cancel_all(group);
    group->conductor->has_troubles = true;
    return store(group, fault);
}

static int carry_out(struct group *group, struct fault *fault)
{
    ask_readings(group, READING_BEFORE);
    int code = tell_ends(group, fault);

    if (!code && group->is_refused)
        return give_up_refused(group, fault);
    const bool all_are_told = code == 0;
    if (!code)
        code = keep_silent(group, fault);
    if (!code)
        code = fetch_accounts(group, fault);
    if (code) {
        ends_finish_up(group->conductor->ends);
        display_clear_live(group->conductor->display);
        if (code == UV_ECANCELED)
            display_say(group->conductor->display, "ending", TONE_DOUBT,
                        "ending what runs, keeping what was measured; Ctrl-C "
                        "again leaves at once");
        group->is_cut = code == UV_ECANCELED;
        cancel_all(group);
    }
    if (!code)
        ask_readings(group, READING_AFTER);
    /* Whoever was told alone has measured nothing. */
    if (!code || (all_are_told && has_accounts(group))) {
        struct fault storing = { 0 };
        const int stored = store(group, &storing);

        if (stored) {
            group->conductor->is_resumable = true;
            *fault = storing;
            return stored;
        }
        show(group);
    }
    return code;
}

static void clear(struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        for (size_t k = 0; k < 2; k++) {
            if (!group->parts[i][k].account)
                continue;
            account_clear(group->parts[i][k].account);
            free(group->parts[i][k].account);
        }
    }
    for (size_t i = 0; i < PLAN_ENDS_MAX; i++)
        rows_clear(&group->typed[i]);
    free(group->exchanges);
    free(group->parts);
}

static int open_group(struct conductor *conductor,
                      const struct order_place *place, struct group *ret_group,
                      struct fault *fault)
{
    *ret_group = (struct group){
        .conductor = conductor,
        .place = place,
        .exchanges = calloc(PLAN_GROUP_MAX, sizeof(struct ordered_exchange)),
        .parts = calloc(PLAN_GROUP_MAX, sizeof(struct part[2])),
        .started_unix_ns = conductor_unix_ns(),
    };
    for (size_t i = 0; i < PLAN_ENDS_MAX; i++)
        ret_group->typed[i].row_size = sizeof(struct radio_reading);
    ends_traffic(conductor->ends, &ret_group->sent_bytes,
                 &ret_group->received_bytes);
    if (!ret_group->exchanges || !ret_group->parts)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    return orders_make(&conductor->site, place, ret_group->exchanges,
                       &ret_group->exchange_count, fault);
}

int conductor_group(struct conductor *conductor,
                    const struct order_place *place, struct fault *fault)
{
    struct group group;
    int code = open_group(conductor, place, &group, fault);

    if (!code)
        code = carry_out(&group, fault);
    clear(&group);
    return code;
}

/* --- what was cut off ------------------------------------------------------
 */

/* The order as it was told is gone with the controller that told it; its start
 * is read from the account. */
static void recover_starts(struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        for (size_t k = 0; k < group->exchanges[i].part_count; k++) {
            struct part *part = &group->parts[i][k];
            struct order_part *ordered = &group->exchanges[i].parts[k];

            if (!part->account)
                continue;
            ordered->order.start_ns = part->account->begun_ns;
            (void) ends_clock(group->conductor->ends, ordered->end,
                              &part->clock);
        }
    }
}

static bool is_whole(const struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        for (size_t k = 0; k < group->exchanges[i].part_count; k++) {
            const struct part *part = &group->parts[i][k];

            if (!part->account || part->account->state != ACCOUNT_DONE)
                return false;
        }
    }
    return true;
}

int conductor_salvage_group(struct conductor *conductor,
                            const struct order_place *place, bool *ret_is_whole,
                            struct fault *fault)
{
    struct group group;
    int code = open_group(conductor, place, &group, fault);

    *ret_is_whole = false;
    for (size_t i = 0; i < group.exchange_count && !code; i++) {
        for (size_t k = 0; k < group.exchanges[i].part_count; k++)
            cancel_part(&group, i, k);
    }
    /* Ends that know nothing of it are no news. */
    group.note_count = 0;
    if (!code && has_accounts(&group)) {
        recover_starts(&group);
        *ret_is_whole = is_whole(&group);
        group.is_cut = !*ret_is_whole;
        note(&group, "control",
             "fetched by a later controller, for the one that ordered it was "
             "cut off");
        code = store(&group, fault);
        if (!code)
            show(&group);
    }
    clear(&group);
    return code;
}
