/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/roster.h"

#include "agent/awake.h"
#include "agent/log.h"
#include "agent/memory.h"
#include "agent/readings.h"
#include "agent/wire/messages.h"

#include <assert.h>
#include <bothends/kinds.h>
#include <inttypes.h>
#include <jansson.h>

#define LONGEST_EXCHANGE_NS (UINT64_C(48) * 60 * NS_PER_MIN)

struct seat {
    struct seat *next;
    struct roster *roster;
    struct exchange *exchange; /* NULL: ended, on the way to the spool */
    struct exchange_order order;
    enum account_state state; /* when it has ended */
    struct rows before;       /* readings */
    char readings_trouble[128];
    /* Ended, and waits for the readings after it; NULL: does not. */
    struct exchange_account *ended;
    bool is_being_read;
};

struct roster {
    struct exchange_site site;
    struct spool *spool; /* borrowed */
    struct seat *seats;
    size_t seat_count;
    struct readings *readings;
    struct awake *awake;
    void (*on_ready)(void *owner, const char *id);
    void (*on_closed)(void *owner);
    void *owner; /* borrowed */
    uv_idle_t closing;
};

/* The flow, top to bottom. */
static enum roster_answer arm(struct roster *roster,
                              const struct exchange_order *order,
                              struct fault *fault);
static void on_read_before(void *owner, const struct rows *rows,
                           const struct fault *fault);
static void on_end(void *owner, struct exchange *exchange,
                   struct exchange_account *account);
static void read_after(struct roster *roster);
static void on_read_after(void *owner, const struct rows *rows,
                          const struct fault *fault);
static void on_put(void *owner, const char *id, const struct fault *fault);
static void close_when_empty(struct roster *roster);

struct roster *roster_open(const struct exchange_site *site,
                           struct spool *spool,
                           const struct agent_config *config,
                           void (*on_ready)(void *owner, const char *id),
                           void *owner)
{
    struct roster *roster = mem_new(struct roster);

    roster->site = *site;
    roster->spool = spool;
    roster->readings = readings_open(site->loop, config);
    readings_try(roster->readings);
    roster->awake = awake_open(site->loop);
    roster->on_ready = on_ready;
    roster->owner = owner;
    return roster;
}

/* --- seats ---------------------------------------------------------------- */

static struct seat *find_seat(const struct roster *roster, const char *id)
{
    struct seat *seat = roster->seats;

    while (seat && strcmp(seat->order.id, id) != 0)
        seat = seat->next;
    return seat;
}

static struct seat *add_seat(struct roster *roster,
                             const struct exchange_order *order)
{
    struct seat *seat = mem_new(struct seat);

    seat->roster = roster;
    seat->order = *order;
    seat->before.row_size = sizeof(struct radio_reading);
    seat->next = roster->seats;
    roster->seats = seat;
    roster->seat_count++;
    return seat;
}

static void remove_seat(struct seat *seat)
{
    struct seat **link = &seat->roster->seats;

    while (*link != seat)
        link = &(*link)->next;
    *link = seat->next;
    seat->roster->seat_count--;
    if (!seat->roster->seats)
        awake_release(seat->roster->awake);
    readings_forget(seat->roster->readings, seat);
    rows_clear(&seat->before);
    free(seat);
}

static enum account_state state_of(const struct seat *seat)
{
    return seat->exchange ? exchange_state(seat->exchange) : seat->state;
}

enum roster_place roster_find(const struct roster *roster, const char *id,
                              enum account_state *ret_state)
{
    const struct seat *seat = find_seat(roster, id);

    if (seat) {
        *ret_state = state_of(seat);
        return ROSTER_UNDER_WAY;
    }
    return spool_has(roster->spool, id) ? ROSTER_READY : ROSTER_UNKNOWN;
}

struct exchange *roster_by_id(const struct roster *roster, const char *id)
{
    const struct seat *seat = find_seat(roster, id);

    return seat ? seat->exchange : NULL;
}

struct exchange *roster_by_ticket(const struct roster *roster,
                                  const char *ticket)
{
    for (const struct seat *seat = roster->seats; seat; seat = seat->next) {
        if (seat->exchange && ticket[0]
            && strcmp(seat->order.ticket, ticket) == 0)
            return seat->exchange;
    }
    return NULL;
}

void roster_offer_datagram(const struct roster *roster,
                           const struct stamped_event *event, const void *bytes)
{
    for (const struct seat *seat = roster->seats; seat; seat = seat->next) {
        if (seat->exchange && exchange_datagram(seat->exchange, event, bytes))
            return;
    }
}

bool roster_is_empty(const struct roster *roster)
{
    return !roster->seats;
}

const struct readings *roster_readings(const struct roster *roster)
{
    return roster->readings;
}

size_t roster_run_tag_length(const char *id)
{
    return strcspn(id, "-");
}

static bool is_same_run(const char *one, const char *other)
{
    const size_t length = roster_run_tag_length(one);

    return length == roster_run_tag_length(other)
           && strncmp(one, other, length) == 0;
}

static void add_readings(struct rows *readings, const struct rows *rows,
                         enum reading_moment moment)
{
    for (size_t i = 0; i < rows->count; i++) {
        struct radio_reading *reading = rows_add(readings);

        *reading = *(const struct radio_reading *) rows_at(rows, i);
        reading->moment = (int) moment;
    }
}

/* --- taking an order ------------------------------------------------------ */

/* The order's JSON text, which the caller frees; start and stop apart. */
static char *order_text(const struct exchange_order *order, bool with_times)
{
    struct exchange_order copy = *order;

    if (!with_times)
        copy.start_ns = copy.stop_ns = 0;
    json_t *json = NULL;
    /* Fails only for a kind that is not known, and those are refused before. */
    (void) order_encode(&copy, &json, NULL);
    char *text = mem_checked(json_dumps(json, JSON_COMPACT | JSON_SORT_KEYS));
    json_decref(json);
    return text;
}

static bool is_same_order(const struct exchange_order *one,
                          const struct exchange_order *other)
{
    char *one_text = order_text(one, false);
    char *other_text = order_text(other, false);
    const bool is_same = strcmp(one_text, other_text) == 0;

    free(one_text);
    free(other_text);
    return is_same;
}

static enum roster_answer take_again(struct seat *seat,
                                     const struct exchange_order *order,
                                     struct fault *fault)
{
    if (!is_same_order(&seat->order, order)) {
        (void) fault_set(fault, UV_EEXIST,
                         "id: another order of the id '%s' is %s here, "
                         "expected the same order or a new id",
                         order->id, account_states[state_of(seat)]);
        return ROSTER_CONFLICT;
    }
    if (!seat->exchange
        || (seat->order.start_ns == order->start_ns
            && seat->order.stop_ns == order->stop_ns))
        return ROSTER_TOLD_BEFORE;
    const int result =
        exchange_reschedule(seat->exchange, order->start_ns, order->stop_ns);
    if (result < 0 && result != UV_EALREADY) {
        (void) fault_set(fault, result,
                         "start_ns: found times that can't be kept, expected "
                         "a start and a stop ahead");
        return ROSTER_REFUSED;
    }
    if (result == 0) {
        seat->order.start_ns = order->start_ns;
        seat->order.stop_ns = order->stop_ns;
    }
    return ROSTER_TOLD_BEFORE;
}

static bool is_busy(const struct roster *roster,
                    const struct exchange_order *order, struct fault *fault)
{
    if (roster->seat_count >= ROSTER_EXCHANGES_MAX) {
        (void) fault_set(fault, UV_EBUSY,
                         "%d exchanges are under way, expected at most as "
                         "many at once",
                         ROSTER_EXCHANGES_MAX);
        return true;
    }
    for (const struct seat *seat = roster->seats; seat; seat = seat->next) {
        if (is_same_run(seat->order.id, order->id))
            continue;
        const uint64_t now_ns = uv_hrtime();
        const uint64_t left_ns =
            seat->order.stop_ns > now_ns ? seat->order.stop_ns - now_ns : 0;
        (void) fault_set(
            fault, UV_EBUSY,
            "this agent is busy with another run: its %s '%s' "
            "with %s is %s, and ends in %" PRIu64 " s at the latest; "
            "wait for it, or stop that run",
            seat->order.kind, seat->order.id,
            seat->order.peer_name[0] ? seat->order.peer_name
                                     : seat->order.peer_address,
            account_states[state_of(seat)], left_ns / NS_PER_S + 1);
        return true;
    }
    return false;
}

/* What order_decode() and exchange_arm() do not look at. */
static bool is_mistaken(const struct exchange_order *order, struct fault *fault)
{
    if (order->stop_ns > order->start_ns
        && order->stop_ns - order->start_ns > LONGEST_EXCHANGE_NS)
        (void) fault_set(fault, UV_EINVAL,
                         "stop_ns: found %" PRIu64
                         " s after start_ns, expected at most 2 days",
                         (order->stop_ns - order->start_ns) / NS_PER_S);
    return fault->code != 0;
}

enum roster_answer roster_take(struct roster *roster,
                               const struct exchange_order *order,
                               struct fault *fault)
{
    struct seat *seat = find_seat(roster, order->id);

    if (seat)
        return take_again(seat, order, fault);
    if (spool_has(roster->spool, order->id))
        return ROSTER_TOLD_BEFORE;
    if (is_mistaken(order, fault))
        return ROSTER_REFUSED;
    if (is_busy(roster, order, fault))
        return ROSTER_BUSY;
    return arm(roster, order, fault);
}

static enum roster_answer arm(struct roster *roster,
                              const struct exchange_order *order,
                              struct fault *fault)
{
    struct fault mark_fault = { 0 };
    char *text = order_text(order, true);

    if (spool_mark(roster->spool, order->id, text, strlen(text), &mark_fault)
        < 0)
        log_warning("spool: %s; a restart in the middle would not show",
                    mark_fault.text);
    free(text);

    struct seat *seat = add_seat(roster, order);
    if (exchange_arm(&roster->site, order, on_end, seat, &seat->exchange, fault)
        < 0) {
        spool_drop(roster->spool, order->id);
        remove_seat(seat);
        return ROSTER_REFUSED;
    }
    log_info("exchange: %s %s %s armed", order->kind, order->part, order->id);
    awake_hold(roster->awake, order->stop_ns);
    if (readings_can(roster->readings))
        readings_ask(roster->readings,
                     order->start_ns > QUIET_NS ? order->start_ns - QUIET_NS
                                                : 1,
                     on_read_before, seat);
    return ROSTER_ARMED;
}

/* --- the radio's own words ------------------------------------------------ */

static void note_readings(struct seat *seat, const char *moment,
                          const struct fault *fault)
{
    if (!seat->readings_trouble[0])
        (void) snprintf(seat->readings_trouble, sizeof(seat->readings_trouble),
                        "readings %s: %.110s", moment, fault->text);
}

static void on_read_before(void *owner, const struct rows *rows,
                           const struct fault *fault)
{
    struct seat *seat = owner;

    if (fault->code)
        note_readings(seat, "before", fault);
    else
        add_readings(&seat->before, rows, READING_BEFORE);
}

/* --- the end -------------------------------------------------------------- */

static void put_account(struct roster *roster,
                        const struct exchange_account *account)
{
    json_t *json = NULL;
    struct fault fault = { 0 };
    if (account_encode(account, &json, &fault) < 0)
        log_error("exchange: %s: %s", account->id, fault.text);
    char *text = json ? json_dumps(json, JSON_COMPACT) : NULL;
    if (!text)
        text = mem_text("{}");
    json_decref(json);
    spool_put(roster->spool, account->id, text, strlen(text), on_put, roster);
}

static void on_end(void *owner, struct exchange *exchange,
                   struct exchange_account *account)
{
    struct seat *seat = owner;

    (void) exchange;
    seat->state = (enum account_state) account->state;
    seat->exchange = NULL;
    log_info("exchange: %s %s %s %s%s%s", account->kind, account->part,
             account->id, account_states[account->state],
             account->trouble[0] ? ": " : "", account->trouble);
    readings_forget(seat->roster->readings, seat);
    seat->ended = mem_new(struct exchange_account);
    account_move(seat->ended, account);
    add_readings(&seat->ended->readings, &seat->before, READING_BEFORE);
    read_after(seat->roster);
}

/* --- after it ------------------------------------------------------------- */

static void put_ended(struct seat *seat)
{
    struct exchange_account *account = seat->ended;

    if (!account->trouble[0])
        (void) snprintf(account->trouble, sizeof(account->trouble), "%s",
                        seat->readings_trouble);
    seat->ended = NULL;
    put_account(seat->roster, account);
    account_clear(account);
    free(account);
}

static bool is_any_running(const struct roster *roster)
{
    for (const struct seat *seat = roster->seats; seat; seat = seat->next) {
        if (seat->exchange && exchange_state(seat->exchange) == ACCOUNT_RUNNING)
            return true;
    }
    return false;
}

/* What ran beside others is read when they are through as well: the command
 * would disturb them. */
static void read_after(struct roster *roster)
{
    const bool can_read = readings_can(roster->readings) && !roster->on_closed;

    if (can_read && is_any_running(roster))
        return;
    for (struct seat *seat = roster->seats; seat; seat = seat->next) {
        if (!seat->ended || seat->is_being_read)
            continue;
        if (can_read && seat->ended->begun_ns) {
            seat->is_being_read = true;
            readings_ask(roster->readings, 0, on_read_after, seat);
        } else {
            put_ended(seat);
        }
    }
}

static void on_read_after(void *owner, const struct rows *rows,
                          const struct fault *fault)
{
    struct seat *seat = owner;

    if (fault->code)
        note_readings(seat, "after", fault);
    else
        add_readings(&seat->ended->readings, rows, READING_AFTER);
    put_ended(seat);
}

/* The controller should know that the account would not outlive the agent. */
static void note_unspooled(struct spool *spool, const char *id,
                           const char *trouble)
{
    char *text = NULL;
    size_t text_bytes = 0;
    if (spool_get(spool, id, &text, &text_bytes) < 0)
        return;
    json_t *account = json_loadb(text, text_bytes, 0, NULL);
    const char *before = json_string_value(json_object_get(account, "trouble"));
    if (account && (!before || !before[0])) {
        char cut[sizeof(((struct exchange_account *) 0)->trouble)];

        (void) snprintf(cut, sizeof(cut), "%.180s", trouble);
        (void) json_object_set_new(account, "trouble", json_string(cut));
        char *noted = mem_checked(json_dumps(account, JSON_COMPACT));
        spool_keep(spool, id, noted, strlen(noted));
    }
    json_decref(account);
    free(text);
}

static void on_put(void *owner, const char *id, const struct fault *fault)
{
    struct roster *roster = owner;
    struct seat *seat = find_seat(roster, id);

    if (fault->code) {
        log_error("spool: %s", fault->text);
        note_unspooled(roster->spool, id, fault->text);
    }
    if (seat)
        remove_seat(seat);
    roster->on_ready(roster->owner, id);
    close_when_empty(roster);
}

void roster_cancel(struct roster *roster, const char *id)
{
    const struct seat *seat = find_seat(roster, id);

    if (seat && seat->exchange)
        exchange_cancel(seat->exchange);
}

/* --- a former agent's ----------------------------------------------------- */

static int read_order_text(const char *text, size_t text_bytes,
                           struct exchange_order *ret_order,
                           struct fault *fault)
{
    json_t *json = json_loadb(text, text_bytes, JSON_REJECT_DUPLICATES, NULL);
    if (!json)
        return fault_set(fault, UV_EINVAL, "not JSON");
    const int result = order_decode(json, ret_order, fault);
    json_decref(json);
    return result;
}

static void recover(void *owner, const char *id)
{
    struct roster *roster = owner;
    struct exchange_order order = { 0 };
    struct fault fault = { 0 };
    char *text = NULL;
    size_t text_bytes = 0;
    int result = spool_get_order(roster->spool, id, &text, &text_bytes);

    if (result == 0)
        result = read_order_text(text, text_bytes, &order, &fault);
    free(text);
    const struct kind *kind = result == 0 ? kind_by_name(order.kind) : NULL;
    if (!kind || strcmp(order.id, id) != 0) {
        log_warning("spool: the order '%s' can't be read and is dropped: %s",
                    id, fault.code ? fault.text : uv_strerror(result));
        spool_drop(roster->spool, id);
        return;
    }

    struct exchange_account account;
    account_init(&account, kind);
    memcpy(account.id, order.id, sizeof(account.id));
    memcpy(account.part, order.part, sizeof(account.part));
    account.state = ACCOUNT_BROKEN;
    (void) snprintf(account.trouble, sizeof(account.trouble),
                    "the agent was started anew in the middle of this "
                    "exchange: what it had recorded is lost");
    add_seat(roster, &order)->state = ACCOUNT_BROKEN;
    log_info("exchange: %s %s %s broken by a restart", order.kind, order.part,
             id);
    put_account(roster, &account);
    account_clear(&account);
}

void roster_recover(struct roster *roster)
{
    spool_each(roster->spool, true, recover, roster);
}

/* --- closing -------------------------------------------------------------- */

static void on_idle_closed(uv_handle_t *handle)
{
    struct roster *roster = handle->data;
    void (*on_closed)(void *) = roster->on_closed;
    void *owner = roster->owner;

    readings_close(roster->readings);
    awake_close(roster->awake);
    free(roster);
    on_closed(owner);
}

static void close_when_empty(struct roster *roster)
{
    if (!roster->on_closed || roster->seats
        || uv_is_closing((uv_handle_t *) &roster->closing))
        return;
    uv_close((uv_handle_t *) &roster->closing, on_idle_closed);
}

void roster_close(struct roster *roster, void (*on_closed)(void *owner))
{
    (void) uv_idle_init(roster->site.loop, &roster->closing);
    roster->closing.data = roster;
    roster->on_closed = on_closed;
    for (struct seat *seat = roster->seats, *next; seat; seat = next) {
        next = seat->next;
        if (seat->exchange)
            exchange_cancel(seat->exchange);
    }
    /* What is worth more than a last reading waits for it. */
    readings_cancel(roster->readings);
    read_after(roster);
    close_when_empty(roster);
}
