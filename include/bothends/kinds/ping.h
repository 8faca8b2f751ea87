/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_KINDS_PING_H
#define BOTHENDS_KINDS_PING_H

#include <assert.h>
#include <bothends/draw.h>
#include <bothends/kind.h>
#include <bothends/looks.h>

/*
 * ping: ICMP or ICMPv6 echo (RFC 792, RFC 4443) from an end to any host.
 * Round-trip delay as in RFC 2681, loss as in RFC 6673: a probe whose answer
 * has not come within the waiting time is lost; an answer after that is noted
 * as late and stays lost.
 *
 * The end named by "from" is the prober.  If "to" is an end with an agent, it
 * is the answerer: its kernel answers, its agent watches the counters.
 *
 * Until the median round trip is known well enough (bothends/looks.h), the
 * prober looks at the probes whose fate is known and stops sending.
 *
 * The echo data start with the clear-text header of agent/exchanges/payload.h
 * as far as there is room.
 */
struct ping_spec {
    uint64_t count;       /* probes; 0 when for_ns rules */
    uint64_t for_ns;      /* probing time; 0 when count rules */
    double within_ratio;  /* until the median is known so well; NaN: not said */
    uint64_t at_most_ns;  /* with within_ratio: the longest probing time */
    struct spread gap_ns; /* from one probe's sending to the next */
    uint64_t size_bytes;  /* echo data, without ICMP and IP headers */
    uint64_t wait_ns;     /* waiting time after which a probe is lost */
};

#define PING_COUNT_MAX 1e6 /* probes of one exchange */

/* clang-format off */
static const struct field ping_spec_fields[] = {
    { "count", "count", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct ping_spec, count),
      1, PING_COUNT_MAX, "", NULL, "how many probes are sent (or say for)" },
    { "for_ns", "for", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct ping_spec, for_ns),
      1e6, 86400e9, "", NULL, "how long probes are sent (or say count)" },
    { "within_ratio", "until", FIELD_REAL, UNIT_WITHIN, FIELD_AT(struct ping_spec, within_ratio),
      0, 0.5, "", NULL, "probes are sent until the median round trip is known so well (half of its interval over it), at_most at the longest" },
    { "at_most_ns", "at_most", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct ping_spec, at_most_ns),
      1e9, 86400e9, "", NULL, "with until: the longest time that probes are sent" },
    { "gap_ns", "gap", FIELD_SPREAD, UNIT_DURATION, FIELD_AT(struct ping_spec, gap_ns),
      1e6, 3600e9, "about 1 s", NULL, "time from one probe to the next; 'about' draws it anew each time, so that probes cannot lock to the slots" },
    { "size_bytes", "size", FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct ping_spec, size_bytes),
      0, 65000, "56 B", NULL, "data carried by each probe, headers apart" },
    { "wait_ns", "wait", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct ping_spec, wait_ns),
      1e6, 600e9, "10 s", NULL, "a probe not answered within this time is lost" },
};

static const char *const probe_states[] = { "lost", "answered", "late", "unsent", NULL };
static const char *const stamp_sources[] = { "none", "agent", "kernel", NULL };
/* clang-format on */

enum probe_state {
    PROBE_LOST,
    PROBE_ANSWERED,
    PROBE_LATE,
    PROBE_UNSENT
};

/* Where a stamp was taken: by the agent's code, or in the kernel. */
enum stamp_source {
    STAMP_NONE,
    STAMP_AGENT,
    STAMP_KERNEL
};

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

static inline bool ping_is_until(const struct ping_spec *ping)
{
    return ping->within_ratio > 0;
}

/* How long probes are sent at the most; 0: the count rules. */
static inline uint64_t ping_sending_ns(const struct ping_spec *ping)
{
    return ping_is_until(ping) ? ping->at_most_ns : ping->for_ns;
}

static inline const char *ping_objection(const void *spec)
{
    const struct ping_spec *ping = spec;

    if (ping->count && ping->for_ns)
        return "found both count and for, expected one of them";
    if (ping_is_until(ping) && (ping->count || ping->for_ns))
        return "found until beside count or for, expected until alone with "
               "at_most";
    if (ping_is_until(ping) && ping->at_most_ns < 2 * LOOKS_FIRST_NS)
        return "found until without at_most, or a short one, expected at_most "
               "of at least 36 s";
    if (ping->at_most_ns && !ping_is_until(ping))
        return "found at_most without until, expected for or count alone";
    if (!ping->count && !ping_sending_ns(ping))
        return "found neither count nor for nor until, expected one of them";
    if ((double) ping_sending_ns(ping) > PING_COUNT_MAX * ping->gap_ns.mean)
        return "found more than a million probes, expected a longer gap or a "
               "shorter time";
    return NULL;
}

/* The time of probe number `sequence` after the start: gaps summed. */
static inline uint64_t ping_next_gap_ns(const struct ping_spec *ping,
                                        struct draw *draw)
{
    return (uint64_t) draw_spread(draw, &ping->gap_ns);
}

/* When the last probe is sent, after the start. */
static inline uint64_t ping_last_sent_ns(const struct ping_spec *ping,
                                         uint64_t seed)
{
    struct draw draw = { seed };
    uint64_t at_ns = 0;

    for (uint64_t sent = 1; !ping->count || sent < ping->count; sent++) {
        const uint64_t next_ns = at_ns + ping_next_gap_ns(ping, &draw);

        if (ping_sending_ns(ping) && next_ns >= ping_sending_ns(ping))
            break;
        at_ns = next_ns > at_ns ? next_ns : at_ns + 1;
    }
    return at_ns;
}

static inline uint64_t ping_longest_ns(const void *spec, uint64_t seed)
{
    const struct ping_spec *ping = spec;

    return ping_last_sent_ns(ping, seed) + ping->wait_ns;
}

static inline uint64_t ping_planned_ns(const void *spec, uint64_t seed,
                                       double expected_bps)
{
    (void) expected_bps;
    return ping_last_sent_ns(spec, seed) + NS_PER_S;
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
