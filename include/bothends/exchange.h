/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_EXCHANGE_H
#define BOTHENDS_EXCHANGE_H

#include <bothends/kind.h>
#include <bothends/rows.h>

/*
 * What one end is told of an exchange beforehand (the order), and what it
 * hands back afterwards (the account).  Both travel as JSON made from the
 * field lists below and the kind's own (agent/wire), and the account becomes
 * rows of the logbook.
 */

#define NAME_SIZE    32 /* an end's or a step's name, with its NUL */
#define ADDRESS_SIZE 64 /* a numeric IP address or a host name */
#define ID_SIZE      40 /* an exchange's id: [a-z0-9-] */

struct exchange_order {
    char id[ID_SIZE];
    char kind[NAME_SIZE];
    char part[NAME_SIZE]; /* the kind's from_part or to_part */
    char own_name[NAME_SIZE], own_call[NAME_SIZE];
    char own_address[ADDRESS_SIZE]; /* bound to, where said */
    char interface[NAME_SIZE];      /* tied to, where said */
    char peer_name[NAME_SIZE];
    char peer_address[ADDRESS_SIZE]; /* numeric */
    uint64_t peer_port;   /* TCP and UDP port of its agent; 0: it has none */
    char ticket[ID_SIZE]; /* opens the data connections */
    char identify_to[ADDRESS_SIZE]; /* numeric; "": nobody can hear it */
    uint64_t identify_port;
    uint64_t identify_every_ns; /* also at the start and at the end */
    uint64_t seed;
    uint64_t start_ns; /* this agent's monotonic clock */
    uint64_t
        stop_ns; /* latest stop: the end ends by itself, whatever happens */
    double expected_bps;      /* what the step should carry; 0: not known */
    double expected_cycle_ns; /* of its access; 0: not known, or none */
    struct kind_room spec;
};

/* clang-format off */
#define ORDER_TEXT(member, text) { #member, NULL, FIELD_TEXT, UNIT_NONE, FIELD_AT(struct exchange_order, member), 0, 0, "", NULL, text }
static const struct field order_fields[] = {
    ORDER_TEXT(id, "the exchange's id"),
    ORDER_TEXT(kind, "the exchange's kind"),
    ORDER_TEXT(part, "what this end does"),
    ORDER_TEXT(own_name, "this end's name in the plan"),
    ORDER_TEXT(own_call, "call sign that this end sends"),
    ORDER_TEXT(own_address, "address to use at this end"),
    ORDER_TEXT(interface, "interface that the traffic is tied to"),
    ORDER_TEXT(peer_name, "the other end's name"),
    ORDER_TEXT(peer_address, "the other end's address"),
    { "peer_port", NULL, FIELD_WHOLE, UNIT_NONE, FIELD_AT(struct exchange_order, peer_port), 0, 65535, "0", NULL, "the other agent's TCP and UDP port; 0: no agent there" },
    ORDER_TEXT(ticket, "opens the data connections, once each"),
    ORDER_TEXT(identify_to, "address that identifications are sent to"),
    { "identify_port", NULL, FIELD_WHOLE, UNIT_NONE, FIELD_AT(struct exchange_order, identify_port), 0, 65535, "0", NULL, "UDP port for them" },
    { "identify_every_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct exchange_order, identify_every_ns), 0, 3600e9, "0", NULL, "their interval" },
    { "seed", NULL, FIELD_WHOLE, UNIT_NONE, FIELD_AT(struct exchange_order, seed), 0, 9007199254740992.0, "0", NULL, "seed of all draws" },
    { "start_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct exchange_order, start_ns), 0, 0, "0", NULL, "start, on this agent's monotonic clock" },
    { "stop_ns", NULL, FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct exchange_order, stop_ns), 0, 0, "0", NULL, "latest stop, on the same clock" },
    { "expected_bps", NULL, FIELD_REAL, UNIT_RATE, FIELD_AT(struct exchange_order, expected_bps), 0, 1e12, "0", NULL, "what the step should carry" },
    { "expected_cycle_ns", NULL, FIELD_REAL, UNIT_DURATION, FIELD_AT(struct exchange_order, expected_cycle_ns), 0, 3600e9, "0", NULL, "the step's access cycle while data flow; 0: not known" },
};
/* clang-format on */

enum account_state {
    ACCOUNT_ARMED, /* told, start not reached */
    ACCOUNT_RUNNING,
    ACCOUNT_DONE,      /* ended as planned */
    ACCOUNT_STOPPED,   /* ended by the latest stop time */
    ACCOUNT_CANCELLED, /* ended by the controller's word */
    ACCOUNT_FAILED,    /* could not be carried out: see trouble */
    ACCOUNT_BROKEN,    /* the agent went away in the middle */
};

/*
 * What the radio itself told just before and just after an exchange, from the
 * owner's readings command or typed by the operator: the same for all kinds.
 */
#define READING_NAME_SIZE 25 /* [a-z0-9_], 1 to 24, with the NUL */
#define READING_TEXT_SIZE 49 /* printable, up to 48 */
#define READINGS_MOST     64 /* of one end, at one moment */

enum reading_moment {
    READING_BEFORE,
    READING_AFTER,
};

enum reading_source {
    READING_BY_COMMAND,
    READING_BY_OPERATOR,
};

struct radio_reading {
    int moment, source;
    char name[READING_NAME_SIZE];
    char text[READING_TEXT_SIZE];
    double value; /* the text as a number; NaN: it is none */
};

/* clang-format off */
static const char *const reading_moments[] = { "before", "after", NULL };
static const char *const reading_sources[] = { "command", "operator", NULL };

static const struct field reading_fields[] = {
    { "moment", NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct radio_reading, moment), 0, 0, "before", reading_moments, "before or after the exchange" },
    { "source", NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct radio_reading, source), 0, 0, "command", reading_sources, "the owner's command, or typed by the operator" },
    { "name", NULL, FIELD_TEXT, UNIT_NONE, FIELD_AT(struct radio_reading, name), 0, 0, "", NULL, "as the command names it" },
    { "text", NULL, FIELD_TEXT, UNIT_NONE, FIELD_AT(struct radio_reading, text), 0, 0, "", NULL, "the value as it was told" },
    { "value", NULL, FIELD_REAL, UNIT_NONE, FIELD_AT(struct radio_reading, value), -1e300, 1e300, "", NULL, "the same, where it is a number" },
};

static const struct series readings_series = { "readings", "what the radio told before and after an exchange", sizeof(struct radio_reading), reading_fields, COUNT_OF(reading_fields) };
/* clang-format on */

/* So long before the start the link is left in silence: readings are over, and
 * what the interface carries then is foreign. */
#define QUIET_NS (900 * NS_PER_MS)

/* One end's account.  Clock: this agent's monotonic one. */
struct exchange_account {
    char id[ID_SIZE];
    char kind[NAME_SIZE];
    char part[NAME_SIZE];
    int state;
    char trouble[200]; /* what went wrong, for a person */
    uint64_t begun_ns, ended_ns;
    /* Wall clock minus monotonic clock at begin and end: a step in mid-run
     * shows as a difference.  Suspended: time the computer slept meanwhile. */
    int64_t wall_minus_monotonic_begun_ns, wall_minus_monotonic_ended_ns;
    uint64_t suspended_ns;
    /* The way to the peer, as the system's routes say, before and after. */
    char interface[NAME_SIZE], interface_after[NAME_SIZE];
    char source_address[ADDRESS_SIZE], source_address_after[ADDRESS_SIZE];
    char gateway[ADDRESS_SIZE], gateway_after[ADDRESS_SIZE];
    uint64_t mtu_bytes;
    /* What the interface carried in a moment of silence just before the start
     * (its length, bytes and packets both ways): traffic that is not ours. */
    uint64_t quiet_ns, quiet_bytes, quiet_packets;
    /* Interface counters (with link-layer headers, as the system counts). */
    uint64_t sent_bytes_before, sent_bytes_after;
    uint64_t received_bytes_before, received_bytes_after;
    uint64_t sent_packets_before, sent_packets_after;
    uint64_t received_packets_before, received_packets_after;
    uint64_t identification_count, identification_bytes; /* sent, IP bytes */
    struct kind_room outcome;
    struct rows series[KIND_SERIES_MAX];
    struct rows readings; /* of struct radio_reading */
};

/* clang-format off */
static const char *const account_states[] = { "armed", "running", "done", "stopped", "cancelled", "failed", "broken", NULL };

#define ACCOUNT_TEXT(member, text) { #member, NULL, FIELD_TEXT, UNIT_NONE, FIELD_AT(struct exchange_account, member), 0, 0, "", NULL, text }
#define ACCOUNT_WHOLE(member, unit, text) { #member, NULL, FIELD_WHOLE, unit, FIELD_AT(struct exchange_account, member), 0, 0, "0", NULL, text }
static const struct field account_fields[] = {
    ACCOUNT_TEXT(id, "the exchange's id"),
    ACCOUNT_TEXT(kind, "the exchange's kind"),
    ACCOUNT_TEXT(part, "what this end did"),
    { "state", NULL, FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct exchange_account, state), 0, 0, "armed", account_states, "how it ended" },
    ACCOUNT_TEXT(trouble, "what went wrong"),
    ACCOUNT_WHOLE(begun_ns, UNIT_DURATION, "begun, on this agent's monotonic clock"),
    ACCOUNT_WHOLE(ended_ns, UNIT_DURATION, "ended, on the same clock"),
    { "wall_minus_monotonic_begun_ns", NULL, FIELD_SIGNED, UNIT_DURATION, FIELD_AT(struct exchange_account, wall_minus_monotonic_begun_ns), 0, 0, "0", NULL, "wall clock minus monotonic clock at the begin" },
    { "wall_minus_monotonic_ended_ns", NULL, FIELD_SIGNED, UNIT_DURATION, FIELD_AT(struct exchange_account, wall_minus_monotonic_ended_ns), 0, 0, "0", NULL, "the same at the end" },
    ACCOUNT_WHOLE(suspended_ns, UNIT_DURATION, "time this computer slept meanwhile"),
    ACCOUNT_TEXT(interface, "interface of the route to the peer"),
    ACCOUNT_TEXT(interface_after, "the same afterwards"),
    ACCOUNT_TEXT(source_address, "source address used"),
    ACCOUNT_TEXT(source_address_after, "the same afterwards"),
    ACCOUNT_TEXT(gateway, "next router on the way, if any"),
    ACCOUNT_TEXT(gateway_after, "the same afterwards"),
    ACCOUNT_WHOLE(mtu_bytes, UNIT_BYTES, "MTU of the way as the system knows it"),
    ACCOUNT_WHOLE(quiet_ns, UNIT_DURATION, "the interface was watched so long before the start, in silence"),
    ACCOUNT_WHOLE(quiet_bytes, UNIT_BYTES, "what it carried meanwhile, both ways"),
    ACCOUNT_WHOLE(quiet_packets, UNIT_COUNT, "the same in packets"),
    ACCOUNT_WHOLE(sent_bytes_before, UNIT_BYTES, "interface counter: bytes sent"),
    ACCOUNT_WHOLE(sent_bytes_after, UNIT_BYTES, "the same afterwards"),
    ACCOUNT_WHOLE(received_bytes_before, UNIT_BYTES, "interface counter: bytes received"),
    ACCOUNT_WHOLE(received_bytes_after, UNIT_BYTES, "the same afterwards"),
    ACCOUNT_WHOLE(sent_packets_before, UNIT_COUNT, "interface counter: packets sent"),
    ACCOUNT_WHOLE(sent_packets_after, UNIT_COUNT, "the same afterwards"),
    ACCOUNT_WHOLE(received_packets_before, UNIT_COUNT, "interface counter: packets received"),
    ACCOUNT_WHOLE(received_packets_after, UNIT_COUNT, "the same afterwards"),
    ACCOUNT_WHOLE(identification_count, UNIT_COUNT, "identifications sent"),
    ACCOUNT_WHOLE(identification_bytes, UNIT_BYTES, "their IP bytes"),
};
/* clang-format on */

/* An empty account of that kind; account_clear() frees the rows. */
static inline void account_init(struct exchange_account *account,
                                const struct kind *kind)
{
    memset(account, 0, sizeof(*account));
    (void) snprintf(account->kind, sizeof(account->kind), "%s", kind->name);
    for (size_t i = 0; i < kind->series_count; i++)
        account->series[i].row_size = kind->series[i].row_size;
    account->readings.row_size = sizeof(struct radio_reading);
}

/* Take an account over, rows and all; what is left behind is empty. */
static inline void account_move(struct exchange_account *to,
                                struct exchange_account *from)
{
    *to = *from;
    memset(from->series, 0, sizeof(from->series));
    memset(&from->readings, 0, sizeof(from->readings));
}

static inline void account_clear(struct exchange_account *account)
{
    for (size_t i = 0; i < KIND_SERIES_MAX; i++)
        rows_clear(&account->series[i]);
    rows_clear(&account->readings);
}

#endif
