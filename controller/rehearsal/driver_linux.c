/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/driver.h"

#include "controller/rehearsal/driver_control.h"
#include "controller/rehearsal/packet_translation.h"

#include <arpa/inet.h>
#include <errno.h>
#include <poll.h>
#include <sched.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include <linux/if_ether.h>
#include <linux/if_packet.h>
#include <net/if.h>

#define FRAME_SIZE (65535 + ETH_HLEN)
/* Packets taken from one end before the air's edges are looked at again. */
#define TAKE_AT_ONCE 64
/* At the control panel at once; further ones wait. */
#define CLIENTS_MAX 8
/* Who has said nothing for so long is cut off. */
#define CLIENT_LIMIT_NS (2 * NS_PER_S)

/* A packet on its way; its address is the handle in the air. */
struct frame {
    struct packet packet;
    size_t length;
    unsigned char bytes[]; /* with the link-layer header */
};

struct address {
    int version;
    unsigned char bytes[16];
    size_t end;
};

enum {
    POLL_STOP,
    POLL_CONTROL, /* the listening socket */
    POLL_CLIENTS, /* those that are being served; -1: nobody */
    POLL_ENDS = POLL_CLIENTS + CLIENTS_MAX
};

struct driver {
    const struct driver_setup *setup;
    struct air *air;
    struct ledger *ledger;
    struct pollfd polls[POLL_ENDS + PLAN_ENDS_MAX];
    uint64_t clients_since_ns[CLIENTS_MAX];
    uint64_t edge_gap_ns; /* of a loaded channel: see note_lateness() */
    struct address addresses[4 * PLAN_ENDS_MAX];
    size_t address_count;
    struct translation *routers[PLAN_ENDS_MAX]; /* NULL: none there */
    unsigned char buffer[FRAME_SIZE];
};

/* The flow, top to bottom. */
static int open_all(struct driver *driver, struct fault *fault);
static void run_until_stopped(struct driver *driver);
static void take_packets(struct driver *driver, size_t end);
static void take_packet(struct driver *driver, size_t end, size_t length);
static void on_fate(void *owner, const struct air_packet *packet,
                    enum air_fate fate);
static void serve_clients(struct driver *driver, uint64_t woken_ns);

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

static int open_end(const char *veth, int *ret_socket, struct fault *fault)
{
    const struct sockaddr_ll address = { .sll_family = AF_PACKET,
                                         .sll_protocol = htons(ETH_P_ALL),
                                         .sll_ifindex =
                                             (int) if_nametoindex(veth) };
    const int on = 1;
    /* Protocol 0: nothing comes in until it is bound to its link. */
    const int fd =
        socket(AF_PACKET, SOCK_RAW | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);

    if (fd < 0)
        return fault_set(fault, -errno, "packet socket: %s", strerror(errno));
    if (setsockopt(fd, SOL_PACKET, PACKET_IGNORE_OUTGOING, &on, sizeof(on)) != 0
        || setsockopt(fd, SOL_SOCKET, SO_TIMESTAMPNS, &on, sizeof(on)) != 0
        || bind(fd, (const struct sockaddr *) &address, sizeof(address)) != 0) {
        const int status = -errno;

        (void) close(fd);
        return fault_set(fault, status, "packet socket on '%s': %s", veth,
                         strerror(-status));
    }
    *ret_socket = fd;
    return 0;
}

static int note_address(struct driver *driver, size_t end, const char *text,
                        struct fault *fault)
{
    const bool is_ipv6 = strchr(text, ':') != NULL;

    if (driver->address_count == COUNT_OF(driver->addresses))
        return fault_set(fault, -E2BIG,
                         "found more than %zu practice addresses",
                         COUNT_OF(driver->addresses));
    struct address *address = &driver->addresses[driver->address_count++];

    address->version = is_ipv6 ? 6 : 4;
    address->end = end;
    if (inet_pton(is_ipv6 ? AF_INET6 : AF_INET, text, address->bytes) != 1)
        return fault_set(fault, -EINVAL, "found '%s', expected an IP address",
                         text);
    return 0;
}

/* All that others see of the end is its router's address. */
static int note_router(struct driver *driver, size_t end, struct fault *fault)
{
    const char *text = driver->setup->ends[end].router;
    struct translation *router = calloc(1, sizeof(*router));

    if (!router)
        return fault_set(fault, -ENOMEM, "out of memory");
    driver->routers[end] = router;
    if (inet_pton(AF_INET, text, router->outer) != 1)
        return fault_set(fault, -EINVAL, "found '%s', expected an IPv4 address",
                         text);
    return note_address(driver, end, text, fault);
}

static int note_addresses(struct driver *driver, size_t end,
                          struct fault *fault)
{
    const struct driver_end *setup = &driver->setup->ends[end];
    int status = 0;

    if (setup->router)
        return note_router(driver, end, fault);
    for (size_t i = 0; i < setup->address_count && !status; i++)
        status = note_address(driver, end, setup->addresses[i], fault);
    return status;
}

static int open_stop(int *ret_fd, struct fault *fault)
{
    sigset_t stop;

    (void) sigemptyset(&stop);
    (void) sigaddset(&stop, SIGTERM);
    *ret_fd = signalfd(-1, &stop, SFD_CLOEXEC | SFD_NONBLOCK);
    if (*ret_fd < 0)
        return fault_set(fault, -errno, "signalfd: %s", strerror(errno));
    return 0;
}

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
    int status = open_stop(&driver->polls[POLL_STOP].fd, fault);

    if (!status)
        status = driver_control_listen(setup->folder,
                                       &driver->polls[POLL_CONTROL].fd, fault);
    if (!status)
        status = open_ledger(driver, fault);
    for (size_t i = 0; i < setup->end_count && !status; i++) {
        status = note_addresses(driver, i, fault);
        if (!status)
            status = open_end(setup->ends[i].veth,
                              &driver->polls[POLL_ENDS + i].fd, fault);
    }
    for (size_t i = 0; i < POLL_ENDS + setup->end_count; i++)
        driver->polls[i].events = POLLIN;
    return status;
}

/* --- what the air tells --------------------------------------------------- */

static void on_fate(void *owner, const struct air_packet *packet,
                    enum air_fate fate)
{
    struct driver *driver = owner;
    struct frame *frame = packet->handle;
    uint64_t handed_ns = 0;

    if (fate == FATE_DELIVERED) {
        if (send(end_socket(driver, packet->to), frame->bytes, frame->length, 0)
            < 0)
            ledger_own_loss(driver->ledger, 1);
        else
            handed_ns = now_ns();
    }
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

/* --- packets from the ends ------------------------------------------------ */

/* The end that has that address; end_count: nobody. */
static size_t find_receiver(const struct driver *driver,
                            const struct packet *packet)
{
    const size_t size = packet->version == 6 ? 16 : 4;

    for (size_t i = 0; i < driver->address_count; i++) {
        const struct address *address = &driver->addresses[i];

        if (address->version == packet->version
            && memcmp(address->bytes, packet->destination, size) == 0)
            return address->end;
    }
    return driver->setup->end_count;
}

static bool parse_frame(const struct driver *driver, size_t length,
                        struct packet *packet)
{
    return length > ETH_HLEN
           && packet_parse(driver->buffer + ETH_HLEN, length - ETH_HLEN,
                           packet);
}

/* Where the packet in the buffer goes, and what the routers on its way make of
 * it; packet has the headers as they are between those. */
static size_t route(struct driver *driver, size_t from, size_t length,
                    struct packet *packet)
{
    const size_t nobody = driver->setup->end_count;
    unsigned char *bytes = driver->buffer + ETH_HLEN;
    struct translation *near = driver->routers[from];

    if (near
        && (!translation_out(near, bytes, length)
            || !packet_parse(bytes, length, packet)))
        return nobody;
    const size_t to = find_receiver(driver, packet);
    struct translation *far = to == nobody ? NULL : driver->routers[to];

    return !far || translation_in(far, bytes, length) ? to : nobody;
}

static void take_packet(struct driver *driver, size_t end, size_t length)
{
    const uint64_t taken_ns = now_ns();
    const size_t nobody = driver->setup->end_count;
    struct packet packet = { 0 };
    const bool is_ip = parse_frame(driver, length, &packet);
    const size_t to =
        is_ip ? route(driver, end, length - ETH_HLEN, &packet) : nobody;

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

/* How long ago the kernel had the packet; 0: not told. */
static uint64_t waited_ns(struct msghdr *message)
{
    struct cmsghdr *part = CMSG_FIRSTHDR(message);
    struct timespec stamp, now;

    if (!part || part->cmsg_level != SOL_SOCKET
        || part->cmsg_type != SCM_TIMESTAMPNS)
        return 0;
    memcpy(&stamp, CMSG_DATA(part), sizeof(stamp));
    (void) clock_gettime(CLOCK_REALTIME, &now);
    const int64_t waited = (now.tv_sec - stamp.tv_sec) * (int64_t) NS_PER_S
                           + (now.tv_nsec - stamp.tv_nsec);

    return waited > 0 ? (uint64_t) waited : 0;
}

/* The length of the next packet; negative: there is none. */
static ssize_t receive(struct driver *driver, size_t end)
{
    union {
        char bytes[CMSG_SPACE(sizeof(struct timespec))];
        struct cmsghdr alignment;
    } control;
    struct iovec room = { driver->buffer, sizeof(driver->buffer) };
    struct msghdr message = { .msg_iov = &room,
                              .msg_iovlen = 1,
                              .msg_control = &control,
                              .msg_controllen = sizeof(control) };
    const ssize_t length = recvmsg(end_socket(driver, end), &message, 0);

    /* An idle channel has no edge to be late at: this shows a pause there. */
    if (length >= 0)
        ledger_lateness(driver->ledger, waited_ns(&message));
    return length;
}

static void take_packets(struct driver *driver, size_t end)
{
    for (int i = 0; i < TAKE_AT_ONCE; i++) {
        const ssize_t length = receive(driver, end);

        if (length < 0)
            return; /* EAGAIN: all taken */
        take_packet(driver, end, (size_t) length);
    }
}

/* --- the radios' control panel -------------------------------------------- */

/* Index of name among the names; count: not there. */
static size_t find_name(const char *const *names, size_t count,
                        const char *name)
{
    size_t i = 0;

    while (i < count && strcmp(names[i], name) != 0)
        i++;
    return i;
}

static void set_step(struct driver *driver, size_t end, const char *name,
                     char *answer, size_t size)
{
    const struct ledger_names *names = &driver->setup->names;
    const size_t step = find_name(names->steps, names->step_count, name);

    if (step == names->step_count) {
        (void) snprintf(answer, size, "the practice radio has no step '%.100s'",
                        name);
        return;
    }
    air_set_step(driver->air, now_ns(), end, step);
    (void) snprintf(answer, size, "ok");
}

static void tell_readings(const struct driver *driver, size_t end, char *answer,
                          size_t size)
{
    struct air_reading reading;

    air_read(driver->air, end, &reading);
    (void) snprintf(answer, size,
                    "ok\nstep=%s\nqueue_bytes=%llu\nsent_frames=%llu\n"
                    "sent_bytes=%llu\n",
                    driver->setup->names.steps[reading.step],
                    (unsigned long long) reading.queue_bytes,
                    (unsigned long long) reading.sent_frames_count,
                    (unsigned long long) reading.sent_bytes);
}

static void carry_out(struct driver *driver, char *message, char *answer,
                      size_t size)
{
    const struct ledger_names *names = &driver->setup->names;
    char *tab = strchr(message, '\t');

    if (tab)
        *tab = '\0';
    const size_t end = find_name(names->ends, names->end_count, message);

    if (end == names->end_count)
        (void) snprintf(answer, size, "there is no practice radio '%.100s'",
                        message);
    else if (tab)
        set_step(driver, end, tab + 1, answer, size);
    else
        tell_readings(driver, end, answer, size);
}

static void end_client(struct pollfd *client)
{
    (void) close(client->fd);
    client->fd = -1;
}

static void serve_client(struct driver *driver, struct pollfd *client)
{
    char message[CONTROL_MESSAGE_SIZE], answer[CONTROL_ANSWER_SIZE];
    const ssize_t length = recv(client->fd, message, sizeof(message) - 1, 0);

    if (length > 0) {
        message[length] = '\0';
        carry_out(driver, message, answer, sizeof(answer));
        (void) send(client->fd, answer, strlen(answer), MSG_NOSIGNAL);
    }
    end_client(client);
}

static void serve_clients(struct driver *driver, uint64_t woken_ns)
{
    for (size_t i = 0; i < CLIENTS_MAX; i++) {
        struct pollfd *client = &driver->polls[POLL_CLIENTS + i];

        if (client->fd < 0)
            continue;
        if (client->revents)
            serve_client(driver, client);
        else if (woken_ns - driver->clients_since_ns[i] > CLIENT_LIMIT_NS)
            end_client(client);
    }
}

/* With nowhere to put one, the listening socket is not looked at: else it would
 * keep this loop, which comes before all other programs, from ever sleeping. */
static void accept_clients(struct driver *driver, uint64_t woken_ns)
{
    struct pollfd *listener = &driver->polls[POLL_CONTROL];
    bool has_room = false;

    for (size_t i = 0; i < CLIENTS_MAX; i++) {
        struct pollfd *client = &driver->polls[POLL_CLIENTS + i];

        if (client->fd < 0 && listener->revents) {
            client->fd =
                accept4(listener->fd, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
            client->revents = 0;
            driver->clients_since_ns[i] = woken_ns;
            if (client->fd < 0)
                listener->revents = 0; /* all taken */
        }
        has_room = has_room || client->fd < 0;
    }
    listener->events = has_room ? POLLIN : 0;
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

static void run_until_stopped(struct driver *driver)
{
    while (!(driver->polls[POLL_STOP].revents & POLLIN)) {
        const uint64_t due_ns =
            sleep_until_due(driver, air_next_ns(driver->air));
        const uint64_t woken_ns = now_ns();

        if (due_ns <= woken_ns)
            note_lateness(driver, woken_ns - due_ns);
        air_advance(driver->air, woken_ns);
        for (size_t i = 0; i < driver->setup->end_count; i++) {
            if (driver->polls[POLL_ENDS + i].revents)
                take_packets(driver, i);
        }
        serve_clients(driver, woken_ns);
        accept_clients(driver, woken_ns);
        ledger_tick(driver->ledger, woken_ns);
    }
}

/* Packets that the kernel had no room to keep for us. */
static void count_missed_packets(struct driver *driver)
{
    for (size_t i = 0; i < driver->setup->end_count; i++) {
        struct tpacket_stats missed = { 0 };
        socklen_t size = sizeof(missed);

        if (getsockopt(end_socket(driver, i), SOL_PACKET, PACKET_STATISTICS,
                       &missed, &size)
            == 0)
            ledger_own_loss(driver->ledger, missed.tp_drops);
    }
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
                                           .owner = driver };

    keep_time();
    driver->edge_gap_ns = edge_gap_ns(&driver->setup->config);
    driver->air = air_new(&driver->setup->config, &listener, now_ns());
    if (write(ready, "r", 1) == 1)
        run_until_stopped(driver);
    air_close(driver->air, now_ns());
    air_free(driver->air);
    count_missed_packets(driver);
    return ledger_close(driver->ledger, fault);
}

int driver_run(const struct driver_setup *setup, int ready, struct fault *fault)
{
    struct driver *driver = calloc(1, sizeof(*driver));

    if (!driver)
        return fault_set(fault, -ENOMEM, "out of memory");
    driver->setup = setup;
    for (size_t i = 0; i < COUNT_OF(driver->polls); i++)
        driver->polls[i].fd = -1;
    int status = open_all(driver, fault);

    if (!status)
        status = drive(driver, ready, fault);
    if (driver->polls[POLL_CONTROL].fd >= 0)
        driver_control_remove(setup->folder);
    for (size_t i = 0; i < COUNT_OF(driver->polls); i++) {
        if (driver->polls[i].fd >= 0)
            (void) close(driver->polls[i].fd);
    }
    for (size_t i = 0; i < setup->end_count; i++)
        free(driver->routers[i]);
    free(driver);
    return status;
}
