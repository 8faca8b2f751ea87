/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_KINDS_MESSAGES_H
#define BOTHENDS_KINDS_MESSAGES_H

#include <assert.h>
#include <bothends/draw.h>
#include <bothends/kind.h>

/*
 * messages: small texts both ways over one TCP connection, as people who chat
 * send them.  Each end sends its own; the application at the other end confirms
 * each as soon as it has read all of it.  What is measured is the time to that
 * confirmation: when the message arrived the sender cannot know.
 *
 * The ends of "between" are the first and the second; both parts do the same,
 * but one opens the connection.  Sizes and gaps follow from the seed, another
 * row for each end; schedules count from when the connection is open at that
 * end.  The connection begins as an HTTP upgrade; DEVELOPERS.md, "Messages on
 * the wire", has the frames.
 */
struct messages_spec {
    uint64_t count;           /* messages of each end; 0 when for_ns rules */
    uint64_t for_ns;          /* sending time; 0 when count rules */
    struct spread gap_ns;     /* from one message of an end to its next */
    struct spread size_bytes; /* the text, without the line in front of it */
    uint64_t wait_ns; /* one not confirmed within it is unconfirmed; also the
                         longest wait for the connection to open */
    int opener;       /* enum messages_opener */
};

enum messages_opener {
    MESSAGES_OPENER_FIRST,
    MESSAGES_OPENER_SECOND
};

#define MESSAGES_COUNT_MAX 1e5 /* messages of one end */
#define MESSAGES_SIZE_MAX  65535
/* By time there may be more than the mean gap says, but never so many. */
#define MESSAGES_NUMBER_MAX 200000

/* clang-format off */
static const char *const messages_openers[] = { "first", "second", NULL };

static const struct field messages_spec_fields[] = {
    { "count", "count", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct messages_spec, count),
      1, MESSAGES_COUNT_MAX, "", NULL, "how many messages each end sends (or say for)" },
    { "for_ns", "for", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct messages_spec, for_ns),
      100e6, 86400e9, "", NULL, "how long messages are sent (or say count)" },
    { "gap_ns", "gap", FIELD_SPREAD, UNIT_DURATION, FIELD_AT(struct messages_spec, gap_ns),
      1e6, 3600e9, "about 2 s", NULL, "time from one message of an end to its next" },
    { "size_bytes", "size", FIELD_SPREAD, UNIT_BYTES, FIELD_AT(struct messages_spec, size_bytes),
      1, MESSAGES_SIZE_MAX, "20..200 B", NULL, "text of each message, without the line in front of it" },
    { "wait_ns", "wait", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct messages_spec, wait_ns),
      1e6, 600e9, "30 s", NULL, "a message not confirmed within this time is unconfirmed" },
    { "opener", "opener", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct messages_spec, opener),
      0, 0, "first", messages_openers, "which of the two ends opens the connection" },
};

static const char *const message_states[] = { "unconfirmed", "confirmed", "late", "unsent", NULL };
/* clang-format on */

enum message_state {
    MESSAGE_UNCONFIRMED,
    MESSAGE_CONFIRMED,
    MESSAGE_LATE, /* confirmed after the waiting time: counts as unconfirmed */
    MESSAGE_UNSENT
};

/* One message, at its sender.  Stamps on that end's monotonic clock. */
struct messages_sent {
    uint64_t sequence; /* from 0 */
    int state;
    uint64_t size_bytes;
    uint64_t handed_ns;        /* given to TCP */
    uint64_t confirmed_ns;     /* its confirmation was read; 0: never */
    uint64_t duplicates_count; /* further confirmations */
};

/* One message, at its receiver, in the order in which they were read. */
struct messages_received {
    uint64_t sequence;
    uint64_t size_bytes;
    uint64_t received_ns;
    bool is_in_order; /* the number after that of the one before */
};

/* clang-format off */
static const struct field messages_sent_fields[] = {
    { "sequence", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct messages_sent, sequence), 0, 1e9, "", NULL, "number of the message, from 0" },
    { "state", NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct messages_sent, state), 0, 0, "", message_states, "unconfirmed, confirmed, late (after the waiting time: counts as unconfirmed) or unsent" },
    { "size_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct messages_sent, size_bytes), 0, MESSAGES_SIZE_MAX, "", NULL, "its text" },
    { "handed_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct messages_sent, handed_ns), 0, 0, "", NULL, "given to TCP, on the sender's monotonic clock" },
    { "confirmed_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct messages_sent, confirmed_ns), 0, 0, "", NULL, "its confirmation was read; 0: never" },
    { "duplicates_count", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct messages_sent, duplicates_count), 0, 0, "", NULL, "further confirmations of the same message" },
};

static const struct field messages_received_fields[] = {
    { "sequence", NULL, FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct messages_received, sequence), 0, 1e9, "", NULL, "number that its sender gave it" },
    { "size_bytes", NULL, FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct messages_received, size_bytes), 0, MESSAGES_SIZE_MAX, "", NULL, "its text" },
    { "received_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct messages_received, received_ns), 0, 0, "", NULL, "its last byte was read, on the receiver's monotonic clock" },
    { "is_in_order", NULL, FIELD_FLAG, UNIT_NONE, FIELD_AT(struct messages_received, is_in_order), 0, 0, "", NULL, "it follows the one before it" },
};

static const struct series messages_series[] = {
    { "sent", "every message of this end", sizeof(struct messages_sent), messages_sent_fields, COUNT_OF(messages_sent_fields) },
    { "received", "every message of the other end, as read here", sizeof(struct messages_received), messages_received_fields, COUNT_OF(messages_received_fields) },
};
/* clang-format on */

/* What an end says of the whole: the messages that it sent, and received. */
struct messages_outcome {
    uint64_t sent_count, confirmed_count, unconfirmed_count, late_count;
    uint64_t unsent_count; /* too much waited already */
    uint64_t duplicates_count;
    uint64_t received_count, out_of_order_count;
    uint64_t opened_ns; /* when the connection was open here; 0: never */
    uint64_t stream_bytes_out, stream_bytes_in; /* all frames */
    uint64_t local_port, peer_port;
};

/* clang-format off */
#define MESSAGES_OUTCOME(member, unit, text) { #member, NULL, FIELD_WHOLE, unit, FIELD_AT(struct messages_outcome, member), 0, 0, "", NULL, text }
static const struct field messages_outcome_fields[] = {
    MESSAGES_OUTCOME(sent_count, UNIT_COUNT, "messages sent"),
    MESSAGES_OUTCOME(confirmed_count, UNIT_COUNT, "confirmed within the waiting time"),
    MESSAGES_OUTCOME(unconfirmed_count, UNIT_COUNT, "not confirmed within the waiting time (late ones included)"),
    MESSAGES_OUTCOME(late_count, UNIT_COUNT, "confirmed after the waiting time"),
    MESSAGES_OUTCOME(unsent_count, UNIT_COUNT, "not sent, for too much waited already"),
    MESSAGES_OUTCOME(duplicates_count, UNIT_COUNT, "further confirmations"),
    MESSAGES_OUTCOME(received_count, UNIT_COUNT, "messages of the other end read here"),
    MESSAGES_OUTCOME(out_of_order_count, UNIT_COUNT, "of these, out of order"),
    MESSAGES_OUTCOME(opened_ns, UNIT_DURATION, "the connection was open here; 0: never"),
    MESSAGES_OUTCOME(stream_bytes_out, UNIT_BYTES, "frames given to TCP, all together"),
    MESSAGES_OUTCOME(stream_bytes_in, UNIT_BYTES, "frames read, all together"),
    MESSAGES_OUTCOME(local_port, UNIT_NONE, "TCP port here"),
    MESSAGES_OUTCOME(peer_port, UNIT_NONE, "TCP port there"),
};
/* clang-format on */

static inline const char *messages_objection(const void *spec)
{
    const struct messages_spec *messages = spec;

    if (messages->count && messages->for_ns)
        return "found both count and for, expected one of them";
    if (!messages->count && !messages->for_ns)
        return "found neither count nor for, expected one of them";
    if ((double) messages->for_ns > MESSAGES_COUNT_MAX * messages->gap_ns.mean)
        return "found more than 100000 messages, expected a longer gap or a "
               "shorter time";
    return NULL;
}

/* --- the schedule: the same wherever it is drawn ------------------------- */

struct messages_schedule {
    const struct messages_spec *spec; /* borrowed */
    struct draw gaps, sizes;
    uint64_t number; /* of the next message */
    uint64_t at_ns;  /* when it is due, after the connection is open */
    uint64_t size_bytes;
    bool is_over; /* there is no next one */
};

static inline void messages_next(struct messages_schedule *schedule)
{
    const struct messages_spec *spec = schedule->spec;
    const double gap_ns = draw_spread(&schedule->gaps, &spec->gap_ns);
    const double size_bytes =
        round(draw_spread(&schedule->sizes, &spec->size_bytes));

    /* An exponential draw may be next to nothing, or far above its mean. */
    schedule->at_ns += gap_ns >= 1 ? (uint64_t) gap_ns : 1;
    schedule->size_bytes = size_bytes < 1 ? 1
                           : size_bytes > MESSAGES_SIZE_MAX
                               ? MESSAGES_SIZE_MAX
                               : (uint64_t) size_bytes;
    schedule->is_over = schedule->number >= MESSAGES_NUMBER_MAX
                        || (spec->count ? schedule->number >= spec->count
                                        : schedule->at_ns >= spec->for_ns);
}

/* Of the first end, or of the second: rows that have nothing in common.  A gap
 * comes before the first message too, so that pairs that start together do not
 * all speak at once. */
static inline void messages_schedule_init(struct messages_schedule *schedule,
                                          const struct messages_spec *spec,
                                          uint64_t seed, bool is_second)
{
    struct draw rows = { is_second ? ~seed : seed };

    *schedule = (struct messages_schedule){ .spec = spec };
    schedule->gaps.state = draw_next(&rows);
    schedule->sizes.state = draw_next(&rows);
    messages_next(schedule);
}

static inline void messages_advance(struct messages_schedule *schedule)
{
    schedule->number++;
    messages_next(schedule);
}

/* When the last message of both ends is due, after the connection is open. */
static inline uint64_t messages_last_ns(const struct messages_spec *spec,
                                        uint64_t seed)
{
    uint64_t last_ns = 0;

    for (int second = 0; second < 2; second++) {
        struct messages_schedule schedule;

        messages_schedule_init(&schedule, spec, seed, second);
        for (; !schedule.is_over; messages_advance(&schedule)) {
            if (schedule.at_ns > last_ns)
                last_ns = schedule.at_ns;
        }
    }
    return last_ns;
}

/* What the last frames may need to cross, after all waiting is over. */
#define MESSAGES_CLOSING_NS (10 * NS_PER_S)

static inline uint64_t messages_longest_ns(const void *spec, uint64_t seed)
{
    const struct messages_spec *messages = spec;

    return messages_last_ns(messages, seed) + 2 * messages->wait_ns
           + MESSAGES_CLOSING_NS;
}

/* Opening, the last confirmation and the closing take a few round trips. */
static inline uint64_t messages_planned_ns(const void *spec, uint64_t seed,
                                           double expected_bps)
{
    (void) expected_bps;
    return messages_last_ns(spec, seed) + 3 * NS_PER_S;
}

static_assert(sizeof(struct messages_spec) <= sizeof(struct kind_room)
                  && sizeof(struct messages_outcome)
                         <= sizeof(struct kind_room),
              "messages fit the room of a kind");

static const struct kind messages_kind = {
    .name = "messages",
    .help = "small messages both ways over one TCP connection, each confirmed",
    .from_part = "first",
    .to_part = "second",
    .uses_between = true,
    .to_may_be_host = false,
    .spec_fields = messages_spec_fields,
    .spec_field_count = COUNT_OF(messages_spec_fields),
    .spec_size = sizeof(struct messages_spec),
    .outcome_fields = messages_outcome_fields,
    .outcome_field_count = COUNT_OF(messages_outcome_fields),
    .outcome_size = sizeof(struct messages_outcome),
    .series = messages_series,
    .series_count = COUNT_OF(messages_series),
    .objection = messages_objection,
    .planned_ns = messages_planned_ns,
    .longest_ns = messages_longest_ns,
};

#endif
