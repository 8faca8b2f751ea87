/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_PLAN_H
#define BOTHENDS_PLAN_H

#include <bothends/exchange.h>
#include <bothends/kinds.h>
#include <bothends/practice.h>

/*
 * The plan as its readers see it: what the link is, what each rate step should
 * be able to do, who is there, and what is sent.  controller/plan reads it from
 * YAML by the field lists below; a key with a dot is a key in a mapping.
 */

#define PLAN_STEPS_MAX  16
#define PLAN_ENDS_MAX   33 /* a hub and 32 stations */
#define PLAN_GROUP_MAX  64 /* exchanges that run together */
#define PLAN_EVENTS_MAX 64 /* that come and go on the practice link */

/*
 * How the channel is shared.  The practice link and the expectation both follow
 * this text, and share no code:
 *
 * A transmission is the slot overhead (preamble, turnaround, guard), then radio
 * frames back to back until the queue is empty or the slot limit is reached.
 *
 * scheduled: one channel; turns go round for ever: the hub, each registered
 *   station, the hub again.  slots: adaptive - an end with data transmits, one
 *   without costs the least slot (which of them it is, is settled when the
 *   least slot is over, or the overhead if that is shorter); fixed - every
 *   turn lasts the slot limit, whatever is sent in it.
 * alternating: one channel, two ends.  After a transmission it is the other
 *   end's turn; one that has nothing gives it back after the least slot.  When
 *   neither has data the channel rests, and whoever has data first transmits
 *   at once.
 * contention: one channel.  With carrier sense an end with data waits until the
 *   channel is free, then a number of contention slots drawn evenly from 0 to
 *   window - 1, counted only while the channel is free (the slots follow each
 *   other from when it became free), and transmits;
 *   transmissions that begin in the same contention slot collide, and their
 *   frames are lost to all.  What collided is repeated (repeats) in a later
 *   transmission, after a wait drawn from a window twice as wide, up to
 *   window_most; after a success it is the least again.
 *   Without carrier sense an end transmits as soon as it has data (slotted: at
 *   the next edge of a contention slot), and whatever overlaps is lost: each
 *   frame that another's transmission overlaps, and all frames of a
 *   transmission whose overhead one overlaps.  After a collision of repeated
 *   frames it waits a drawn number of contention slots, from a window as above.
 * full-duplex: two channels.  The hub transmits whenever it has data; the
 *   stations share theirs by turns as in scheduled access (a single station
 *   transmits whenever it has data).
 */
enum link_access {
    ACCESS_SCHEDULED,
    ACCESS_ALTERNATING,
    ACCESS_CONTENTION,
    ACCESS_FULL_DUPLEX,
};

enum link_slots {
    SLOTS_ADAPTIVE,
    SLOTS_FIXED
};

struct plan_link {
    double frequency_hz; /* NaN: not said */
    int access;
    struct range slot_overhead_ns; /* preamble, turnaround and guard, once a
                                      transmission */
    struct range slot_limit_ns;    /* longest transmission, overhead included */
    uint64_t frame_payload_bytes;  /* most IP bytes in a radio frame; 0: one
                                      transmission is one frame */
    uint64_t frame_overhead_bytes; /* header and check of each frame */
    int slots;                     /* enum link_slots */
    struct range slot_least_ns;    /* an idle end's turn; unsaid: the slot
                                      overhead */
    uint64_t stations_count; /* registered at the hub; 0: those of the plan */
    /* The radio repeats a lost frame so often, each time not before so long
     * after the frame was over; 0: it does not. */
    uint64_t repeats_limit_count, repeats_delay_ns;
    struct range loss_ratio; /* of packets, that TCP sees; unsaid: none */
    bool carrier_sense, contention_slotted;
    uint64_t contention_slot_ns;
    uint64_t contention_window_count, contention_window_most_count;
    uint64_t mtu_bytes;
    uint64_t window_bytes;       /* 0: not said */
    struct range guard_ns;       /* unsaid: not told from the overhead */
    double distance_m;           /* NaN: not said */
    double fade_margin_db;       /* NaN: not said */
    double limit_bandwidth_hz;   /* NaN: not said */
    double limit_symbol_rate_bd; /* NaN: not said */
    double limit_power_w;        /* NaN: not said */
    double limit_eirp_w;         /* NaN: not said */
    double limit_duty_ratio;     /* NaN: not said */
    double limit_exposure_wpm2;  /* NaN: the default of reports/power.h */
    uint64_t identify_every_ns;
    /* What is a verdict's limit: see plan_meets_ratio(),
     * plan_no_change_ratio(). */
    double meets_ratio, no_change_ratio;
};

/* clang-format off */
static const char *const link_accesses[] = { "scheduled", "alternating", "contention", "full-duplex", NULL };

static const char *const link_slots_words[] = { "adaptive", "fixed", NULL };

static const struct field link_fields[] = {
    { "frequency_hz", "frequency", FIELD_REAL, UNIT_HERTZ, FIELD_AT(struct plan_link, frequency_hz), 1e3, 1e12, "", NULL, "carrier frequency" },
    { "access", "access", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct plan_link, access), 0, 0, "scheduled", link_accesses, "how the ends share the channel" },
    { "slot_overhead_ns", "slot_overhead", FIELD_RANGE, UNIT_DURATION, FIELD_AT(struct plan_link, slot_overhead_ns), 0, 10e9, "0 ms", NULL, "preamble, turnaround and guard, once a transmission" },
    { "slot_limit_ns", "slot_limit", FIELD_RANGE, UNIT_DURATION, FIELD_AT(struct plan_link, slot_limit_ns), 1e6, 60e9, "", NULL, "longest transmission, overhead included" },
    { "frame_payload_bytes", "frame.payload", FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct plan_link, frame_payload_bytes), 8, 65535, "", NULL, "most IP bytes in one radio frame" },
    { "frame_overhead_bytes", "frame.overhead", FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct plan_link, frame_overhead_bytes), 0, 65535, "", NULL, "header and check bytes of one radio frame" },
    { "slots", "slots", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct plan_link, slots), 0, 0, "adaptive", link_slots_words, "adaptive: an idle end's turn is short; fixed: every turn lasts the slot limit" },
    { "slot_least_ns", "slot_least", FIELD_RANGE, UNIT_DURATION, FIELD_AT(struct plan_link, slot_least_ns), 0, 10e9, "", NULL, "turn of an end with nothing to send; left out: the slot overhead" },
    { "stations_count", "stations", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct plan_link, stations_count), 1, 32, "", NULL, "stations registered at the hub; left out: those of this plan" },
    { "repeats_limit_count", "repeats.limit", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct plan_link, repeats_limit_count), 0, 100, "0", NULL, "how often the radios repeat a lost frame by themselves" },
    { "repeats_delay_ns", "repeats.delay", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct plan_link, repeats_delay_ns), 0, 60e9, "0 ms", NULL, "from a lost frame's end until it may be repeated" },
    { "loss_ratio", "loss", FIELD_RANGE, UNIT_RATIO, FIELD_AT(struct plan_link, loss_ratio), 0, 0.9, "", NULL, "packets that the link is known to lose, its own repeats counted: TCP slows down for them" },
    { "carrier_sense", "contention.carrier_sense", FIELD_FLAG, UNIT_NONE, FIELD_AT(struct plan_link, carrier_sense), 0, 0, "yes", NULL, "listen before transmitting" },
    { "contention_slotted", "contention.slotted", FIELD_FLAG, UNIT_NONE, FIELD_AT(struct plan_link, contention_slotted), 0, 0, "no", NULL, "without carrier sense: transmissions begin at the edges of contention slots" },
    { "contention_slot_ns", "contention.slot", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct plan_link, contention_slot_ns), 1e3, 60e9, "10 ms", NULL, "one step of the back-off" },
    { "contention_window_count", "contention.window", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct plan_link, contention_window_count), 1, 65536, "8", NULL, "back-off: a number of contention slots below this" },
    { "contention_window_most_count", "contention.window_most", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct plan_link, contention_window_most_count), 1, 65536, "64", NULL, "the window doubles up to this after collisions" },
    { "mtu_bytes", "mtu", FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct plan_link, mtu_bytes), 68, 65535, "1500 B", NULL, "largest IP packet on the link" },
    { "window_bytes", "window", FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct plan_link, window_bytes), 1, 1e9, "", NULL, "most bytes in flight, where a radio's queue or a computer's buffer limits it" },
    { "guard_ns", "guard", FIELD_RANGE, UNIT_DURATION, FIELD_AT(struct plan_link, guard_ns), 0, 10e9, "", NULL, "that part of the slot overhead that is left for the way through the air" },
    { "distance_m", "distance", FIELD_REAL, UNIT_METRE, FIELD_AT(struct plan_link, distance_m), 0, 1e9, "", NULL, "length of the radio path; left out: from the ends' positions" },
    { "fade_margin_db", "fade_margin", FIELD_REAL, UNIT_DB, FIELD_AT(struct plan_link, fade_margin_db), 0, 100, "", NULL, "margin that you want in hand against fading" },
    { "limit_bandwidth_hz", "limits.bandwidth", FIELD_REAL, UNIT_HERTZ, FIELD_AT(struct plan_link, limit_bandwidth_hz), 1, 1e12, "", NULL, "widest signal that your licence allows here" },
    { "limit_symbol_rate_bd", "limits.symbol_rate", FIELD_REAL, UNIT_BAUD, FIELD_AT(struct plan_link, limit_symbol_rate_bd), 1, 1e10, "", NULL, "highest symbol rate that it allows" },
    { "limit_power_w", "limits.power", FIELD_REAL, UNIT_WATT, FIELD_AT(struct plan_link, limit_power_w), 1e-6, 1e6, "", NULL, "highest transmitter power that it allows" },
    { "limit_eirp_w", "limits.eirp", FIELD_REAL, UNIT_WATT, FIELD_AT(struct plan_link, limit_eirp_w), 1e-6, 1e9, "", NULL, "highest radiated power (EIRP) that it allows" },
    { "limit_duty_ratio", "limits.duty_cycle", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_link, limit_duty_ratio), 0, 1, "", NULL, "largest share of time that a transmitter may send" },
    { "limit_exposure_wpm2", "limits.exposure", FIELD_REAL, UNIT_FLUX, FIELD_AT(struct plan_link, limit_exposure_wpm2), 1e-3, 1e6, "", NULL, "power density that people may be exposed to; left out: 47 CFR 1.1310, general public" },
    { "identify_every_ns", "identify_every", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct plan_link, identify_every_ns), 10e9, 3600e9, "9 min", NULL, "interval of the plain-text identification" },
    { "meets_ratio", "meets", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_link, meets_ratio), 0.1, 1, "90 %", NULL, "a link meets what was expected from this share of the low end on" },
    { "no_change_ratio", "no_change", FIELD_REAL, UNIT_WITHIN, FIELD_AT(struct plan_link, no_change_ratio), 1e-3, 0.5, "within 10 %", NULL, "\"no change\" may be said of rounds that were shown to be so close" },
};
/* clang-format on */

enum rate_scope {
    RATE_UNSTATED,
    RATE_ONE_WAY,
    RATE_BOTH_WAYS
};

enum modulation {
    MODULATION_UNSAID,
    MODULATION_FSK,
    MODULATION_MSK,
    MODULATION_PSK,
    MODULATION_QAM
};

/*
 * What an earlier run measured of a step, others silent: no key, but found in
 * the logbook by the plan's reference (reports/reference.h).  NaN: not
 * measured.
 */
struct plan_reference {
    int64_t run;       /* 0: none, or nothing of this step */
    int64_t asked_run; /* by the plan, or by an option; 0: none */
    char why[64];      /* why run is 0 where one was asked for */
    bool is_practice, was_on_air;
    struct range to_station_bps, to_hub_bps; /* steady goodput, all intervals */
    struct range least_rtt_ns, median_rtt_ns; /* of the preset's echoes */
};

struct plan_step {
    char name[NAME_SIZE];
    struct range symbol_rate_bd; /* unsaid when usable_rate_bps is said */
    uint64_t levels;             /* 0: not said */
    double code_rate_ratio;
    struct range usable_rate_bps; /* as the maker publishes it */
    int usable_rate_is;           /* enum rate_scope */
    int modulation;               /* enum modulation */
    double deviation_hz;          /* NaN: not said */
    double roll_off_ratio;        /* NaN: not said */
    double bandwidth_hz;          /* NaN: not said */
    double sensitivity_dbm;       /* NaN: not said */
    double signal_to_noise_db;    /* NaN: not said */
    struct plan_reference reference;
};

/* clang-format off */
static const char *const rate_scopes[] = { "unstated", "one way", "both ways", NULL };

static const char *const modulations[] = { "unstated", "fsk", "msk", "psk", "qam", NULL };

static const struct field step_fields[] = {
    { "name", "name", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_step, name), 0, 0, NULL, NULL, "name of the step, as on the radio" },
    { "symbol_rate_bd", "symbol_rate", FIELD_RANGE, UNIT_BAUD, FIELD_AT(struct plan_step, symbol_rate_bd), 1, 1e10, "", NULL, "symbols per second" },
    { "levels", "levels", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct plan_step, levels), 2, 65536, "", NULL, "different symbols: a power of two" },
    { "code_rate_ratio", "code_rate", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_step, code_rate_ratio), 1e-3, 1, "1", NULL, "data bits per coded bit" },
    { "usable_rate_bps", "usable_rate", FIELD_RANGE, UNIT_RATE, FIELD_AT(struct plan_step, usable_rate_bps), 1, 1e12, "", NULL, "the maker's figure, when the data sheet is all you have (beside symbol_rate: a cross-check)" },
    { "usable_rate_is", "usable_rate_is", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct plan_step, usable_rate_is), 0, 0, "unstated", rate_scopes, "what that figure counts: one direction, or both together" },
    { "modulation", "modulation", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct plan_step, modulation), 0, 0, "unstated", modulations, "how the symbols differ: the necessary bandwidth is estimated from it (a step with a deviation is taken as fsk)" },
    { "deviation_hz", "deviation", FIELD_REAL, UNIT_HERTZ, FIELD_AT(struct plan_step, deviation_hz), 1, 1e10, "", NULL, "outermost frequency deviation" },
    { "roll_off_ratio", "roll_off", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_step, roll_off_ratio), 0, 1, "", NULL, "of psk and qam: how far the shaped spectrum reaches beyond the symbol rate" },
    { "bandwidth_hz", "bandwidth", FIELD_REAL, UNIT_HERTZ, FIELD_AT(struct plan_step, bandwidth_hz), 1, 1e12, "", NULL, "occupied bandwidth, where stated" },
    { "sensitivity_dbm", "sensitivity", FIELD_REAL, UNIT_DBM, FIELD_AT(struct plan_step, sensitivity_dbm), -200, 50, "", NULL, "least level that the step needs" },
    { "signal_to_noise_db", "signal_to_noise", FIELD_REAL, UNIT_DB, FIELD_AT(struct plan_step, signal_to_noise_db), -50, 100, "", NULL, "least signal to noise that it needs, where no sensitivity is known" },
};
/* clang-format on */

enum end_role {
    ROLE_HUB,
    ROLE_STATION
};

enum polarisation {
    POLARISATION_UNSAID,
    POLARISATION_VERTICAL,
    POLARISATION_HORIZONTAL,
    POLARISATION_RIGHT, /* circular */
    POLARISATION_LEFT
};

/* An end without an agent (a router, a far radio's own address) only answers
 * pings: what can be said of it is seen from the other end. */
enum end_agent {
    AGENT_RUNS,
    AGENT_NONE
};

/* The ladder on the way out, nearest rung first. */
enum landmark {
    LANDMARK_NONE,
    LANDMARK_OWN_RADIO,
    LANDMARK_FAR_RADIO,
    LANDMARK_ROUTER,
    LANDMARK_FAR_COMPUTER
};

struct plan_end {
    char name[NAME_SIZE]; /* the key under ends */
    int role;             /* of its site, also at a landmark */
    int agent, landmark;
    char call[NAME_SIZE];
    char address[ADDRESS_SIZE]; /* exchanges use it and are bound to it */
    char control[ADDRESS_SIZE]; /* where the agent is spoken to; "": address */
    uint64_t port;              /* the agent's TCP and UDP port */
    char interface[NAME_SIZE];  /* exchanges are tied to it, where said */
    char key[256];              /* key file; "": see controller/keys.h */
    /* Its site, for the record and for what the path should carry.  Of the
     * numbers, NaN: not said. */
    char position[NAME_SIZE]; /* as bothends/position.h reads it */
    double ground_m;          /* above sea level */
    char radio[NAME_SIZE];
    double power_w;
    char feed_type[NAME_SIZE];
    double feed_length_m, feed_loss_db;
    char antenna_type[NAME_SIZE];
    double antenna_gain_dbi, antenna_height_m, antenna_azimuth_deg;
    int antenna_polarisation; /* enum polarisation */
    double antenna_swr;
    double noise_figure_db, noise_rise_db;
    /* On the way from a station to the hub. */
    double distance_m, obstacle_distance_m, obstacle_height_m;
    char supply[NAME_SIZE], note[128];
};

#define AGENT_PORT 7907

/* clang-format off */
static const char *const end_roles[] = { "hub", "station", NULL };
static const char *const end_agents[] = { "yes", "no", NULL };
static const char *const polarisations[] = { "unstated", "vertical", "horizontal", "right circular", "left circular", NULL };
static const char *const landmarks[] = { "none", "own radio", "far radio", "router", "far computer", NULL };

static const struct field end_fields[] = {
    { "role", "role", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct plan_end, role), 0, 0, NULL, end_roles, "hub or station" },
    { "agent", "agent", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct plan_end, agent), 0, 0, "yes", end_agents, "no: a router, a radio, a computer of others, which only answers pings" },
    { "landmark", "landmark", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct plan_end, landmark), 0, 0, "none", landmarks, "which rung of the way out this is: the report says at which rung it breaks" },
    { "call", "call", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_end, call), 0, 0, "", NULL, "call sign: sent in clear with the test traffic" },
    { "address", "address", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_end, address), 0, 0, NULL, NULL, "address that the exchanges use" },
    { "control", "control", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_end, control), 0, 0, "", NULL, "address at which the agent is spoken to, if another" },
    { "port", "port", FIELD_WHOLE, UNIT_NONE, FIELD_AT(struct plan_end, port), 1, 65535, "7907", NULL, "the agent's port (TCP and UDP)" },
    { "interface", "interface", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_end, interface), 0, 0, "", NULL, "network interface that the traffic is tied to" },
    { "key", "key", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_end, key), 0, 0, "", NULL, "file with the agent's key; a relative path starts at the plan" },
    { "position", "position", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_end, position), 0, 0, "", NULL, "where its antenna stands: a grid locator, or latitude and longitude" },
    { "ground_m", "ground", FIELD_REAL, UNIT_METRE, FIELD_AT(struct plan_end, ground_m), -500, 9000, "", NULL, "height of its ground above sea level" },
    { "radio", "radio", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_end, radio), 0, 0, "", NULL, "kind of radio" },
    { "power_w", "power", FIELD_REAL, UNIT_WATT, FIELD_AT(struct plan_end, power_w), 0, 1e6, "", NULL, "transmitter power, at the radio" },
    { "feed_type", "feed.type", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_end, feed_type), 0, 0, "", NULL, "kind of feed line" },
    { "feed_length_m", "feed.length", FIELD_REAL, UNIT_METRE, FIELD_AT(struct plan_end, feed_length_m), 0, 1000, "", NULL, "its length" },
    { "feed_loss_db", "feed.loss", FIELD_REAL, UNIT_DB, FIELD_AT(struct plan_end, feed_loss_db), 0, 100, "", NULL, "its loss at this frequency, with connectors and filters" },
    { "antenna_type", "antenna.type", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_end, antenna_type), 0, 0, "", NULL, "kind of antenna" },
    { "antenna_gain_dbi", "antenna.gain", FIELD_REAL, UNIT_DBI, FIELD_AT(struct plan_end, antenna_gain_dbi), -50, 80, "", NULL, "its gain" },
    { "antenna_height_m", "antenna.height", FIELD_REAL, UNIT_METRE, FIELD_AT(struct plan_end, antenna_height_m), -500, 10000, "", NULL, "its height above ground" },
    { "antenna_azimuth_deg", "antenna.azimuth", FIELD_REAL, UNIT_DEGREE, FIELD_AT(struct plan_end, antenna_azimuth_deg), 0, 360, "", NULL, "where it points, from true north by east" },
    { "antenna_polarisation", "antenna.polarisation", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct plan_end, antenna_polarisation), 0, 0, "unstated", polarisations, "how its waves are polarised" },
    { "antenna_swr", "antenna.swr", FIELD_REAL, UNIT_NONE, FIELD_AT(struct plan_end, antenna_swr), 1, 100, "", NULL, "standing-wave ratio, measured at the antenna" },
    { "noise_figure_db", "noise.figure", FIELD_REAL, UNIT_DB, FIELD_AT(struct plan_end, noise_figure_db), 0, 50, "", NULL, "noise figure of the receiver" },
    { "noise_rise_db", "noise.rise", FIELD_REAL, UNIT_DB, FIELD_AT(struct plan_end, noise_rise_db), 0, 80, "", NULL, "by how much noise rises when the antenna takes the place of a dummy load" },
    { "distance_m", "distance", FIELD_REAL, UNIT_METRE, FIELD_AT(struct plan_end, distance_m), 0, 1e9, "", NULL, "of a station: its way to the hub, if not that of the link" },
    { "obstacle_distance_m", "obstacle.distance", FIELD_REAL, UNIT_METRE, FIELD_AT(struct plan_end, obstacle_distance_m), 1, 1e9, "", NULL, "from a station to the worst obstacle on its way to the hub" },
    { "obstacle_height_m", "obstacle.height", FIELD_REAL, UNIT_METRE, FIELD_AT(struct plan_end, obstacle_height_m), -500, 9000, "", NULL, "its top, above sea level (above the ground where no end says ground)" },
    { "supply", "supply", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_end, supply), 0, 0, "", NULL, "what feeds the radio" },
    { "note", "note", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan_end, note), 0, 0, "", NULL, "anything else about this site that the report should keep" },
};
/* clang-format on */

/*
 * The air of a rehearsal: what a plan of a real link can't know.  The keys of
 * practice hold all the time and for every direction; events come and go.
 */
struct plan_practice {
    uint64_t seed;
    uint64_t queue_bytes; /* each radio's transmit queue */
    /* Registered at the hub beside those that link.stations counts. */
    uint64_t further_stations_count;
    struct plan_faults faults;
    struct plan_other_traffic other;
    struct plan_practice_end ends[PLAN_ENDS_MAX]; /* as the plan's ends */
    struct plan_event events[PLAN_EVENTS_MAX];    /* in their order there */
    size_t event_count;
};

/* clang-format off */
static const struct field practice_fields[] = {
    { "seed", "seed", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct plan_practice, seed), 1, 9007199254740992.0, "1", NULL, "seed of everything that is drawn" },
    { "queue_bytes", "queue", FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct plan_practice, queue_bytes), 1500, 1e8, "16 kB", NULL, "room of each radio's transmit queue" },
    { "further_stations_count", "further_stations", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct plan_practice, further_stations_count), 0, 31, "0", NULL, "stations that are registered too and that the plan says nothing of: they have turns and send nothing" },
    { "loss_ratio", "loss.chance", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_practice, faults.loss_ratio), 0, 1, "0 %", NULL, "radio frames that are lost" },
    { "loss_burst", "loss.burst", FIELD_REAL, UNIT_COUNT, FIELD_AT(struct plan_practice, faults.loss_burst), 1, 1e6, "", NULL, "mean length of a bad period, in frames; left out: each is lost by itself" },
    { "loss_within_ratio", "loss.within", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_practice, faults.loss_within_ratio), 0, 1, "100 %", NULL, "share of the frames that is lost within a bad period" },
    { "loss_between_ratio", "loss.between", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_practice, faults.loss_between_ratio), 0, 1, "0 %", NULL, "share of the frames that is lost between bad periods" },
    { "fading_ratio", "fading.chance", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_practice, faults.fading_ratio), 0, 1, "0 %", NULL, "further loss of frames when the fading is worst" },
    { "fading_period_ns", "fading.period", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct plan_practice, faults.fading_period_ns), 1e6, 86400e9, "60 s", NULL, "from one worst moment to the next" },
    { "duplicates_ratio", "duplicates.chance", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_practice, faults.duplicates_ratio), 0, 1, "0 %", NULL, "packets that arrive twice" },
    { "reordering_ratio", "reordering.chance", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_practice, faults.reordering_ratio), 0, 1, "0 %", NULL, "packets that are held back, so that later ones overtake them" },
    { "reordering_by_ns", "reordering.by", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct plan_practice, faults.reordering_by_ns), 1e6, 60e9, "200 ms", NULL, "how long they are held back" },
    { "corruption_ratio", "corruption.chance", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_practice, faults.corruption_ratio), 0, 1, "0 %", NULL, "packets that arrive with a wrong bit" },
    { "other_share_ratio", "other_traffic.share", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct plan_practice, other.share_ratio), 0, 0.95, "0 %", NULL, "share of the time in which other users of the channel transmit" },
    { "other_length_ns", "other_traffic.length", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct plan_practice, other.length_ns), 1e6, 60e9, "200 ms", NULL, "mean length of their transmissions" },
};
/* clang-format on */

/* Common keys of every exchange, beside those of its kind. */
struct plan_exchange {
    const struct kind *kind;
    char from[ADDRESS_SIZE], to[ADDRESS_SIZE]; /* end names, or a host for to */
    /* Index into ends; -1: a host without agent.  One of them is an end with
     * an agent. */
    int from_end, to_end;
    struct kind_room spec;
    int line; /* in the plan file */
};

/* The way of its data: "skerry > harbour", "skerry <> harbour" when both send.
 */
static inline void plan_exchange_way(const struct plan_exchange *exchange,
                                     char *ret_text, size_t size)
{
    (void) snprintf(ret_text, size, "%.63s %s %.63s", exchange->from,
                    exchange->kind->uses_between ? "<>" : ">", exchange->to);
}

/* Exchanges that run at once; most groups are of one. */
struct plan_group {
    size_t first, count; /* into exchanges */
};

enum set_steps {
    SET_BY_HAND,
    SET_BY_AGENT
};

/* What "report --public" gives away of a position: that many characters of
 * its grid locator.  Plans that were not read from a file: nothing. */
enum public_locator {
    PUBLIC_NO_LOCATOR,
    PUBLIC_LOCATOR_4,
    PUBLIC_LOCATOR_6,
    PUBLIC_LOCATOR_8,
    PUBLIC_LOCATOR_10
};

struct plan {
    char title[128]; /* the key plan */
    char weather[NAME_SIZE], note[200];
    int public_locator; /* enum public_locator */
    bool on_air;        /* false: a bench test, attenuators or dummy loads */
    struct plan_link link;
    struct plan_step steps[PLAN_STEPS_MAX];
    size_t step_count;
    struct plan_end ends[PLAN_ENDS_MAX];
    size_t end_count;
    int controller_end; /* controller_at, index into ends */
    uint64_t rounds;
    uint64_t reference_run; /* 0: none */
    int set_steps;
    struct plan_practice practice;
    struct plan_exchange *exchanges; /* in the order of the sequence */
    size_t exchange_count;
    struct plan_group *groups;
    size_t group_count;
};

/* clang-format off */
static const char *const set_steps_words[] = { "by hand", "by agent", NULL };
static const char *const public_locators[] = { "none", "4", "6", "8", "10", NULL };

/* The keys of a plan that hold one value; the others hold sections. */
static const struct field plan_fields[] = {
    { "title", "plan", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan, title), 0, 0, NULL, NULL, "what this plan is called in reports" },
    { "weather", "weather", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan, weather), 0, 0, "", NULL, "the weather, for the record" },
    { "note", "note", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct plan, note), 0, 0, "", NULL, "what the report should keep: who was there, what was changed" },
    { "public_locator", "public.locator", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct plan, public_locator), 0, 0, "4", public_locators, "characters of each position's grid locator that a public report gives away" },
    { "on_air", "on_air", FIELD_FLAG, UNIT_NONE, FIELD_AT(struct plan, on_air), 0, 0, "yes", NULL, "no: a bench test into attenuators or dummy loads" },
    { "rounds", "rounds", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct plan, rounds), 1, 1000, "1", NULL, "passes through the steps, there and back; a claim about a cause needs 5" },
    { "reference_run", "reference", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct plan, reference_run), 1, 9007199254740992.0, "", NULL, "number of a run in the logbook, your own of the same steps through attenuators: what it measured is what they should carry" },
    { "set_steps", "set_steps", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct plan, set_steps), 0, 0, "by hand", set_steps_words, "who sets the radios: you are asked, or each agent's own command does it" },
};
/* clang-format on */

/* Plans that were not read from a file say nothing: the presets hold. */
#define PLAN_MEETS_RATIO     0.9
#define PLAN_NO_CHANGE_RATIO 0.1

static inline double plan_meets_ratio(const struct plan *plan)
{
    return plan->link.meets_ratio > 0 ? plan->link.meets_ratio
                                      : PLAN_MEETS_RATIO;
}

static inline double plan_no_change_ratio(const struct plan *plan)
{
    return plan->link.no_change_ratio > 0 ? plan->link.no_change_ratio
                                          : PLAN_NO_CHANGE_RATIO;
}

/* Is it an end, and does an agent run there? */
static inline bool plan_has_agent(const struct plan *plan, int end)
{
    return end >= 0 && plan->ends[end].agent == AGENT_RUNS;
}

/* Does it stand for a radio site?  Radios and routers are landmarks on the way
 * to one. */
static inline bool plan_end_is_site(const struct plan_end *end)
{
    return end->landmark == LANDMARK_NONE
           || end->landmark == LANDMARK_FAR_COMPUTER;
}

static inline size_t plan_site_count(const struct plan *plan)
{
    size_t count = 0;

    for (size_t i = 0; i < plan->end_count; i++)
        count += plan_end_is_site(&plan->ends[i]);
    return count;
}

/* The end of that name; end_count: there is none. */
static inline size_t plan_find_end(const struct plan *plan, const char *name)
{
    size_t i = 0;

    while (i < plan->end_count && strcmp(plan->ends[i].name, name) != 0)
        i++;
    return i;
}

static inline bool plan_is_hub(const struct plan *plan, const char *name)
{
    const size_t end = plan_find_end(plan, name);

    return end < plan->end_count && plan->ends[end].role == ROLE_HUB;
}

/* The step of that name; step_count: there is none. */
static inline size_t plan_find_step(const struct plan *plan, const char *name)
{
    size_t i = 0;

    while (i < plan->step_count && strcmp(plan->steps[i].name, name) != 0)
        i++;
    return i;
}

/*
 * Which step the run visits as its n-th (n from 0 to rounds x step_count - 1):
 * there and back, A B B A A B ..., so that slow change hits all steps alike.
 */
static inline size_t plan_step_at(const struct plan *plan, size_t visit)
{
    const size_t round = visit / plan->step_count;
    const size_t place = visit % plan->step_count;

    return round % 2 ? plan->step_count - 1 - place : place;
}

#endif
