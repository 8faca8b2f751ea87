/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/download_parts.h"

/* Arrivals within this are one row. */
#define MERGE_NS NS_PER_MS

/*
 * Something on the way may answer in the other end's place (a proxy, a login
 * page); what it sends is not our payload and does not begin like it.
 */
static void check_begin(struct data_connection *connection, const char *content,
                        size_t content_bytes)
{
    const struct download *download = connection->download;
    const size_t left_bytes = download->mark_bytes - connection->begin_bytes;
    const size_t take_bytes =
        content_bytes < left_bytes ? content_bytes : left_bytes;

    if (memcmp(content, download->mark + connection->begin_bytes, take_bytes)
        != 0) {
        connection->begin_bytes = download->mark_bytes;
        exchange_trouble(download->exchange,
                         "connection %llu: what arrives does not begin with "
                         "this exchange's header: something on the way "
                         "answers in the other end's place",
                         (unsigned long long) connection->number);
        return;
    }
    connection->begin_bytes += take_bytes;
}

static void add_arrival(struct data_connection *connection, uint64_t at_ns,
                        size_t content_bytes)
{
    struct rows *arrivals = connection->download->arrivals;
    struct download_arrival *arrival;

    if (connection->arrival_place
        && at_ns < connection->merged_from_ns + MERGE_NS) {
        arrival = rows_at(arrivals, connection->arrival_place - 1);
    } else {
        arrival = rows_add(arrivals);
        arrival->connection = connection->number;
        connection->arrival_place = arrivals->count;
        connection->merged_from_ns = at_ns;
    }
    /* Whole µs: as exact as the stamp is, and shorter to carry. */
    arrival->at_ns = at_ns / NS_PER_US * NS_PER_US;
    arrival->bytes += content_bytes;
}

void download_note_content(struct data_connection *connection,
                           const void *content, size_t content_bytes)
{
    const uint64_t at_ns = clock_now_ns();
    struct download *download = connection->download;

    if (!connection->row.first_byte_ns)
        connection->row.first_byte_ns = at_ns;
    connection->row.last_byte_ns = at_ns;
    connection->row.content_bytes += content_bytes;
    add_arrival(connection, at_ns, content_bytes);
    download_until_note(download, at_ns, content_bytes);
    if (at_ns > download_end_ns(download))
        download->tail_bytes += content_bytes;
    if (connection->begin_bytes < download->mark_bytes)
        check_begin(connection, content, content_bytes);
}

bool download_is_complete(const struct data_connection *connection)
{
    const struct download *download = connection->download;

    if (connection->share_bytes == UINT64_MAX
        || connection->row.content_bytes == connection->share_bytes)
        return true;
    exchange_trouble(download->exchange,
                     "connection %llu: found %llu bytes of content, expected "
                     "%llu",
                     (unsigned long long) connection->number,
                     (unsigned long long) connection->row.content_bytes,
                     (unsigned long long) connection->share_bytes);
    return false;
}
