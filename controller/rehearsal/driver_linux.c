/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/driver.h"

#include "controller/rehearsal/clocks.h"
#include "controller/rehearsal/driver_orders.h"
#include "controller/rehearsal/driver_panel.h"
#include "controller/rehearsal/driver_routes.h"
#include "controller/rehearsal/driver_sockets.h"

#include <errno.h>
#include <sched.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include <linux/if_ether.h>

#define FRAME_SIZE (65535 + ETH_HLEN)
/* Packets taken from one end before the air's edges are looked at again. */
#define TAKE_AT_ONCE 64

/* A packet on its way; its address is the handle in the air. */
struct frame {
    struct packet packet;
    size_t length;
    unsigned char bytes[]; /* with the link-layer header */
};

enum {
    POLL_STOP,
    POLL_PANEL,
    POLL_ENDS = POLL_PANEL + PANEL_POLLS
};

struct driver {
    const struct driver_setup *setup;
    struct air *air;
    struct timeline *timeline; /* NULL: nothing comes or goes */
    struct ledger *ledger;
    struct pollfd polls[POLL_ENDS + PLAN_ENDS_MAX];
    struct panel panel;
    struct routes routes;
    uint64_t edge_gap_ns; /* of a loaded channel: see note_lateness() */
    unsigned char buffer[FRAME_SIZE];
};

/* The flow, top to bottom. */
static int open_all(struct driver *driver, struct fault *fault);
static void run_until_stopped(struct driver *driver);
static void take_packets(struct driver *driver, size_t end);
static void take_packet(struct driver *driver, size_t end, size_t length);
static void on_fate(void *owner, const struct air_packet *packet,
                    enum air_fate fate);
static void on_message(void *owner, char *message, char *answer, size_t size);

static uint64_t now_ns(void)
{
    struct timespec now;

    (void) clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t) now.tv_sec * NS_PER_S + (uint64_t) now.tv_nsec;
}

static int end_socket(const struct driver *driver, size_t end)
{
    return driver->polls[POLL_ENDS + end].fd;
}

/* --- opening -------------------------------------------------------------- */

static int open_ledger(struct driver *driver, struct fault *fault)
{
    const struct driver_setup *setup = driver->setup;
    char path[4096];

    if (snprintf(path, sizeof(path), "%s/ledger", setup->folder)
        >= (int) sizeof(path))
        return fault_set(fault, -ENAMETOOLONG, "'%s' is too long a path",
                         setup->folder);
    return ledger_open(path, &setup->names, &setup->config, &driver->ledger,
                       fault);
}

static int open_all(struct driver *driver, struct fault *fault)
{
    const struct driver_setup *setup = driver->setup;
    int status = driver_open_stop(&driver->polls[POLL_STOP].fd, fault);

    if (!status)
        status = panel_open(&driver->panel, setup->folder, fault);
    if (!status)
        status = open_ledger(driver, fault);
    if (!status)
        status =
            routes_fill(&driver->routes, setup->ends, setup->end_count, fault);
    for (size_t i = 0; i < setup->end_count && !status; i++)
        status = driver_open_link(setup->ends[i].veth,
                                  &driver->polls[POLL_ENDS + i].fd, fault);
    for (size_t i = 0; i < POLL_ENDS + setup->end_count; i++)
        driver->polls[i].events = POLLIN;
    return status;
}

/* --- what the air tells --------------------------------------------------- */

/* As often as it arrives; when, or 0: it could not be. */
static uint64_t hand_over(struct driver *driver,
                          const struct air_packet *packet)
{
    const struct frame *frame = packet->handle;
    const int socket = end_socket(driver, packet->to);
    uint64_t handed_ns = 0;

    for (unsigned i = 0; i < packet->copies_count; i++) {
        if (send(socket, frame->bytes, frame->length, 0) < 0)
            ledger_own_loss(driver->ledger, 1);
        else if (!handed_ns)
            handed_ns = now_ns();
    }
    return handed_ns;
}

static void on_fate(void *owner, const struct air_packet *packet,
                    enum air_fate fate)
{
    struct driver *driver = owner;
    struct frame *frame = packet->handle;
    uint64_t handed_ns = 0;

    /* The packet's last bit: every checksum covers it. */
    if (fate == FATE_CORRUPTED)
        frame->bytes[ETH_HLEN + frame->packet.ip_bytes - 1] ^= 1;
    if (fate == FATE_DELIVERED || fate == FATE_CORRUPTED)
        handed_ns = hand_over(driver, packet);
    ledger_packet(driver->ledger, frame->packet.version ? &frame->packet : NULL,
                  packet, (int) fate, handed_ns);
    free(frame);
}

static void on_transmission(void *owner,
                            const struct air_transmission *transmission)
{
    const struct driver *driver = owner;

    ledger_transmission(driver->ledger, transmission);
}

static void on_idle(void *owner, const struct air_idle *idle)
{
    const struct driver *driver = owner;

    ledger_idle(driver->ledger, idle);
}

static void on_other(void *owner, const struct air_other *other)
{
    const struct driver *driver = owner;

    ledger_other(driver->ledger, other);
}

static void on_clock_step(void *owner, size_t end, int64_t by_ns)
{
    const struct driver *driver = owner;
    struct practice_clock *clock = driver->setup->ends[end].clock;

    if (clock) /* else there is no agent that sees it */
        clocks_step(clock, by_ns);
}

static void on_event(void *owner, uint64_t at_ns, unsigned number,
                     bool is_beginning, const struct plan_event *event)
{
    const struct driver *driver = owner;

    ledger_event(driver->ledger, at_ns, number, is_beginning, event);
}

/* --- packets from the ends ------------------------------------------------ */

static bool parse_frame(const struct driver *driver, size_t length,
                        struct packet *packet)
{
    return length > ETH_HLEN
           && packet_parse(driver->buffer + ETH_HLEN, length - ETH_HLEN,
                           packet);
}

static void take_packet(struct driver *driver, size_t end, size_t length)
{
    const uint64_t taken_ns = now_ns();
    const size_t nobody = driver->setup->end_count;
    struct packet packet = { 0 };
    const bool is_ip = parse_frame(driver, length, &packet);
    const size_t to =
        is_ip ? routes_find(&driver->routes, end, driver->buffer + ETH_HLEN,
                            length - ETH_HLEN, &packet)
              : nobody;

    if (to == nobody || to == end) {
        const struct air_packet lost = { .from = end,
                                         .to = nobody,
                                         .bytes =
                                             is_ip ? packet.ip_bytes : length,
                                         .enqueued_ns = taken_ns,
                                         .over_ns = taken_ns };

        ledger_packet(driver->ledger, is_ip ? &packet : NULL, &lost,
                      FATE_NOT_FORWARDED, 0);
        return;
    }
    struct frame *frame = malloc(sizeof(*frame) + length);

    if (!frame) {
        (void) fputs("out of memory\n", stderr);
        abort();
    }
    frame->packet = packet;
    frame->length = length;
    memcpy(frame->bytes, driver->buffer, length);
    air_enqueue(driver->air, taken_ns, end, to, packet.ip_bytes, frame);
}

static void take_packets(struct driver *driver, size_t end)
{
    for (int i = 0; i < TAKE_AT_ONCE; i++) {
        uint64_t waited_ns;
        const ssize_t length =
            driver_receive(end_socket(driver, end), driver->buffer,
                           sizeof(driver->buffer), &waited_ns);

        if (length < 0)
            return; /* EAGAIN: all taken */
        /* An idle channel has no edge to be late at: this shows a pause. */
        ledger_lateness(driver->ledger, waited_ns);
        take_packet(driver, end, (size_t) length);
    }
}

/* --- the radios' control panel -------------------------------------------- */

static void on_message(void *owner, char *message, char *answer, size_t size)
{
    const struct driver *driver = owner;
    const struct driver_orders orders = { .air = driver->air,
                                          .timeline = driver->timeline,
                                          .names = &driver->setup->names,
                                          .hub = driver->setup->config.hub };

    driver_orders_carry_out(&orders, now_ns(), message, answer, size);
}

/* --- the loop ------------------------------------------------------------- */

/* Sleep until the air's next edge, a packet, or a second has passed.  Returns
 * when it should have woken, unless woken before. */
static uint64_t sleep_until_due(struct driver *driver, uint64_t due_ns)
{
    const uint64_t start_ns = now_ns();
    const uint64_t wait_ns = due_ns <= start_ns ? 0 : due_ns - start_ns;
    const struct timespec wait = {
        .tv_sec = wait_ns >= NS_PER_S ? 1 : 0,
        .tv_nsec = wait_ns >= NS_PER_S ? 0 : (long) wait_ns,
    };

    if (ppoll(driver->polls, POLL_ENDS + driver->setup->end_count, &wait, NULL)
        <= 0) {
        for (size_t i = 0; i < POLL_ENDS + driver->setup->end_count; i++)
            driver->polls[i].revents = 0;
    }
    return wait_ns >= NS_PER_S ? start_ns + NS_PER_S : due_ns;
}

/* Who wakes much too late has missed not one edge but all that a loaded channel
 * has in that time, each later than the next. */
static void note_lateness(struct driver *driver, uint64_t late_ns)
{
    const uint64_t gap_ns = driver->edge_gap_ns;

    ledger_lateness(driver->ledger, late_ns);
    for (; late_ns > gap_ns; late_ns -= gap_ns)
        ledger_lateness(driver->ledger, late_ns - gap_ns);
}

/* The air's next edge, or something begins or ends. */
static uint64_t next_ns(const struct driver *driver)
{
    const uint64_t air_ns = air_next_ns(driver->air);
    const uint64_t event_ns =
        driver->timeline ? timeline_next_ns(driver->timeline) : AIR_NEVER;

    return event_ns < air_ns ? event_ns : air_ns;
}

static void run_until_stopped(struct driver *driver)
{
    while (!(driver->polls[POLL_STOP].revents & POLLIN)) {
        const uint64_t due_ns = sleep_until_due(driver, next_ns(driver));
        const uint64_t woken_ns = now_ns();

        if (due_ns <= woken_ns)
            note_lateness(driver, woken_ns - due_ns);
        air_advance(driver->air, woken_ns);
        if (driver->timeline)
            timeline_apply(driver->timeline, driver->air, woken_ns);
        for (size_t i = 0; i < driver->setup->end_count; i++) {
            if (driver->polls[POLL_ENDS + i].revents)
                take_packets(driver, i);
        }
        panel_serve(&driver->panel, woken_ns);
        ledger_tick(driver->ledger, woken_ns);
    }
}

static void count_missed_packets(struct driver *driver)
{
    for (size_t i = 0; i < driver->setup->end_count; i++)
        ledger_own_loss(driver->ledger,
                        driver_missed_packets(end_socket(driver, i)));
}

/* From frame to frame on the first step. */
static uint64_t edge_gap_ns(const struct air_config *config)
{
    const uint64_t bits =
        (config->frame_payload_bytes + config->frame_overhead_bytes)
        * BITS_PER_BYTE;

    if (config->frame_payload_bytes && config->step_bps[0])
        return bits * NS_PER_S / config->step_bps[0] + NS_PER_MS;
    return config->slot_limit_ns == AIR_NEVER ? NS_PER_S
                                              : config->slot_limit_ns;
}

/* Ask the system for punctual wake-ups.  What it refuses (an ordinary user gets
 * no real-time priority) shows in the ledger as lateness, if it matters. */
static void keep_time(void)
{
    const struct sched_param least = { .sched_priority = 1 };

    /* Timers may be late by 50 us to save power; not here. */
    (void) prctl(PR_SET_TIMERSLACK, 1);
    (void) sched_setscheduler(0, SCHED_RR, &least);
}

static int drive(struct driver *driver, int ready, struct fault *fault)
{
    const struct air_listener listener = { .on_fate = on_fate,
                                           .on_transmission = on_transmission,
                                           .on_idle = on_idle,
                                           .on_other = on_other,
                                           .owner = driver };

    const struct timeline_listener changes = { .on_clock_step = on_clock_step,
                                               .on_event = on_event,
                                               .owner = driver };

    keep_time();
    driver->edge_gap_ns = edge_gap_ns(&driver->setup->config);
    const uint64_t began_ns = now_ns();

    driver->air = air_new(&driver->setup->config, &listener, began_ns);
    ledger_began(driver->ledger, began_ns);
    if (driver->setup->plan)
        driver->timeline =
            timeline_new(driver->setup->plan, began_ns, &changes);
    if (write(ready, "r", 1) == 1)
        run_until_stopped(driver);
    air_close(driver->air, now_ns());
    air_free(driver->air);
    timeline_free(driver->timeline);
    count_missed_packets(driver);
    return ledger_close(driver->ledger, fault);
}

int driver_run(const struct driver_setup *setup, int ready, struct fault *fault)
{
    struct driver *driver = calloc(1, sizeof(*driver));

    if (!driver)
        return fault_set(fault, -ENOMEM, "out of memory");
    driver->setup = setup;
    driver->panel = (struct panel){ .polls = driver->polls + POLL_PANEL,
                                    .on_message = on_message,
                                    .owner = driver };
    for (size_t i = 0; i < COUNT_OF(driver->polls); i++)
        driver->polls[i].fd = -1;
    int status = open_all(driver, fault);

    if (!status)
        status = drive(driver, ready, fault);
    panel_close(&driver->panel, setup->folder);
    for (size_t i = 0; i < COUNT_OF(driver->polls); i++) {
        if (driver->polls[i].fd >= 0)
            (void) close(driver->polls[i].fd);
    }
    routes_clear(&driver->routes);
    free(driver);
    return status;
}
