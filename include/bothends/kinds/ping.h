/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_KINDS_PING_H
#define BOTHENDS_KINDS_PING_H

#include <assert.h>
#include <bothends/kind.h>
#include <bothends/probing.h>

/*
 * ping: ICMP or ICMPv6 echo (RFC 792, RFC 4443) from an end to any host.
 * Round-trip delay as in RFC 2681; when a probe is lost, and how long probes
 * are sent: bothends/probing.h.
 *
 * The end named by "from" is the prober.  If "to" is an end with an agent, it
 * is the answerer: its kernel answers, its agent watches the counters.
 *
 * The echo data start with the clear-text header of agent/exchanges/payload.h
 * as far as there is room.
 */
struct ping_spec {
    uint64_t count;       /* probes; 0 when a time rules */
    uint64_t for_ns;      /* probing time; 0 when count rules */
    double within_ratio;  /* until the median is known so well; NaN: not said */
    uint64_t at_most_ns;  /* with within_ratio: the longest probing time */
    struct spread gap_ns; /* from one probe's sending to the next */
    uint64_t size_bytes;  /* echo data, without ICMP and IP headers */
    uint64_t wait_ns;     /* waiting time after which a probe is lost */
};

/* clang-format off */
static const struct field ping_spec_fields[] = {
    PROBING_FIELDS(struct ping_spec),
    { "size_bytes", "size", FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct ping_spec, size_bytes),
      0, 65000, "56 B", NULL, "data carried by each probe, headers apart" },
    PROBING_WAIT_FIELD(struct ping_spec),
};
/* clang-format on */

/* One probe.  Stamps on the prober's monotonic clock. */
struct ping_probe {
    uint64_t sequence; /* from 0 */
    int state;
    uint64_t sent_ns;
    int sent_source;
    uint64_t received_ns; /* of the first answer; 0 when there was none */
    int received_source;
    uint64_t rtt_ns;           /* received - sent; 0 when no answer came */
    uint64_t duplicates_count; /* further answers */
    uint64_t ttl;              /* TTL or hop limit of the first answer */
    bool after_pause; /* first probe after a pause: address resolution and idle
                         polling may have delayed it */
};

/* clang-format off */
static const struct field ping_probe_fields[] = {
    { "sequence", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct ping_probe, sequence), 0, 1e9, "", NULL, "number of the probe, from 0" },
    { "state", NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct ping_probe, state), 0, 0, "", probe_states, "lost, answered, late (after the waiting time: counts as lost) or unsent" },
    { "sent_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct ping_probe, sent_ns), 0, 0, "", NULL, "sent, on the prober's monotonic clock" },
    { "sent_source", NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct ping_probe, sent_source), 0, 0, "", stamp_sources, "where the sending was stamped" },
    { "received_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct ping_probe, received_ns), 0, 0, "", NULL, "first answer received; 0: none" },
    { "received_source", NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct ping_probe, received_source), 0, 0, "", stamp_sources, "where the answer was stamped" },
    { "rtt_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct ping_probe, rtt_ns), 0, 0, "", NULL, "round-trip delay (RFC 2681); 0: no answer" },
    { "duplicates_count", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct ping_probe, duplicates_count), 0, 0, "", NULL, "further answers to the same probe" },
    { "ttl", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct ping_probe, ttl), 0, 255, "", NULL, "TTL or hop limit of the first answer" },
    { "after_pause", NULL, FIELD_FLAG, UNIT_NONE, FIELD_AT(struct ping_probe, after_pause), 0, 0, "", NULL, "first probe after a pause" },
};

static const struct series ping_series[] = {
    { "probes", "every probe of the prober", sizeof(struct ping_probe), ping_probe_fields, COUNT_OF(ping_probe_fields) },
};

static const char *const ping_sockets[] = { "none", "datagram", "raw", NULL };
/* clang-format on */

/* What an end says of the whole ping; the answerer's counts are 0. */
struct ping_outcome {
    uint64_t sent_count, answered_count, lost_count, late_count;
    uint64_t duplicates_count;
    uint64_t unsent_count; /* the system refused to send */
    uint64_t wire_bytes;   /* IP length of one probe */
    int socket;
    struct looks_outcome looks; /* prober */
};

/* clang-format off */
static const struct field ping_outcome_fields[] = {
    { "sent_count", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct ping_outcome, sent_count), 0, 0, "", NULL, "probes sent" },
    { "answered_count", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct ping_outcome, answered_count), 0, 0, "", NULL, "answered within the waiting time" },
    { "lost_count", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct ping_outcome, lost_count), 0, 0, "", NULL, "not answered within the waiting time (late ones included)" },
    { "late_count", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct ping_outcome, late_count), 0, 0, "", NULL, "answered after the waiting time" },
    { "duplicates_count", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct ping_outcome, duplicates_count), 0, 0, "", NULL, "further answers" },
    { "unsent_count", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct ping_outcome, unsent_count), 0, 0, "", NULL, "probes that the system refused to send" },
    { "wire_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct ping_outcome, wire_bytes), 0, 0, "", NULL, "IP length of one probe" },
    { "socket", NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct ping_outcome, socket), 0, 0, "", ping_sockets, "kind of ICMP socket that was allowed" },
    LOOKS_FIELDS(struct ping_outcome),
};
/* clang-format on */

static inline const char *ping_objection(const void *spec)
{
    const struct ping_spec *ping = spec;
    const struct probing probing = PROBING_OF(ping);

    return probing_objection(&probing);
}

static inline uint64_t ping_longest_ns(const void *spec, uint64_t seed)
{
    const struct ping_spec *ping = spec;
    const struct probing probing = PROBING_OF(ping);

    return probing_longest_ns(&probing, seed);
}

static inline uint64_t ping_planned_ns(const void *spec, uint64_t seed,
                                       double expected_bps)
{
    const struct ping_spec *ping = spec;
    const struct probing probing = PROBING_OF(ping);

    (void) expected_bps;
    return probing_planned_ns(&probing, seed);
}

static_assert(sizeof(struct ping_spec) <= sizeof(struct kind_room)
                  && sizeof(struct ping_outcome) <= sizeof(struct kind_room),
              "a ping fits the room of a kind");

static const struct kind ping_kind = {
    .name = "ping",
    .help = "ICMP echo from an end to any host",
    .from_part = "prober",
    .to_part = "answerer",
    .to_may_be_host = true,
    .spec_fields = ping_spec_fields,
    .spec_field_count = COUNT_OF(ping_spec_fields),
    .spec_size = sizeof(struct ping_spec),
    .outcome_fields = ping_outcome_fields,
    .outcome_field_count = COUNT_OF(ping_outcome_fields),
    .outcome_size = sizeof(struct ping_outcome),
    .series = ping_series,
    .series_count = COUNT_OF(ping_series),
    .objection = ping_objection,
    .planned_ns = ping_planned_ns,
    .longest_ns = ping_longest_ns,
};

#endif
