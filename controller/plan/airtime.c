/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/airtime.h"

#include "reports/capacity_arithmetic.h"

#include <string.h>

/* What an exchange sends, of IP. */
struct load {
    double packets_count, bytes;
};

/* One direction each: what the end named by "from" sends, and what the other
 * does. */
struct loads {
    struct load from, to;
};

/* The air that a byte and a transmission cost on a step. */
struct price {
    double byte_s;         /* frames included */
    double transmission_s; /* slot overhead */
    double most_bytes;     /* of one transmission; INFINITY: no limit */
};

static struct price price_of(const struct plan_link *link,
                             const struct expectation *expectation)
{
    const struct carried *way = &expectation->ways[WAY_TO_STATION];
    double rate_bps = way->likely_bps[LAYER_CODED];
    const double payload_bytes = (double) link->frame_payload_bytes;
    const bool has_frames = link->frame_payload_bytes > 0;
    struct price price = { .most_bytes = (double) INFINITY };

    if (!(rate_bps > 0)) {
        /* A maker's usable rate: all overhead is in it. */
        price.byte_s = BITS_PER_BYTE / range_middle(expectation->ip_bps);
        return price;
    }
    price.byte_s =
        BITS_PER_BYTE / rate_bps
        * (has_frames ? 1 + (double) link->frame_overhead_bytes / payload_bytes
                      : 1);
    price.transmission_s = range_middle(link->slot_overhead_ns) * 1e-9;
    if (range_is_said(link->slot_limit_ns))
        price.most_bytes =
            (range_middle(link->slot_limit_ns) * 1e-9 - price.transmission_s)
            / price.byte_s;
    return price;
}

/* Transmissions of one direction.  Single packets have one each, unless they
 * come so thick that it takes several; of bulk data each is full. */
static double transmissions_of(const struct price *price,
                               const struct load *load, bool is_bulk)
{
    const double full = load->bytes / price->most_bytes;

    return is_bulk ? full : fmax(load->packets_count, full);
}

static double on_air_s(const struct price *price, const struct load *load,
                       double transmissions)
{
    return transmissions * price->transmission_s + load->bytes * price->byte_s;
}

/* --- what each kind sends ------------------------------------------------ */

static double ip_header_bytes(const struct plan *plan,
                              const struct plan_exchange *exchange)
{
    const int end =
        exchange->from_end >= 0 ? exchange->from_end : exchange->to_end;

    return end >= 0 && strchr(plan->ends[end].address, ':') ? IPV6_HEADER_BYTES
                                                            : IPV4_HEADER_BYTES;
}

/* Probes at the gap's mean where the count is not said; each is answered by as
 * many bytes. */
static struct loads probing_loads(const struct probing *probing,
                                  double packet_bytes,
                                  const struct airtime_course *course)
{
    const double count =
        probing->count > 0 ? (double) probing->count
                           : course->planned_s / (probing->gap_ns.mean * 1e-9);
    const double bytes = count * packet_bytes;

    return (struct loads){ { count, bytes }, { count, bytes } };
}

static struct loads ping_loads(const struct plan *plan,
                               const struct plan_exchange *exchange,
                               const struct expectation *expectation,
                               const struct airtime_course *course)
{
    const struct ping_spec *ping =
        (const struct ping_spec *) exchange->spec.bytes;
    const struct probing probing = PROBING_OF(ping);

    (void) expectation;
    return probing_loads(&probing,
                         (double) ping->size_bytes + ECHO_HEADER_BYTES
                             + ip_header_bytes(plan, exchange),
                         course);
}

static struct loads timing_loads(const struct plan *plan,
                                 const struct plan_exchange *exchange,
                                 const struct expectation *expectation,
                                 const struct airtime_course *course)
{
    const struct timing_spec *timing =
        (const struct timing_spec *) exchange->spec.bytes;
    const struct probing probing = PROBING_OF(timing);

    (void) expectation;
    return probing_loads(&probing,
                         (double) timing->size_bytes + UDP_HEADER_BYTES
                             + ip_header_bytes(plan, exchange),
                         course);
}

static struct loads download_loads(const struct plan *plan,
                                   const struct plan_exchange *exchange,
                                   const struct expectation *expectation,
                                   const struct airtime_course *course)
{
    const struct download_spec *download =
        (const struct download_spec *) exchange->spec.bytes;
    const double header_bytes = ip_header_bytes(plan, exchange)
                                + TCP_HEADER_BYTES + TCP_TIMESTAMP_BYTES;
    const double segment_bytes = (double) plan->link.mtu_bytes - header_bytes;
    const double acks_each = expectation->acks.likely_segments >= 1
                                 ? expectation->acks.likely_segments
                                 : 1;
    const double content_bytes =
        download->size_bytes
            ? (double) download->size_bytes
            : course->planned_s * course->goodput_bps / BITS_PER_BYTE;
    const double segments = content_bytes / segment_bytes;
    const double acks = segments / acks_each;

    return (
        struct loads){ { segments, segments * (segment_bytes + header_bytes) },
                       { acks, acks * header_bytes } };
}

/* Each message is confirmed by a short line of the other end's program. */
static struct loads messages_loads(const struct plan *plan,
                                   const struct plan_exchange *exchange,
                                   const struct expectation *expectation,
                                   const struct airtime_course *course)
{
    const struct messages_spec *messages =
        (const struct messages_spec *) exchange->spec.bytes;
    const double line_bytes = 24; /* in front of a message, and of an answer */
    const double header_bytes = ip_header_bytes(plan, exchange)
                                + TCP_HEADER_BYTES + TCP_TIMESTAMP_BYTES;
    const double count =
        messages->count > 0
            ? (double) messages->count
            : course->planned_s / (messages->gap_ns.mean * 1e-9);
    const struct load load = {
        2 * count,
        count * (messages->size_bytes.mean + 2 * (line_bytes + header_bytes))
    };

    (void) expectation;
    return (struct loads){ load, load };
}

/* clang-format off */
static const struct {
    const char *kind;
    bool is_bulk; /* whole windows in one transmission */
    struct loads (*loads)(const struct plan *plan,
                          const struct plan_exchange *exchange,
                          const struct expectation *expectation,
                          const struct airtime_course *course);
} rows[] = {
    { "ping", false, ping_loads },
    { "download", true, download_loads },
    { "messages", false, messages_loads },
    { "timing", false, timing_loads },
};
/* clang-format on */

/* --- who is on the air --------------------------------------------------- */

static size_t hub_of(const struct plan *plan)
{
    for (size_t i = 0; i < plan->end_count; i++) {
        if (plan->ends[i].role == ROLE_HUB && plan_end_is_site(&plan->ends[i]))
            return i;
    }
    return 0;
}

size_t airtime_transmitter(const struct plan *plan, int end)
{
    if (end < 0 || plan->ends[end].role == ROLE_HUB)
        return hub_of(plan);
    if (plan_end_is_site(&plan->ends[end]))
        return (size_t) end;
    for (size_t i = 0; i < plan->end_count; i++) {
        if (plan->ends[i].role == ROLE_STATION
            && plan_end_is_site(&plan->ends[i]))
            return i;
    }
    return (size_t) end;
}

bool airtime_is_bulk(const struct plan_exchange *exchange)
{
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        if (strcmp(rows[i].kind, exchange->kind->name) == 0)
            return rows[i].is_bulk;
    }
    return false;
}

void airtime_add(const struct plan *plan, size_t index,
                 const struct expectation *expectation,
                 const struct airtime_course *course,
                 double ends_s[PLAN_ENDS_MAX])
{
    const struct plan_exchange *exchange = &plan->exchanges[index];
    const struct price price = price_of(&plan->link, expectation);
    const size_t from = airtime_transmitter(plan, exchange->from_end);
    const size_t to = airtime_transmitter(plan, exchange->to_end);
    const size_t hub = hub_of(plan);

    if (from == to)
        return; /* behind one radio */
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        if (strcmp(rows[i].kind, exchange->kind->name) != 0)
            continue;
        const struct loads loads =
            rows[i].loads(plan, exchange, expectation, course);
        const double from_count =
            transmissions_of(&price, &loads.from, rows[i].is_bulk);
        double to_count = transmissions_of(&price, &loads.to, rows[i].is_bulk);

        /* A turn of acknowledgements answers each turn of data. */
        if (rows[i].is_bulk)
            to_count = fmax(to_count, from_count);
        const double from_s = on_air_s(&price, &loads.from, from_count);
        const double to_s = on_air_s(&price, &loads.to, to_count);

        ends_s[from] += from_s;
        ends_s[to] += to_s;
        /* From station to station all of it is passed on by the hub. */
        if (from != hub && to != hub)
            ends_s[hub] += from_s + to_s;
    }
}
