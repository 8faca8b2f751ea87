/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/way.h"

#include "agent/icmp.h"
#include "agent/memory.h"
#include "agent/netinfo.h"
#include "agent/sockets.h"

#include <inttypes.h>

#define WAY_GAP_MS           200
#define WAY_ECHO_DATA_BYTES  56
#define WAY_WHOLE_MOST_BYTES 65535

struct echo {
    bool is_sent, is_answered;
    uint64_t sent_ns, rtt_ns;
    uint32_t stamp;
    uint8_t ttl;
};

/* A socket and its echoes: the small ones, or the one of full size.  Sequence
 * numbers are indexes. */
struct probe {
    struct way *way;
    struct icmp_echo icmp;
    uv_poll_t poll;
    bool is_open;
    struct echo echoes[WAY_ECHOES];
    size_t echo_count, sent_count;
    size_t data_bytes;
    char trouble[200];
};

struct way {
    struct way_question question;
    struct sockaddr_storage to, from;
    bool has_from;
    struct netinfo_route route;
    struct probe small, whole;
    uv_timer_t send_timer, end_timer;
    unsigned open_handles;
    bool is_finished;
    way_done_fn *on_done;
    void *owner;
};

/* The flow, top to bottom. */
static void on_send(uv_timer_t *timer);
static void on_answer(uv_poll_t *poll, int status, int events);
static void on_end(uv_timer_t *timer);
static void finish(struct way *way);
static void on_handle_closed(uv_handle_t *handle);

static int look_up(struct way *way, struct fault *fault)
{
    const struct way_question *question = &way->question;
    int result = sockets_parse(question->to, 0, &way->to, fault);
    if (result < 0)
        return result;
    if (question->from[0]) {
        result = sockets_parse(question->from, 0, &way->from, fault);
        if (result < 0)
            return result;
        way->has_from = true;
    }
    const struct sockaddr *from =
        way->has_from ? (const struct sockaddr *) &way->from : NULL;
    return netinfo_route((const struct sockaddr *) &way->to, from,
                         question->interface, &way->route, fault);
}

/* A probe that can't be opened says why in the findings; the rest goes on. */
static void open_probe(struct way *way, uv_loop_t *loop, struct probe *probe,
                       bool whole)
{
    struct fault fault = { 0 };
    const struct icmp_way icmp_way = {
        .to = (const struct sockaddr *) &way->to,
        .from = way->has_from ? (const struct sockaddr *) &way->from : NULL,
        .interface = way->question.interface,
        .whole = whole,
    };

    probe->way = way;
    if (icmp_open(&probe->icmp, &icmp_way, &fault) < 0) {
        (void) snprintf(probe->trouble, sizeof(probe->trouble), "%.199s",
                        fault.text);
        return;
    }
    if (uv_poll_init(loop, &probe->poll, probe->icmp.socket) < 0) {
        icmp_close(&probe->icmp);
        (void) snprintf(probe->trouble, sizeof(probe->trouble),
                        "the socket can't be watched");
        return;
    }
    probe->poll.data = probe;
    probe->is_open = true;
    way->open_handles++;
    (void) uv_poll_start(&probe->poll, UV_READABLE | UV_PRIORITIZED, on_answer);
}

/* Data bytes such that the IP packet has the length asked for. */
static size_t whole_data_bytes(const struct probe *probe, uint64_t ip_bytes)
{
    const size_t least_bytes = icmp_wire_bytes(&probe->icmp, 0);

    if (ip_bytes <= least_bytes)
        return 0;
    if (ip_bytes > WAY_WHOLE_MOST_BYTES)
        return WAY_WHOLE_MOST_BYTES - least_bytes;
    return (size_t) ip_bytes - least_bytes;
}

int way_start(uv_loop_t *loop, const struct way_question *question,
              way_done_fn *on_done, void *owner, struct way **ret_way,
              struct fault *fault)
{
    struct way *way = mem_new(struct way);

    way->question = *question;
    way->on_done = on_done;
    way->owner = owner;
    const int result = look_up(way, fault);
    if (result < 0) {
        free(way);
        return result;
    }
    (void) uv_timer_init(loop, &way->send_timer);
    (void) uv_timer_init(loop, &way->end_timer);
    way->send_timer.data = way->end_timer.data = way;
    way->open_handles = 2;
    open_probe(way, loop, &way->small, false);
    way->small.echo_count = WAY_ECHOES;
    way->small.data_bytes = WAY_ECHO_DATA_BYTES;
    if (question->bytes > 0) {
        open_probe(way, loop, &way->whole, true);
        way->whole.echo_count = 1;
        way->whole.data_bytes =
            way->whole.is_open ? whole_data_bytes(&way->whole, question->bytes)
                               : 0;
    }
    (void) uv_timer_start(&way->send_timer, on_send, 0, WAY_GAP_MS);
    (void) uv_timer_start(&way->end_timer, on_end, WAY_LONGEST_MS, 0);
    *ret_way = way;
    return 0;
}

static void send_echo(struct probe *probe)
{
    static const char data[WAY_WHOLE_MOST_BYTES];
    const size_t index = probe->sent_count++;
    struct echo *echo = &probe->echoes[index];
    const int result =
        icmp_send(&probe->icmp, (uint16_t) index, data, probe->data_bytes,
                  &echo->sent_ns, &echo->stamp);

    echo->is_sent = result == 0;
    if (result == UV_EMSGSIZE)
        (void) snprintf(probe->trouble, sizeof(probe->trouble),
                        "%zu bytes do not fit the way's MTU of %" PRIu64,
                        icmp_wire_bytes(&probe->icmp, probe->data_bytes),
                        probe->way->route.mtu_bytes);
    else if (result < 0)
        (void) snprintf(probe->trouble, sizeof(probe->trouble),
                        "cannot send an echo: %s", uv_strerror(result));
}

static bool is_through(const struct probe *probe)
{
    if (!probe->is_open)
        return true;
    if (probe->sent_count < probe->echo_count)
        return false;
    for (size_t i = 0; i < probe->sent_count; i++) {
        if (probe->echoes[i].is_sent && !probe->echoes[i].is_answered)
            return false;
    }
    return true;
}

static void finish_when_through(struct way *way)
{
    if (is_through(&way->small) && is_through(&way->whole))
        finish(way);
}

static void on_send(uv_timer_t *timer)
{
    struct way *way = timer->data;

    if (way->small.is_open && way->small.sent_count < way->small.echo_count)
        send_echo(&way->small);
    else if (way->whole.is_open
             && way->whole.sent_count < way->whole.echo_count)
        send_echo(&way->whole);
    else
        (void) uv_timer_stop(timer);
    finish_when_through(way);
}

static void take_event(struct probe *probe, const struct icmp_event *event)
{
    struct echo *echo = event->sequence < probe->sent_count
                            ? &probe->echoes[event->sequence]
                            : NULL;

    switch (event->kind) {
    case ICMP_ANSWER:
        if (!echo || echo->is_answered)
            return;
        echo->is_answered = true;
        echo->rtt_ns =
            event->at_ns > echo->sent_ns ? event->at_ns - echo->sent_ns : 0;
        echo->ttl = event->ttl;
        return;
    case ICMP_SENT:
        for (size_t i = 0; i < probe->sent_count; i++) {
            if (probe->echoes[i].is_sent
                && probe->echoes[i].stamp == event->stamp
                && !probe->echoes[i].is_answered)
                probe->echoes[i].sent_ns = event->at_ns;
        }
        return;
    case ICMP_ERROR:
        (void) snprintf(probe->trouble, sizeof(probe->trouble), "%s",
                        event->text);
        return;
    }
}

static void on_answer(uv_poll_t *poll, int status, int events)
{
    struct probe *probe = poll->data;
    struct icmp_event event;

    (void) events;
    while (icmp_next(&probe->icmp, &event) > 0)
        take_event(probe, &event);
    if (status < 0 && !probe->way->is_finished)
        (void) uv_poll_start(poll, UV_READABLE | UV_PRIORITIZED, on_answer);
    finish_when_through(probe->way);
}

static void on_end(uv_timer_t *timer)
{
    finish(timer->data);
}

void way_cancel(struct way *way)
{
    finish(way);
}

/* --- the findings --------------------------------------------------------- */

static void add_text(json_t *object, const char *key, const char *text)
{
    if (text[0])
        (void) json_object_set_new(object, key, json_string(text));
}

static void add_whole(json_t *object, const char *key, uint64_t number)
{
    (void) json_object_set_new(object, key, json_integer((json_int_t) number));
}

static json_t *describe_echo(const struct echo *echo)
{
    json_t *object = mem_checked(json_object());

    (void) json_object_set_new(object, "answered",
                               json_boolean(echo->is_answered));
    if (echo->is_answered) {
        add_whole(object, "rtt_ns", echo->rtt_ns);
        add_whole(object, "ttl", echo->ttl);
    }
    return object;
}

static void add_echoes(const struct way *way, json_t *findings)
{
    json_t *echoes = mem_checked(json_array());

    for (size_t i = 0; i < way->small.sent_count; i++)
        (void) json_array_append_new(echoes,
                                     describe_echo(&way->small.echoes[i]));
    (void) json_object_set_new(findings, "echoes", echoes);
    add_text(findings, "trouble", way->small.trouble);
    if (way->question.bytes > 0) {
        json_t *whole = describe_echo(&way->whole.echoes[0]);

        if (way->whole.is_open)
            add_whole(whole, "bytes",
                      icmp_wire_bytes(&way->whole.icmp, way->whole.data_bytes));
        add_text(whole, "trouble", way->whole.trouble);
        (void) json_object_set_new(findings, "whole", whole);
    }
}

static json_t *describe(const struct way *way)
{
    json_t *findings = mem_checked(json_object());

    add_text(findings, "to", way->question.to);
    add_text(findings, "interface", way->route.interface);
    add_text(findings, "source_address", way->route.source_address);
    add_text(findings, "gateway", way->route.gateway);
    add_whole(findings, "mtu_bytes", way->route.mtu_bytes);
    (void) json_object_set_new(findings, "is_own",
                               json_boolean(way->route.is_own));
    add_echoes(way, findings);
    return findings;
}

static void close_probe(struct probe *probe)
{
    if (probe->is_open)
        uv_close((uv_handle_t *) &probe->poll, on_handle_closed);
}

/* The one way out. */
static void finish(struct way *way)
{
    if (way->is_finished)
        return;
    way->is_finished = true;
    json_t *findings = describe(way);
    close_probe(&way->small);
    close_probe(&way->whole);
    uv_close((uv_handle_t *) &way->send_timer, on_handle_closed);
    uv_close((uv_handle_t *) &way->end_timer, on_handle_closed);
    way->on_done(way->owner, findings);
    json_decref(findings);
}

static struct way *way_of(uv_handle_t *handle)
{
    if (handle->type == UV_POLL) {
        struct probe *probe = handle->data;

        icmp_close(&probe->icmp);
        return probe->way;
    }
    return handle->data;
}

static void on_handle_closed(uv_handle_t *handle)
{
    struct way *way = way_of(handle);

    if (--way->open_handles == 0)
        free(way);
}
