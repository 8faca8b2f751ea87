/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/download_parts.h"
#include "agent/http.h"

/*
 * No backlog: a sender never has more than 100 ms of the rate unsent in its
 * socket, and leaves the kernel's window alone, so that by time the data end
 * when the time is over and not when a large buffer has drained.
 *
 * The rate is the greater of what the step should carry and of what is seen to
 * leave the socket; of the latter the lesser of two windows in a row, for a
 * burst that an opening window lets go says nothing about the pace.
 */
#define UNSENT_SECONDS    0.1
#define UNSENT_LEAST      4096.0
#define UNSENT_UNKNOWN    16384.0 /* least where the rate is not known */
#define WINDOW_NS         NS_PER_S
#define WINDOW_UNKNOWN_NS (20 * NS_PER_MS)
/* How often the connections that wait are looked after. */
#define CHECK_MS         20
#define CHECK_UNKNOWN_MS 2
/* The least that is fed at once, as a share of the bound: less would only add
 * chunk marks. */
#define GRAIN_SHARE 4
/* Small blocks cap the speed of a fast path (measured at 2 kB: 1.6 Gbit/s). */
#define FAST_BPS 20e6

static double expected_bps(const struct download *download)
{
    return exchange_order_of(download->exchange)->expected_bps;
}

size_t download_feed_block_bytes(const struct download *download)
{
    const double bps = expected_bps(download);

    return bps > 0 && bps < FAST_BPS ? PAYLOAD_BLOCK_UNKNOWN
                                     : PAYLOAD_BLOCK_MOST;
}

void download_prepare_feed(struct data_connection *connection)
{
    const struct download *download = connection->download;

    payload_init(&connection->payload, exchange_order_of(download->exchange),
                 connection->number, download->spec.payload == PAYLOAD_TEXT);
}

/* --- the bound ----------------------------------------------------------- */

static void note_pace(struct data_connection *connection, uint64_t now_ns,
                      uint64_t left_bytes)
{
    struct pace *pace = &connection->pace;
    const uint64_t window_ns =
        expected_bps(connection->download) > 0 ? WINDOW_NS : WINDOW_UNKNOWN_NS;

    if (!pace->window_start_ns)
        pace->window_start_ns = now_ns;
    const uint64_t passed_ns = now_ns - pace->window_start_ns;
    if (passed_ns < window_ns)
        return;
    pace->before_bps = pace->last_bps;
    pace->last_bps = (double) (left_bytes - pace->window_start_bytes)
                     * BITS_PER_BYTE / ((double) passed_ns / 1e9);
    pace->window_start_ns = now_ns;
    pace->window_start_bytes = left_bytes;
}

static uint64_t most_unsent_bytes(const struct data_connection *connection)
{
    const struct pace *pace = &connection->pace;
    const double expected = expected_bps(connection->download);
    const double seen =
        pace->last_bps < pace->before_bps ? pace->last_bps : pace->before_bps;
    const double rate = seen > expected ? seen : expected;
    const double least = expected > 0 ? UNSENT_LEAST : UNSENT_UNKNOWN;
    const double most = rate / BITS_PER_BYTE * UNSENT_SECONDS;

    return (uint64_t) (most > least ? most : least);
}

/* How much may be fed now; 0: wait. */
static uint64_t room_in_socket(struct data_connection *connection)
{
    struct download *download = connection->download;
    const struct tcp_queue queue = tcp_info_queue(connection->socket);
    const uint64_t unsent_bytes = queue.unsent_bytes;
    const uint64_t fed_bytes = connection->row.content_bytes;

    /* What waits in a dead socket waits for ever: the next write tells of it.
     */
    if (queue.is_dead)
        return (uint64_t) UNSENT_LEAST;
    if (unsent_bytes > download->most_unsent_bytes)
        download->most_unsent_bytes = unsent_bytes;
    note_pace(connection, clock_now_ns(),
              fed_bytes > unsent_bytes ? fed_bytes - unsent_bytes : 0);
    const uint64_t most_bytes = most_unsent_bytes(connection);
    if (unsent_bytes + most_bytes / GRAIN_SHARE > most_bytes)
        return 0;
    return most_bytes - unsent_bytes;
}

/* --- feeding ------------------------------------------------------------- */

static bool is_all_fed(const struct data_connection *connection,
                       uint64_t now_ns)
{
    return connection->row.content_bytes >= connection->share_bytes
           || now_ns >= download_end_ns(connection->download);
}

static void note_fed(struct data_connection *connection, uint64_t now_ns,
                     uint64_t piece_bytes)
{
    struct download_connection *row = &connection->row;

    if (!row->first_byte_ns)
        row->first_byte_ns = now_ns;
    row->last_byte_ns = now_ns;
    row->content_bytes += piece_bytes;
    if (row->content_bytes >= connection->share_bytes) {
        connection->is_fed = true;
        connection->fed_until_ns = now_ns;
    }
}

ssize_t download_feed(void *owner, void *room, size_t room_bytes)
{
    struct data_connection *connection = owner;
    const uint64_t now_ns = clock_now_ns();

    if (is_all_fed(connection, now_ns)) {
        if (!connection->is_fed)
            connection->fed_until_ns = now_ns;
        connection->is_fed = true;
        return HTTP_FEED_END;
    }
    const uint64_t left_bytes =
        connection->share_bytes - connection->row.content_bytes;
    uint64_t piece_bytes = room_in_socket(connection);
    if (piece_bytes == 0) {
        connection->is_waiting = true;
        download_start_checks(connection->download);
        return 0;
    }
    if (piece_bytes > room_bytes)
        piece_bytes = room_bytes;
    if (piece_bytes > left_bytes)
        piece_bytes = left_bytes;
    payload_fill(&connection->payload, room, (size_t) piece_bytes);
    note_fed(connection, now_ns, piece_bytes);
    return (ssize_t) piece_bytes;
}

/* --- checking ------------------------------------------------------------ */

static void on_check(uv_timer_t *timer)
{
    download_check_feeds(timer->data);
}

/* The next look; at the end of the time there is one in any case. */
static uint64_t check_wait_ms(const struct download *download)
{
    const uint64_t every_ms =
        expected_bps(download) > 0 ? CHECK_MS : CHECK_UNKNOWN_MS;
    const uint64_t now_ns = clock_now_ns();
    const uint64_t end_ns = download_end_ns(download);

    if (end_ns <= now_ns)
        return every_ms;
    const uint64_t left_ms = (end_ns - now_ns) / NS_PER_MS + 1;
    return left_ms < every_ms ? left_ms : every_ms;
}

void download_start_checks(struct download *download)
{
    uv_timer_t *timer = &download->check_timer;

    if (download->is_closing || uv_is_active((const uv_handle_t *) timer))
        return;
    uv_update_time(timer->loop);
    (void) uv_timer_start(timer, on_check, check_wait_ms(download), 0);
}

static void resume(struct data_connection *connection)
{
    connection->is_waiting = false;
    if (connection->request)
        http_resume(connection->request);
    else if (connection->easy)
        download_resume_transfer(connection);
}

/* All was given to TCP; the last row is taken when all is acknowledged. */
static void check_drained(struct data_connection *connection)
{
    const struct tcp_queue queue = tcp_info_queue(connection->socket);

    if (queue.unacked_bytes && !queue.is_dead)
        return;
    const bool is_broken =
        queue.unacked_bytes && !download_until_was_ended(connection);

    if (is_broken)
        exchange_trouble(connection->download->exchange,
                         "connection %llu broke off with %llu bytes not "
                         "acknowledged",
                         (unsigned long long) connection->number,
                         (unsigned long long) queue.unacked_bytes);
    download_server_leaves(connection);
    download_connection_ended(connection, is_broken ? DATA_BROKEN : DATA_DONE);
}

void download_check_feeds(struct download *download)
{
    bool is_needed = false;

    for (size_t i = 0; i < download->connection_count; i++) {
        struct data_connection *connection = &download->connections[i];

        if (connection->is_waiting
            && (is_all_fed(connection, clock_now_ns())
                || room_in_socket(connection)))
            resume(connection);
        if (connection->state == DATA_DRAINING)
            check_drained(connection);
        is_needed |=
            connection->is_waiting || connection->state == DATA_DRAINING;
    }
    if (is_needed)
        download_start_checks(download);
}
