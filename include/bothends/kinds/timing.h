/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_KINDS_TIMING_H
#define BOTHENDS_KINDS_TIMING_H

#include <assert.h>
#include <bothends/kind.h>
#include <bothends/probing.h>

/*
 * timing: STAMP (RFC 8762, authenticated mode, session identifier of RFC 8972)
 * between two agents over UDP.  The end named by "from" is the session sender,
 * the end named by "to" the session reflector.
 *
 * Both ends record.  The sender knows when each probe went (T1) and its reply
 * came (T4); the reflector has a row for every packet of the session that
 * reached it, with its own clock's arrival (T2) and reply (T3).  So what was
 * lost, doubled and overtaken is known for each direction by itself, also where
 * the last reply is lost.  The delay of one direction takes both ends' clocks;
 * what each account says of wall clock minus monotonic clock joins them.
 *
 * The reflector counts its replies (stateful, RFC 8762 section 4).  A packet
 * whose number has come before is noted and not answered: from here a copy
 * that the link made and one that a stranger sent again look alike.  So what
 * the sender gets twice was doubled on the way back.
 *
 * A probe is answered or lost as in bothends/probing.h.  Round trip: (T4 - T1)
 * - (T3 - T2), without the reflector's own time.
 */
struct timing_spec {
    uint64_t count;       /* probes; 0 when a time rules */
    uint64_t for_ns;      /* probing time; 0 when count rules */
    double within_ratio;  /* until the median is known so well; NaN: not said */
    uint64_t at_most_ns;  /* with within_ratio: the longest probing time */
    struct spread gap_ns; /* from one probe's sending to the next */
    uint64_t size_bytes;  /* UDP payload of a probe, and of its reply */
    uint64_t wait_ns;     /* waiting time after which a probe is lost */
};

/* The base packet of the authenticated mode, both ways; what goes beyond it is
 * one Extra Padding TLV, whose head takes four octets (RFC 8972 section 4.1).
 */
#define TIMING_BASE_BYTES     112
#define TIMING_TLV_HEAD_BYTES 4
/* With IPv4 and UDP headers one packet of 1500 B. */
#define TIMING_SIZE_MAX 1472

/* clang-format off */
static const struct field timing_spec_fields[] = {
    PROBING_FIELDS(struct timing_spec),
    { "size_bytes", "size", FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct timing_spec, size_bytes),
      TIMING_BASE_BYTES, TIMING_SIZE_MAX, "112 B", NULL, "each probe and each reply, UDP and IP headers apart: 112 B, or 116 B and more" },
    PROBING_WAIT_FIELD(struct timing_spec),
};
/* clang-format on */

/* One probe, at the sender.  Times ending in unix_ns are wall clock as the
 * packets carry it (NTP format), all others the sender's monotonic clock. */
struct timing_probe {
    uint64_t sequence; /* from 0 */
    int state;
    uint64_t planned_ns;
    uint64_t sent_ns;
    int sent_source;
    uint64_t sent_unix_ns; /* T1 */
    /* Of the first reply; all 0 when there was none. */
    uint64_t received_ns; /* T4 */
    int received_source;
    uint64_t arrived_unix_ns; /* T2, by the reflector's wall clock */
    uint64_t replied_unix_ns; /* T3, by the same */
    uint64_t reply_sequence;  /* the reflector's count of replies, from 0 */
    uint64_t reply_number;    /* as which reply it came in, from 1 */
    uint64_t probe_ttl;       /* TTL or hop limit that the probe arrived with */
    uint64_t reply_ttl;       /* that the reply arrived with */
    uint64_t duplicates_count; /* further replies to the same probe */
    bool after_pause; /* first probe after a pause: address resolution and idle
                         polling may have delayed it */
};

/* One more reply to a probe that had one, at the sender, in the order in which
 * they came.  Sender's monotonic clock. */
struct timing_duplicate {
    uint64_t sequence, reply_sequence;
    uint64_t received_ns;
    int received_source;
};

/* One packet of the session, at the reflector, in the order in which they came.
 * Reflector's monotonic clock. */
struct timing_arrival {
    uint64_t sequence; /* that its sender gave it */
    uint64_t arrived_ns;
    int arrived_source;
    uint64_t replied_ns;     /* handed to the system; 0: not replied to */
    uint64_t reply_sequence; /* of the reply, where there is one */
    uint64_t ttl;
    bool is_duplicate; /* its number has come before */
};

/* clang-format off */
#define TIMING_TIME(type, member, text) { #member, NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct type, member), 0, 0, "", NULL, text }
#define TIMING_NUMBER(type, member, text) { #member, NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct type, member), 0, 1e9, "", NULL, text }
#define TIMING_TTL(type, member, text) { #member, NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct type, member), 0, 255, "", NULL, text }
#define TIMING_SOURCE(type, member, text) { #member, NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct type, member), 0, 0, "", stamp_sources, text }

static const struct field timing_probe_fields[] = {
    TIMING_NUMBER(timing_probe, sequence, "number of the probe, from 0"),
    { "state", NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct timing_probe, state), 0, 0, "", probe_states, "lost, answered, late (after the waiting time: counts as lost) or unsent" },
    TIMING_TIME(timing_probe, planned_ns, "due, on the sender's monotonic clock"),
    TIMING_TIME(timing_probe, sent_ns, "sent, on the same clock"),
    TIMING_SOURCE(timing_probe, sent_source, "where the sending was stamped"),
    TIMING_TIME(timing_probe, received_ns, "first reply received, on the same clock; 0: none"),
    TIMING_SOURCE(timing_probe, received_source, "where the reply was stamped"),
    TIMING_TIME(timing_probe, sent_unix_ns, "T1 as the probe carried it: the sender's wall clock"),
    TIMING_TIME(timing_probe, arrived_unix_ns, "T2 as the reply carried it: arrival by the reflector's wall clock"),
    TIMING_TIME(timing_probe, replied_unix_ns, "T3 as the reply carried it: its sending by the same clock"),
    TIMING_NUMBER(timing_probe, reply_sequence, "number of the reply as the reflector counts its replies, from 0"),
    TIMING_NUMBER(timing_probe, reply_number, "as which of the first replies it came in, from 1; 0: none"),
    TIMING_TTL(timing_probe, probe_ttl, "TTL or hop limit that the probe arrived with, as the reply carried it"),
    TIMING_TTL(timing_probe, reply_ttl, "TTL or hop limit that the reply arrived with"),
    TIMING_NUMBER(timing_probe, duplicates_count, "further replies to the same probe"),
    { "after_pause", NULL, FIELD_FLAG, UNIT_NONE, FIELD_AT(struct timing_probe, after_pause), 0, 0, "", NULL, "first probe after a pause" },
};

static const struct field timing_duplicate_fields[] = {
    TIMING_NUMBER(timing_duplicate, sequence, "number of the probe"),
    TIMING_NUMBER(timing_duplicate, reply_sequence, "number of the reply"),
    TIMING_TIME(timing_duplicate, received_ns, "received, on the sender's monotonic clock"),
    TIMING_SOURCE(timing_duplicate, received_source, "where it was stamped"),
};

static const struct field timing_arrival_fields[] = {
    TIMING_NUMBER(timing_arrival, sequence, "number that the sender gave it"),
    TIMING_TIME(timing_arrival, arrived_ns, "arrived, on the reflector's monotonic clock"),
    TIMING_SOURCE(timing_arrival, arrived_source, "where the arrival was stamped"),
    TIMING_TIME(timing_arrival, replied_ns, "reply handed to the system; 0: none"),
    TIMING_NUMBER(timing_arrival, reply_sequence, "number of the reply, from 0"),
    TIMING_TTL(timing_arrival, ttl, "TTL or hop limit that it arrived with"),
    { "is_duplicate", NULL, FIELD_FLAG, UNIT_NONE, FIELD_AT(struct timing_arrival, is_duplicate), 0, 0, "", NULL, "its number has come before: noted, not replied to" },
};

static const struct series timing_series[] = {
    { "probes", "every probe of the sender", sizeof(struct timing_probe), timing_probe_fields, COUNT_OF(timing_probe_fields) },
    { "duplicates", "replies of which the sender had one already", sizeof(struct timing_duplicate), timing_duplicate_fields, COUNT_OF(timing_duplicate_fields) },
    { "arrivals", "every packet of the session that reached the reflector", sizeof(struct timing_arrival), timing_arrival_fields, COUNT_OF(timing_arrival_fields) },
};
/* clang-format on */

/* What an end says of the whole: the sender of its probes, the reflector of
 * what came in; what the other does is 0. */
struct timing_outcome {
    uint64_t sent_count, answered_count, lost_count, late_count;
    uint64_t unsent_count;  /* the system refused to send */
    uint64_t arrived_count; /* different probes */
    uint64_t replied_count, unreplied_count;
    uint64_t duplicates_count; /* replies, probes */
    /* Dropped, and nowhere else in the account. */
    uint64_t malformed_count, forged_count, foreign_count, surplus_count;
    uint64_t wire_bytes; /* IP length of one probe, or reply */
    uint64_t session;    /* its identifier (SSID) */
    uint64_t local_port, peer_port;
    struct looks_outcome looks; /* sender */
};

/* clang-format off */
#define TIMING_OUTCOME(member, unit, text) { #member, NULL, FIELD_WHOLE, unit, FIELD_AT(struct timing_outcome, member), 0, 0, "", NULL, text }
static const struct field timing_outcome_fields[] = {
    TIMING_OUTCOME(sent_count, UNIT_COUNT, "probes sent"),
    TIMING_OUTCOME(answered_count, UNIT_COUNT, "answered within the waiting time"),
    TIMING_OUTCOME(lost_count, UNIT_COUNT, "not answered within the waiting time (late ones included)"),
    TIMING_OUTCOME(late_count, UNIT_COUNT, "answered after the waiting time"),
    TIMING_OUTCOME(unsent_count, UNIT_COUNT, "probes that the system refused to send"),
    TIMING_OUTCOME(arrived_count, UNIT_COUNT, "different probes that reached the reflector"),
    TIMING_OUTCOME(replied_count, UNIT_COUNT, "replies sent"),
    TIMING_OUTCOME(unreplied_count, UNIT_COUNT, "probes not replied to: the system refused, or the sender was through"),
    TIMING_OUTCOME(duplicates_count, UNIT_COUNT, "further replies (sender), probes that had come before (reflector)"),
    TIMING_OUTCOME(malformed_count, UNIT_COUNT, "dropped: of the session by its identifier, but of another size or form"),
    TIMING_OUTCOME(forged_count, UNIT_COUNT, "dropped: of the session by its identifier, but not signed with its key"),
    TIMING_OUTCOME(foreign_count, UNIT_COUNT, "dropped: signed, but from another address than the session's"),
    TIMING_OUTCOME(surplus_count, UNIT_COUNT, "dropped: signed, but outside the session's time or numbers, or duplicates beyond what is kept"),
    TIMING_OUTCOME(wire_bytes, UNIT_BYTES, "IP length of one probe, and of its reply"),
    TIMING_OUTCOME(session, UNIT_NONE, "session identifier (SSID, RFC 8972)"),
    TIMING_OUTCOME(local_port, UNIT_NONE, "UDP port here"),
    TIMING_OUTCOME(peer_port, UNIT_NONE, "UDP port that the other end's packets come from"),
    LOOKS_FIELDS(struct timing_outcome),
};
/* clang-format on */

/* Round trip without the reflector's own time; 0: no reply.  Held there for
 * longer than it was away: that clock was set meanwhile, and nothing is taken
 * off. */
static inline uint64_t timing_rtt_ns(const struct timing_probe *probe)
{
    const uint64_t trip_ns = probe->received_ns > probe->sent_ns
                                 ? probe->received_ns - probe->sent_ns
                                 : 0;
    const uint64_t held_ns =
        probe->replied_unix_ns > probe->arrived_unix_ns
            ? probe->replied_unix_ns - probe->arrived_unix_ns
            : 0;

    return held_ns < trip_ns ? trip_ns - held_ns : trip_ns;
}

static inline const char *timing_objection(const void *spec)
{
    const struct timing_spec *timing = spec;
    const struct probing probing = PROBING_OF(timing);

    if (timing->size_bytes > TIMING_BASE_BYTES
        && timing->size_bytes < TIMING_BASE_BYTES + TIMING_TLV_HEAD_BYTES)
        return "found a size between 112 B and 116 B, expected 112 B, or 116 B "
               "and more: the padding has a head of 4 B";
    return probing_objection(&probing);
}

static inline uint64_t timing_longest_ns(const void *spec, uint64_t seed)
{
    const struct timing_spec *timing = spec;
    const struct probing probing = PROBING_OF(timing);

    return probing_longest_ns(&probing, seed);
}

static inline uint64_t timing_planned_ns(const void *spec, uint64_t seed,
                                         double expected_bps)
{
    const struct timing_spec *timing = spec;
    const struct probing probing = PROBING_OF(timing);

    (void) expected_bps;
    return probing_planned_ns(&probing, seed);
}

static_assert(sizeof(struct timing_spec) <= sizeof(struct kind_room)
                  && sizeof(struct timing_outcome) <= sizeof(struct kind_room),
              "a timing fits the room of a kind");

static const struct kind timing_kind = {
    .name = "timing",
    .help = "STAMP (RFC 8762) between two ends: delay and loss of each way",
    .from_part = "sender",
    .to_part = "reflector",
    .to_may_be_host = false,
    .spec_fields = timing_spec_fields,
    .spec_field_count = COUNT_OF(timing_spec_fields),
    .spec_size = sizeof(struct timing_spec),
    .outcome_fields = timing_outcome_fields,
    .outcome_field_count = COUNT_OF(timing_outcome_fields),
    .outcome_size = sizeof(struct timing_outcome),
    .series = timing_series,
    .series_count = COUNT_OF(timing_series),
    .objection = timing_objection,
    .planned_ns = timing_planned_ns,
    .longest_ns = timing_longest_ns,
};

#endif
