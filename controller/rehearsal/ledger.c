/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/ledger.h"

#include "controller/plan/event.h"

#include <arpa/inet.h>
#include <errno.h>
#include <inttypes.h>
#include <jansson.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* Lateness is kept as a histogram: bounded, however long the run. */
#define LATENESS_BIN_NS    (10 * NS_PER_US)
#define LATENESS_BIN_COUNT 10000
/* Later than this share of a slot at the 99th percentile, and the practice
 * link was no channel of the kind that it claims to be. */
#define LATENESS_SLOT_SHARE 100
/* Without a slot limit: as of a slot of this length. */
#define SLOT_WITHOUT_LIMIT_NS (100 * NS_PER_MS)

#define PATH_SIZE 4096

const char *const ledger_fates[FATE_COUNT] = {
    [FATE_DELIVERED] = "delivered",
    [FATE_CORRUPTED] = "corrupted",
    [FATE_QUEUE_FULL] = "queue_full",
    [FATE_STEP_DIFFERS] = "step_differs",
    [FATE_LOST] = "lost",
    [FATE_OUTAGE] = "outage",
    [FATE_COLLISION] = "collision",
    [FATE_AWAY] = "away",
    [FATE_UNFINISHED] = "unfinished",
    [FATE_NOT_FORWARDED] = "not_forwarded",
};

struct packet_total {
    uint64_t packets_count, ip_bytes;
};

struct end_total {
    uint64_t transmissions_count, frames_count, ip_bytes, airtime_ns;
    uint64_t repeats_count, collided_count;
    uint64_t idle_turns_count, idle_turns_ns;
};

struct ledger {
    char folder[PATH_SIZE];
    struct ledger_names names; /* strings borrowed */
    uint64_t slot_ns;
    FILE *packets, *transmissions, *events;
    uint64_t began_ns, written_ns;
    /* By sender, receiver (the last: no end) and fate. */
    struct packet_total totals[PLAN_ENDS_MAX][PLAN_ENDS_MAX + 1][FATE_COUNT];
    struct end_total ends[PLAN_ENDS_MAX];
    uint64_t lateness_bins[LATENESS_BIN_COUNT + 1];
    uint64_t lateness_count, lateness_most_ns;
    uint64_t own_loss_count;
    uint64_t others_count, others_ns; /* transmissions of other users */
};

static const char packet_heading[] =
    "from\tto\tip_version\tprotocol\tsource\tsource_port\tdestination\t"
    "destination_port\tip_bytes\ttcp_sequence\ttcp_acknowledgement\ttcp_flags\t"
    "payload_bytes\ticmp_type\ticmp_id\ticmp_sequence\tenqueued_ns\t"
    "first_bit_ns\tover_ns\thanded_ns\tfate\tmark\texchange\t"
    "copies_count\trepeats_count\n";
static const char transmission_heading[] =
    "what\tend\tstep\tscheduled_ns\tactual_ns\tended_ns\tturns_count\t"
    "frames_count\tip_bytes\tqueue_bytes_before\trepeats_count\t"
    "collided_count\n";

static const char event_heading[] = "at_ns\tnumber\twhat\tevent\n";

static int open_table(const struct ledger *ledger, const char *name,
                      const char *heading, FILE **ret_file, struct fault *fault)
{
    char path[PATH_SIZE + 32];

    (void) snprintf(path, sizeof(path), "%s/%s", ledger->folder, name);
    FILE *file = fopen(path, "we");

    if (!file)
        return fault_set(fault, -errno, "cannot write '%s': %s", path,
                         strerror(errno));
    (void) fputs(heading, file);
    *ret_file = file;
    return 0;
}

static void ledger_free(struct ledger *ledger)
{
    if (ledger->packets)
        (void) fclose(ledger->packets);
    if (ledger->transmissions)
        (void) fclose(ledger->transmissions);
    if (ledger->events)
        (void) fclose(ledger->events);
    free(ledger);
}

int ledger_open(const char *folder, const struct ledger_names *names,
                const struct air_config *air, struct ledger **ret_ledger,
                struct fault *fault)
{
    if (strlen(folder) >= PATH_SIZE)
        return fault_set(fault, -ENAMETOOLONG, "'%s' is too long a path",
                         folder);
    if (mkdir(folder, 0777) != 0 && errno != EEXIST)
        return fault_set(fault, -errno, "cannot make the folder '%s': %s",
                         folder, strerror(errno));
    struct ledger *ledger = calloc(1, sizeof(*ledger));

    if (!ledger)
        return fault_set(fault, -ENOMEM, "out of memory");
    (void) snprintf(ledger->folder, sizeof(ledger->folder), "%s", folder);
    ledger->names = *names;
    ledger->slot_ns = air->slot_limit_ns == AIR_NEVER ? SLOT_WITHOUT_LIMIT_NS
                                                      : air->slot_limit_ns;
    int status = open_table(ledger, "packets.tsv", packet_heading,
                            &ledger->packets, fault);

    if (!status)
        status = open_table(ledger, "transmissions.tsv", transmission_heading,
                            &ledger->transmissions, fault);
    if (!status)
        status = open_table(ledger, "events.tsv", event_heading,
                            &ledger->events, fault);
    if (status)
        ledger_free(ledger);
    else
        *ret_ledger = ledger;
    return status;
}

void ledger_began(struct ledger *ledger, uint64_t began_ns)
{
    ledger->began_ns = began_ns;
}

static void count_packet(struct ledger *ledger,
                         const struct air_packet *air_packet, int fate)
{
    const size_t to = air_packet->to < ledger->names.end_count ? air_packet->to
                                                               : PLAN_ENDS_MAX;
    struct packet_total *total = &ledger->totals[air_packet->from][to][fate];

    total->packets_count++;
    total->ip_bytes += air_packet->bytes;
}

static void print_address(FILE *file, const struct packet *packet,
                          const unsigned char *address)
{
    char text[INET6_ADDRSTRLEN] = "-";

    if (packet->version)
        (void) inet_ntop(packet->version == 4 ? AF_INET : AF_INET6, address,
                         text, sizeof(text));
    (void) fprintf(file, "\t%s", text);
}

static void print_headers(FILE *file, const struct packet *packet,
                          uint64_t ip_bytes)
{
    (void) fprintf(file, "\t%d\t%u", packet->version, packet->protocol);
    print_address(file, packet, packet->source);
    (void) fprintf(file, "\t%u", packet->source_port);
    print_address(file, packet, packet->destination);
    (void) fprintf(file, "\t%u\t%" PRIu64 "\t%" PRIu32 "\t%" PRIu32 "\t%u\t%zu",
                   packet->destination_port, ip_bytes, packet->tcp_sequence,
                   packet->tcp_acknowledgement, packet->tcp_flags,
                   packet->payload_bytes);
    (void) fprintf(file, "\t%u\t%u\t%u", packet->icmp_type, packet->icmp_id,
                   packet->icmp_sequence);
}

void ledger_packet(struct ledger *ledger, const struct packet *packet,
                   const struct air_packet *air_packet, int fate,
                   uint64_t handed_ns)
{
    static const struct packet not_ip;
    const struct packet *headers = packet ? packet : &not_ip;
    FILE *file = ledger->packets;

    count_packet(ledger, air_packet, fate);
    (void) fprintf(file, "%s\t%s", ledger->names.ends[air_packet->from],
                   air_packet->to < ledger->names.end_count
                       ? ledger->names.ends[air_packet->to]
                       : "-");
    print_headers(file, headers, air_packet->bytes);
    (void) fprintf(file,
                   "\t%" PRIu64 "\t%" PRIu64 "\t%" PRIu64 "\t%" PRIu64
                   "\t%s\t%s\t%s\t%u\t%" PRIu64 "\n",
                   air_packet->enqueued_ns, air_packet->first_bit_ns,
                   air_packet->over_ns, handed_ns, ledger_fates[fate],
                   headers->is_identification ? "identification" : "-",
                   headers->exchange[0] ? headers->exchange : "-",
                   air_packet->copies_count, air_packet->repeats_count);
}

void ledger_transmission(struct ledger *ledger,
                         const struct air_transmission *sent)
{
    struct end_total *total = &ledger->ends[sent->from];

    total->transmissions_count++;
    total->frames_count += sent->frames_count;
    total->ip_bytes += sent->ip_bytes;
    total->airtime_ns += sent->ended_ns - sent->scheduled_ns;
    total->repeats_count += sent->repeats_count;
    total->collided_count += sent->collided_count;
    (void) fprintf(
        ledger->transmissions,
        "sent\t%s\t%s\t%" PRIu64 "\t%" PRIu64 "\t%" PRIu64 "\t1\t%" PRIu64
        "\t%" PRIu64 "\t%" PRIu64 "\t%" PRIu64 "\t%" PRIu64 "\n",
        ledger->names.ends[sent->from], ledger->names.steps[sent->step],
        sent->scheduled_ns, sent->actual_ns, sent->ended_ns, sent->frames_count,
        sent->ip_bytes, sent->queue_bytes_before, sent->repeats_count,
        sent->collided_count);
}

void ledger_idle(struct ledger *ledger, const struct air_idle *idle)
{
    const uint64_t turn_ns =
        (idle->ended_ns - idle->began_ns) / idle->turns_count;

    for (size_t i = 0; i < ledger->names.end_count; i++) {
        ledger->ends[i].idle_turns_count += idle->turns_by_end_count[i];
        ledger->ends[i].idle_turns_ns += idle->turns_by_end_count[i] * turn_ns;
    }
    (void) fprintf(
        ledger->transmissions,
        "idle\t%s\t-\t%" PRIu64 "\t%" PRIu64 "\t%" PRIu64 "\t%" PRIu64
        "\t0\t0\t0\t0\t0\n",
        idle->first_from == AIR_NOBODY ? "-"
                                       : ledger->names.ends[idle->first_from],
        idle->began_ns, idle->began_ns, idle->ended_ns, idle->turns_count);
}

void ledger_other(struct ledger *ledger, const struct air_other *other)
{
    ledger->others_count++;
    ledger->others_ns += other->ended_ns - other->began_ns;
    (void) fprintf(ledger->transmissions,
                   "other\t-\t-\t%" PRIu64 "\t%" PRIu64 "\t%" PRIu64
                   "\t1\t0\t0\t0\t0\t0\n",
                   other->began_ns, other->began_ns, other->ended_ns);
}

void ledger_event(struct ledger *ledger, uint64_t at_ns, unsigned number,
                  bool is_beginning, const struct plan_event *event)
{
    char words[EVENT_TEXT_SIZE];

    event_write(event, words);
    (void) fprintf(ledger->events, "%" PRIu64 "\t%u\t%s\t%s\n", at_ns, number,
                   is_beginning ? "begins" : "ends", words);
}

void ledger_lateness(struct ledger *ledger, uint64_t late_ns)
{
    const uint64_t bin = late_ns / LATENESS_BIN_NS;

    ledger
        ->lateness_bins[bin < LATENESS_BIN_COUNT ? bin : LATENESS_BIN_COUNT]++;
    ledger->lateness_count++;
    if (late_ns > ledger->lateness_most_ns)
        ledger->lateness_most_ns = late_ns;
}

void ledger_own_loss(struct ledger *ledger, uint64_t packets_count)
{
    ledger->own_loss_count += packets_count;
}

void ledger_tick(struct ledger *ledger, uint64_t now_ns)
{
    if (now_ns - ledger->written_ns < NS_PER_S)
        return;
    ledger->written_ns = now_ns;
    (void) fflush(ledger->packets); /* a failure shows in ledger_close() */
    (void) fflush(ledger->transmissions);
    (void) fflush(ledger->events);
}

/* Upper edge of the bin in which the percentile lies, at most the greatest
 * value: never flattering. */
static uint64_t lateness_percentile_ns(const struct ledger *ledger,
                                       unsigned percent)
{
    const uint64_t rank = (ledger->lateness_count * percent + 99) / 100;
    uint64_t count = 0;

    for (uint64_t bin = 0; bin < LATENESS_BIN_COUNT; bin++) {
        count += ledger->lateness_bins[bin];
        if (count >= rank) {
            const uint64_t edge_ns = (bin + 1) * LATENESS_BIN_NS;

            return edge_ns < ledger->lateness_most_ns
                       ? edge_ns
                       : ledger->lateness_most_ns;
        }
    }
    return ledger->lateness_most_ns;
}

static json_t *json_u64(uint64_t value)
{
    return json_integer((json_int_t) value);
}

static json_t *fates_json(const struct packet_total totals[FATE_COUNT])
{
    json_t *fates = json_object();

    for (size_t i = 0; i < FATE_COUNT; i++) {
        json_t *fate = json_object();

        (void) json_object_set_new(fate, "packets_count",
                                   json_u64(totals[i].packets_count));
        (void) json_object_set_new(fate, "ip_bytes",
                                   json_u64(totals[i].ip_bytes));
        (void) json_object_set_new(fates, ledger_fates[i], fate);
    }
    return fates;
}

static bool is_any(const struct packet_total totals[FATE_COUNT])
{
    for (size_t i = 0; i < FATE_COUNT; i++) {
        if (totals[i].packets_count)
            return true;
    }
    return false;
}

static json_t *directions_json(const struct ledger *ledger)
{
    json_t *directions = json_array();

    for (size_t from = 0; from < ledger->names.end_count; from++) {
        for (size_t to = 0; to <= PLAN_ENDS_MAX; to++) {
            if (!is_any(ledger->totals[from][to]))
                continue;
            json_t *direction = json_object();

            (void) json_object_set_new(direction, "from",
                                       json_string(ledger->names.ends[from]));
            (void) json_object_set_new(
                direction, "to",
                json_string(to < PLAN_ENDS_MAX ? ledger->names.ends[to] : "-"));
            (void) json_object_set_new(direction, "fates",
                                       fates_json(ledger->totals[from][to]));
            (void) json_array_append_new(directions, direction);
        }
    }
    return directions;
}

static json_t *ends_json(const struct ledger *ledger)
{
    json_t *ends = json_object();

    for (size_t i = 0; i < ledger->names.end_count; i++) {
        const struct end_total *total = &ledger->ends[i];
        json_t *end = json_object();

        (void) json_object_set_new(end, "transmissions_count",
                                   json_u64(total->transmissions_count));
        (void) json_object_set_new(end, "frames_count",
                                   json_u64(total->frames_count));
        (void) json_object_set_new(end, "ip_bytes", json_u64(total->ip_bytes));
        (void) json_object_set_new(end, "airtime_ns",
                                   json_u64(total->airtime_ns));
        (void) json_object_set_new(end, "repeats_count",
                                   json_u64(total->repeats_count));
        (void) json_object_set_new(end, "collided_count",
                                   json_u64(total->collided_count));
        (void) json_object_set_new(end, "idle_turns_count",
                                   json_u64(total->idle_turns_count));
        (void) json_object_set_new(end, "idle_turns_ns",
                                   json_u64(total->idle_turns_ns));
        (void) json_object_set_new(ends, ledger->names.ends[i], end);
    }
    return ends;
}

static json_t *totals_json(const struct ledger *ledger)
{
    const uint64_t p99_ns = lateness_percentile_ns(ledger, 99);
    const uint64_t limit_ns = ledger->slot_ns / LATENESS_SLOT_SHARE;
    json_t *lateness = json_object();
    json_t *totals = json_object();

    (void) json_object_set_new(lateness, "edges_count",
                               json_u64(ledger->lateness_count));
    (void) json_object_set_new(lateness, "p50_ns",
                               json_u64(lateness_percentile_ns(ledger, 50)));
    (void) json_object_set_new(lateness, "p99_ns", json_u64(p99_ns));
    (void) json_object_set_new(lateness, "most_ns",
                               json_u64(ledger->lateness_most_ns));
    (void) json_object_set_new(lateness, "p99_limit_ns", json_u64(limit_ns));
    (void) json_object_set_new(
        totals, "trustworthy",
        json_boolean(p99_ns <= limit_ns && !ledger->own_loss_count));
    (void) json_object_set_new(totals, "began_ns", json_u64(ledger->began_ns));
    (void) json_object_set_new(totals, "lateness", lateness);
    (void) json_object_set_new(totals, "own_loss_packets_count",
                               json_u64(ledger->own_loss_count));
    (void) json_object_set_new(totals, "others_count",
                               json_u64(ledger->others_count));
    (void) json_object_set_new(totals, "others_ns",
                               json_u64(ledger->others_ns));
    (void) json_object_set_new(totals, "directions", directions_json(ledger));
    (void) json_object_set_new(totals, "ends", ends_json(ledger));
    return totals;
}

static int close_table(FILE **file, struct fault *fault)
{
    const bool is_broken = ferror(*file) != 0;
    const bool is_unclosed = fclose(*file) != 0;

    *file = NULL;
    if (is_broken || is_unclosed)
        return fault_set(fault, -EIO, "the ledger could not be written: %s",
                         is_unclosed ? strerror(errno) : "an earlier failure");
    return 0;
}

int ledger_close(struct ledger *ledger, struct fault *fault)
{
    char path[PATH_SIZE + 32];
    int status = close_table(&ledger->packets, fault);
    FILE **const others[] = { &ledger->transmissions, &ledger->events };
    json_t *totals = totals_json(ledger);

    for (size_t i = 0; i < COUNT_OF(others); i++) {
        const int other_status = close_table(others[i], fault);

        if (!status)
            status = other_status;
    }
    (void) snprintf(path, sizeof(path), "%s/totals.json", ledger->folder);
    if (json_dump_file(totals, path, JSON_INDENT(2)) != 0 && !status)
        status = fault_set(fault, -EIO, "cannot write '%s'", path);
    json_decref(totals);
    ledger_free(ledger);
    return status;
}

int ledger_read_verdict(const char *folder, struct ledger_verdict *ret_verdict,
                        struct fault *fault)
{
    char path[PATH_SIZE + 32];
    json_error_t error;
    json_int_t p99_ns, limit_ns, loss_count;
    int is_trustworthy;

    (void) snprintf(path, sizeof(path), "%s/totals.json", folder);
    json_t *totals = json_load_file(path, JSON_REJECT_DUPLICATES, &error);

    if (!totals)
        return fault_set(fault, -EIO, "%s:%d: %s", path, error.line,
                         error.text);
    const int found = json_unpack_ex(
        totals, &error, 0, "{s:b, s:I, s:{s:I, s:I}}", "trustworthy",
        &is_trustworthy, "own_loss_packets_count", &loss_count, "lateness",
        "p99_ns", &p99_ns, "p99_limit_ns", &limit_ns);

    json_decref(totals);
    if (found != 0)
        return fault_set(fault, -EINVAL, "%s: %s", path, error.text);
    *ret_verdict =
        (struct ledger_verdict){ .is_trustworthy = is_trustworthy != 0,
                                 .lateness_p99_ns = (uint64_t) p99_ns,
                                 .lateness_limit_ns = (uint64_t) limit_ns,
                                 .own_loss_count = (uint64_t) loss_count };
    return 0;
}
