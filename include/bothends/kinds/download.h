/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_KINDS_DOWNLOAD_H
#define BOTHENDS_KINDS_DOWNLOAD_H

#include <assert.h>
#include <bothends/kind.h>
#include <bothends/looks.h>
#include <bothends/url.h>

/*
 * download: bulk data over HTTP from the end named by "from" (the sender) to
 * the end named by "to" (the receiver), by bytes or by time, over one or more
 * TCP connections (RFC 3148, RFC 6349).
 *
 * By time: the sender stops feeding when the time is over on its own clock; it
 * never has more than about 100 ms of the step (least 4 kB) unsent in its
 * socket, so that the rest is at most what the radio has queued.  What arrives
 * after the time is the tail: airtime, not goodput.
 *
 * Until the steady goodput is known well enough (bothends/looks.h): the
 * receiver looks and breaks the connections off; the sender takes that for the
 * end.
 *
 * From a URL: a web server sends what it has there, until its end or until the
 * time is over; only the receiver has an account.
 */
struct download_spec {
    uint64_t size_bytes; /* 0 when for_ns rules */
    uint64_t for_ns;     /* 0 when size_bytes rules */
    double within_ratio; /* until the goodput is known so well; NaN: not said */
    uint64_t at_most_ns; /* ends the exchange whatever happens; with
                            within_ratio: data are fed so long at the most */
    uint64_t connections; /* parallel TCP connections */
    int opener;           /* who connects: enum download_opener */
    int payload;          /* enum download_payload */
    char url[URL_SIZE];   /* "": another end's agent sends */
};

enum download_opener {
    OPENER_RECEIVER,
    OPENER_SENDER
};
enum download_payload {
    PAYLOAD_OCTETS,
    PAYLOAD_TEXT
};

/* clang-format off */
static const char *const download_openers[] = { "receiver", "sender", NULL };
static const char *const download_payloads[] = { "octets", "text", NULL };

static const struct field download_spec_fields[] = {
    { "size_bytes", "size", FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_spec, size_bytes),
      1, 1e13, "", NULL, "how much is sent (or say for)" },
    { "for_ns", "for", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct download_spec, for_ns),
      1e8, 86400e9, "", NULL, "how long data are fed (or say size)" },
    { "within_ratio", "until", FIELD_REAL, UNIT_WITHIN, FIELD_AT(struct download_spec, within_ratio),
      0, 0.5, "", NULL, "data are fed until the receiver knows the steady goodput so well (half of its interval over it), at_most at the longest" },
    { "at_most_ns", "at_most", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct download_spec, at_most_ns),
      1e9, 2*86400e9, "", NULL, "ends the exchange whatever happens; left out: twice the time and a minute, or an hour; with until: the longest time that data are fed" },
    { "connections", "connections", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct download_spec, connections),
      1, 16, "1", NULL, "parallel TCP connections" },
    { "opener", "opener", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct download_spec, opener),
      0, 0, "receiver", download_openers, "which end opens the connection; sender helps where only that end can (address translation)" },
    { "payload", "payload", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct download_spec, payload),
      0, 0, "octets", download_payloads, "octets hardly compress; text does: comparing both exposes a radio that compresses" },
    { "url", "url", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct download_spec, url),
      0, 0, "", NULL, "http:// address that a web server sends instead of an end (instead of from); the receiving agent's owner must allow it" },
};
/* clang-format on */

/* Content bytes that arrived, merged to at most 1 kHz.  Receiver's clock. */
struct download_arrival {
    uint64_t connection; /* from 0 */
    uint64_t at_ns;      /* of the last of them */
    uint64_t bytes;
};

/* TCP's own account, about four times a second (Linux tcp_info). */
struct download_tcp {
    uint64_t connection;
    uint64_t at_ns;
    uint64_t rtt_us, rtt_variation_us, least_rtt_us;
    uint64_t window_segments; /* congestion window */
    uint64_t threshold_segments;
    uint64_t segment_bytes; /* send MSS */
    uint64_t acked_bytes, received_bytes, sent_bytes, repeated_bytes;
    uint64_t unsent_bytes;
    uint64_t unacked_segments, lost_segments, reordering_count;
    uint64_t needless_count;     /* sender: segments that had come, and came
                                    again (RFC 2883) */
    uint64_t out_of_order_count; /* receiver */
    uint64_t sacked_segments;    /* sender: came, behind one that did not */
    /* While data are in flight: since an acknowledgement came, in steps of
     * 100 ms, so that the column packs well; 1: less than 500 ms; 0: nothing in
     * flight, or not known. */
    uint64_t quiet_us;
    uint64_t busy_us, receiver_limited_us, buffer_limited_us;
    uint64_t delivery_bps;
    uint64_t receive_window_bytes;
};

/* One connection, at one end.  Stamps on that end's clock; 0: never. */
struct download_connection {
    uint64_t connection;
    uint64_t opened_ns;    /* connect called, or accepted */
    uint64_t connected_ns; /* handshake done as this end saw it */
    uint64_t request_ns;   /* request sent, or received */
    uint64_t first_byte_ns, last_byte_ns; /* of the content */
    uint64_t content_bytes; /* handed to TCP, or received from it */
    uint64_t framing_bytes; /* HTTP heads and chunk marks in the data's
                               direction, where the system tells; else 0 */
    uint64_t local_port, peer_port;
    char congestion_control[16];
};

/* clang-format off */
static const struct field download_arrival_fields[] = {
    { "connection", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct download_arrival, connection), 0, 0, "", NULL, "number of the connection, from 0" },
    { "at_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct download_arrival, at_ns), 0, 0, "", NULL, "last of these bytes arrived, on the receiver's monotonic clock" },
    { "bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_arrival, bytes), 0, 0, "", NULL, "content bytes that arrived, merged over at most 1 ms" },
};

static const struct field download_tcp_fields[] = {
    { "connection", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct download_tcp, connection), 0, 0, "", NULL, "number of the connection" },
    { "at_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct download_tcp, at_ns), 0, 0, "", NULL, "when TCP was asked" },
    { "rtt_us", NULL, FIELD_WHOLE, UNIT_NONE, FIELD_AT(struct download_tcp, rtt_us), 0, 0, "", NULL, "smoothed round trip" },
    { "rtt_variation_us", NULL, FIELD_WHOLE, UNIT_NONE, FIELD_AT(struct download_tcp, rtt_variation_us), 0, 0, "", NULL, "its variation" },
    { "least_rtt_us", NULL, FIELD_WHOLE, UNIT_NONE, FIELD_AT(struct download_tcp, least_rtt_us), 0, 0, "", NULL, "least round trip" },
    { "window_segments", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct download_tcp, window_segments), 0, 0, "", NULL, "congestion window" },
    { "threshold_segments", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct download_tcp, threshold_segments), 0, 0, "", NULL, "slow-start threshold" },
    { "segment_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_tcp, segment_bytes), 0, 0, "", NULL, "send MSS" },
    { "acked_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_tcp, acked_bytes), 0, 0, "", NULL, "acknowledged so far" },
    { "received_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_tcp, received_bytes), 0, 0, "", NULL, "received in order so far" },
    { "sent_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_tcp, sent_bytes), 0, 0, "", NULL, "sent so far, repeats included" },
    { "repeated_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_tcp, repeated_bytes), 0, 0, "", NULL, "sent again so far" },
    { "unsent_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_tcp, unsent_bytes), 0, 0, "", NULL, "waiting unsent in the socket" },
    { "unacked_segments", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct download_tcp, unacked_segments), 0, 0, "", NULL, "in flight" },
    { "lost_segments", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct download_tcp, lost_segments), 0, 0, "", NULL, "taken for lost now" },
    { "reordering_count", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct download_tcp, reordering_count), 0, 0, "", NULL, "reordering events seen so far" },
    { "needless_count", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct download_tcp, needless_count), 0, 0, "", NULL, "segments so far of which the receiver told that they had come before (RFC 2883)" },
    { "out_of_order_count", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct download_tcp, out_of_order_count), 0, 0, "", NULL, "segments received out of order so far" },
    { "sacked_segments", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct download_tcp, sacked_segments), 0, 0, "", NULL, "told to have come, behind one that has not (RFC 2018)" },
    { "quiet_us", NULL, FIELD_WHOLE, UNIT_NONE, FIELD_AT(struct download_tcp, quiet_us), 0, 0, "", NULL, "with data in flight: since an acknowledgement came (1: less than 500 ms); 0: nothing in flight, or not known" },
    { "busy_us", NULL, FIELD_WHOLE, UNIT_NONE, FIELD_AT(struct download_tcp, busy_us), 0, 0, "", NULL, "time with data to send" },
    { "receiver_limited_us", NULL, FIELD_WHOLE, UNIT_NONE, FIELD_AT(struct download_tcp, receiver_limited_us), 0, 0, "", NULL, "of that, held by the receiver's window" },
    { "buffer_limited_us", NULL, FIELD_WHOLE, UNIT_NONE, FIELD_AT(struct download_tcp, buffer_limited_us), 0, 0, "", NULL, "of that, held by the send buffer" },
    { "delivery_bps", NULL, FIELD_WHOLE, UNIT_RATE, FIELD_AT(struct download_tcp, delivery_bps), 0, 0, "", NULL, "TCP's latest delivery rate" },
    { "receive_window_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_tcp, receive_window_bytes), 0, 0, "", NULL, "receive space of this end" },
};

static const struct field download_connection_fields[] = {
    { "connection", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct download_connection, connection), 0, 0, "", NULL, "number of the connection" },
    { "opened_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct download_connection, opened_ns), 0, 0, "", NULL, "connect called, or accepted" },
    { "connected_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct download_connection, connected_ns), 0, 0, "", NULL, "handshake done" },
    { "request_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct download_connection, request_ns), 0, 0, "", NULL, "request sent, or received" },
    { "first_byte_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct download_connection, first_byte_ns), 0, 0, "", NULL, "first content byte" },
    { "last_byte_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct download_connection, last_byte_ns), 0, 0, "", NULL, "last content byte" },
    { "content_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_connection, content_bytes), 0, 0, "", NULL, "content handed to TCP, or received" },
    { "framing_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_connection, framing_bytes), 0, 0, "", NULL, "HTTP heads and chunk marks beside it" },
    { "local_port", NULL, FIELD_WHOLE, UNIT_NONE, FIELD_AT(struct download_connection, local_port), 0, 65535, "", NULL, "TCP port here" },
    { "peer_port", NULL, FIELD_WHOLE, UNIT_NONE, FIELD_AT(struct download_connection, peer_port), 0, 65535, "", NULL, "TCP port there" },
    { "congestion_control", NULL, FIELD_TEXT, UNIT_NONE, FIELD_AT(struct download_connection, congestion_control), 0, 0, "", NULL, "the system's congestion control" },
};

static const struct series download_series[] = {
    { "arrivals", "content bytes by time of arrival, at the receiver", sizeof(struct download_arrival), download_arrival_fields, COUNT_OF(download_arrival_fields) },
    { "tcp", "TCP's own account, four times a second, at both ends", sizeof(struct download_tcp), download_tcp_fields, COUNT_OF(download_tcp_fields) },
    { "connections", "each connection, at both ends", sizeof(struct download_connection), download_connection_fields, COUNT_OF(download_connection_fields) },
};
/* clang-format on */

/* What an end says of the whole download. */
struct download_outcome {
    uint64_t content_bytes;     /* all connections; fed, or received */
    uint64_t fed_until_ns;      /* sender: when feeding stopped, its clock */
    uint64_t tail_bytes;        /* receiver: arrived after for_ns */
    uint64_t most_unsent_bytes; /* sender: most ever seen unsent in a socket */
    struct looks_outcome looks; /* receiver */
};

/* clang-format off */
static const struct field download_outcome_fields[] = {
    { "content_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_outcome, content_bytes), 0, 0, "", NULL, "content of all connections: fed, or received" },
    { "fed_until_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct download_outcome, fed_until_ns), 0, 0, "", NULL, "sender stopped feeding, on its clock" },
    { "tail_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_outcome, tail_bytes), 0, 0, "", NULL, "arrived after the time was over" },
    { "most_unsent_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct download_outcome, most_unsent_bytes), 0, 0, "", NULL, "most that waited unsent in a socket" },
    LOOKS_FIELDS(struct download_outcome),
};
/* clang-format on */

/* Does it end when the goodput is known well enough? */
static inline bool download_is_until(const struct download_spec *download)
{
    return download->within_ratio > 0;
}

/* How long data are fed at the most; 0: until all bytes are. */
static inline uint64_t download_feed_ns(const struct download_spec *download)
{
    return download_is_until(download) ? download->at_most_ns
                                       : download->for_ns;
}

static inline const char *
download_until_objection(const struct download_spec *download)
{
    if (download->size_bytes || download->for_ns || download->url[0])
        return "found until beside size, for or url, expected until alone with "
               "at_most";
    if (download->at_most_ns < 2 * LOOKS_FIRST_NS)
        return "found until without at_most, or a short one, expected at_most "
               "of at least 36 s";
    return NULL;
}

static inline const char *
download_url_objection(const struct download_spec *download)
{
    const char *objection = url_objection(download->url);

    if (objection)
        return objection;
    if (download->size_bytes)
        return "found both url and size, expected at_most or for (the file is "
               "as long as it is)";
    if (!download->for_ns && !download->at_most_ns)
        return "found url without at_most or for, expected one of them "
               "(nobody here knows how long the file is)";
    if (download->opener != OPENER_RECEIVER)
        return "found url with opener: sender, expected the receiver to open";
    return NULL;
}

static inline bool download_from_host(const void *spec, char *ret_host,
                                      size_t size)
{
    const struct download_spec *download = spec;
    struct url url = { .port = 0 };

    (void) url_split(download->url, &url);
    (void) snprintf(ret_host, size, "%s", url.host);
    return download->url[0] != '\0';
}

/* How long the file is nobody knows; a rehearsal sends about a picture. */
#define DOWNLOAD_REHEARSED_BYTES 100000

static inline void download_forget_host(void *spec)
{
    struct download_spec *download = spec;

    memset(download->url, 0, sizeof(download->url));
    if (!download->for_ns)
        download->size_bytes = DOWNLOAD_REHEARSED_BYTES;
}

static inline const char *download_objection(const void *spec)
{
    const struct download_spec *download = spec;

    if (download->size_bytes && download->for_ns)
        return "found both size and for, expected one of them";
    if (download_is_until(download))
        return download_until_objection(download);
    if (download->url[0])
        return download_url_objection(download);
    if (!download->size_bytes && !download->for_ns)
        return "found neither size nor for nor until, expected one of them";
    if (download->at_most_ns && download->at_most_ns < download->for_ns)
        return "found at_most shorter than for, expected it to be longer";
    return NULL;
}

static inline uint64_t download_longest_ns(const void *spec, uint64_t seed)
{
    const struct download_spec *download = spec;

    (void) seed;
    if (download->at_most_ns && !download_is_until(download))
        return download->at_most_ns;
    if (download_feed_ns(download))
        return 2 * download_feed_ns(download) + NS_PER_MIN;
    return 60 * NS_PER_MIN;
}

static inline uint64_t download_planned_ns(const void *spec, uint64_t seed,
                                           double expected_bps)
{
    const struct download_spec *download = spec;
    const uint64_t longest_ns = download_longest_ns(spec, seed);
    double planned_ns = (double) download_feed_ns(download) + 2e9;

    if (download->size_bytes && expected_bps > 0)
        planned_ns =
            (double) download->size_bytes * BITS_PER_BYTE / expected_bps * 1e9
            + 2e9;
    else if (!download_feed_ns(download))
        return longest_ns;
    return planned_ns < (double) longest_ns ? (uint64_t) planned_ns
                                            : longest_ns;
}

static_assert(sizeof(struct download_spec) <= sizeof(struct kind_room)
                  && sizeof(struct download_outcome)
                         <= sizeof(struct kind_room),
              "a download fits the room of a kind");

static const struct kind download_kind = {
    .name = "download",
    .help = "bulk data over HTTP and TCP, one way",
    .from_part = "sender",
    .to_part = "receiver",
    .to_may_be_host = false,
    .from_host = download_from_host,
    .forget_host = download_forget_host,
    .spec_fields = download_spec_fields,
    .spec_field_count = COUNT_OF(download_spec_fields),
    .spec_size = sizeof(struct download_spec),
    .outcome_fields = download_outcome_fields,
    .outcome_field_count = COUNT_OF(download_outcome_fields),
    .outcome_size = sizeof(struct download_outcome),
    .series = download_series,
    .series_count = COUNT_OF(download_series),
    .objection = download_objection,
    .planned_ns = download_planned_ns,
    .longest_ns = download_longest_ns,
};

#endif
