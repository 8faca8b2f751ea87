/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/icmp.h"

#include "agent/clock.h"
#include "agent/sockets.h"

#include <bothends/units.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <netinet/ip.h>
#include <poll.h>
#include <sched.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>
#include <uv.h>

#include <net/if.h>

#include <linux/capability.h>

#include <cmocka.h>

/*
 * Each case runs in a child with user and network namespaces of its own, where
 * it may decide who may send ICMP.  A child says how it went by its exit
 * status: 0 well, SKIPPED no namespaces here, else the line that failed.
 */
#define SKIPPED 77
#define EXPECT(condition)                                                      \
    do {                                                                       \
        if (!(condition)) {                                                    \
            (void) fprintf(stderr, "line %d: %s\n", __LINE__, #condition);     \
            _exit(1);                                                          \
        }                                                                      \
    } while (0)

static bool write_file(const char *path, const char *text)
{
    const int file = open(path, O_WRONLY | O_CLOEXEC);

    if (file < 0)
        return false;
    const bool is_written =
        write(file, text, strlen(text)) == (ssize_t) strlen(text);
    (void) close(file);
    return is_written;
}

static void enter_namespaces(void)
{
    struct ifreq request = { .ifr_name = "lo" };
    char map[32];

    (void) snprintf(map, sizeof(map), "0 %u 1", (unsigned) geteuid());
    if (unshare(CLONE_NEWUSER | CLONE_NEWNET) != 0
        || !write_file("/proc/self/uid_map", map)
        || !write_file("/proc/self/setgroups", "deny"))
        _exit(SKIPPED);
    (void) snprintf(map, sizeof(map), "0 %u 1", (unsigned) getegid());
    if (!write_file("/proc/self/gid_map", "0 0 1"))
        (void) write_file("/proc/self/gid_map", map);
    const int any = socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    request.ifr_flags = IFF_UP;
    if (any < 0 || ioctl(any, SIOCSIFFLAGS, &request) != 0)
        _exit(SKIPPED);
    (void) close(any);
}

static void drop_raw_capability(void)
{
    struct __user_cap_header_struct head = {
        .version = _LINUX_CAPABILITY_VERSION_3,
    };
    struct __user_cap_data_struct data[2];

    EXPECT(syscall(SYS_capget, &head, data) == 0);
    data[0].effective &= ~(1U << CAP_NET_RAW);
    data[0].permitted &= ~(1U << CAP_NET_RAW);
    data[0].inheritable &= ~(1U << CAP_NET_RAW);
    EXPECT(syscall(SYS_capset, &head, data) == 0);
}

static void run_apart(void (*child)(void))
{
    int status = 0;
    const pid_t pid = fork();

    assert_true(pid >= 0);
    if (pid == 0) {
        enter_namespaces();
        child();
        _exit(0);
    }
    assert_int_equal(waitpid(pid, &status, 0), pid);
    assert_true(WIFEXITED(status));
    if (WEXITSTATUS(status) == SKIPPED) {
        print_message("no namespaces here\n");
        skip();
    }
    assert_int_equal(WEXITSTATUS(status), 0);
}

/* --- what a child does --------------------------------------------------- */

static struct icmp_echo open_to(const char *address)
{
    struct sockaddr_storage to;
    struct icmp_echo icmp;
    struct fault fault = { 0 };

    EXPECT(sockets_parse(address, 0, &to, NULL) == 0);
    const struct icmp_way way = { .to = (const struct sockaddr *) &to,
                                  .interface = "" };
    EXPECT(icmp_open(&icmp, &way, &fault) == 0);
    return icmp;
}

/* The next event within 5 s. */
static struct icmp_event wait_event(struct icmp_echo *icmp)
{
    const uint64_t end_ns = clock_now_ns() + 5 * NS_PER_S;
    struct icmp_event event;

    while (!icmp_next(icmp, &event)) {
        struct pollfd socket = { .fd = icmp->socket, .events = POLLIN };

        EXPECT(clock_now_ns() < end_ns);
        (void) poll(&socket, 1, 100);
    }
    return event;
}

/* The kernel starts to stamp what comes in a little after it was asked to. */
static void await_stamping(struct icmp_echo *icmp)
{
    for (int tries = 0; tries < 1000; tries++) {
        struct icmp_event event;
        uint64_t sent_ns;
        uint32_t stamp;

        EXPECT(icmp_send(icmp, 0, "", 0, &sent_ns, &stamp) == 0);
        do
            event = wait_event(icmp);
        while (event.kind != ICMP_ANSWER);
        if (event.from_kernel)
            return;
        (void) poll(NULL, 0, 1);
    }
    _exit(SKIPPED); /* a kernel without stamps */
}

static void expect_echo(const char *address, enum icmp_socket_kind kind)
{
    static const char data[100] = "bothends";
    struct icmp_echo icmp = open_to(address);

    EXPECT(icmp.kind == kind);
    await_stamping(&icmp);
    for (uint16_t sequence = 65530; sequence != 10; sequence++) {
        uint64_t sent_ns, answer_ns = 0, stamp_ns = 0;
        uint32_t stamp;

        EXPECT(icmp_send(&icmp, sequence, data, sizeof(data), &sent_ns, &stamp)
               == 0);
        while (!answer_ns || !stamp_ns) {
            const struct icmp_event event = wait_event(&icmp);

            EXPECT(event.kind != ICMP_ERROR);
            EXPECT(event.from_kernel);
            if (event.kind == ICMP_SENT) {
                if (event.stamp == stamp)
                    stamp_ns = event.at_ns;
                continue; /* else of a request before */
            }
            EXPECT(event.sequence == sequence);
            EXPECT(event.data_bytes == sizeof(data));
            EXPECT(event.ttl == 64);
            answer_ns = event.at_ns;
        }
        EXPECT(stamp_ns >= sent_ns);
        EXPECT(answer_ns >= stamp_ns);
        EXPECT(answer_ns <= clock_now_ns());
    }
    icmp_close(&icmp);
}

static void echo_raw(void)
{
    expect_echo("127.0.0.1", ICMP_RAW);
    expect_echo("::1", ICMP_RAW);
}

static void echo_datagram(void)
{
    EXPECT(write_file("/proc/sys/net/ipv4/ping_group_range", "0 0"));
    drop_raw_capability();
    expect_echo("127.0.0.1", ICMP_DATAGRAM);
    expect_echo("::1", ICMP_DATAGRAM);
}

static void open_without_permission(void)
{
    struct sockaddr_storage to;
    struct icmp_echo icmp;
    struct fault fault = { 0 };

    EXPECT(sockets_parse("127.0.0.1", 0, &to, NULL) == 0);
    const struct icmp_way way = { .to = (const struct sockaddr *) &to,
                                  .interface = "" };
    drop_raw_capability();
    EXPECT(icmp_open(&icmp, &way, &fault) == UV_EPERM);
    EXPECT(strstr(fault.text, "net.ipv4.ping_group_range"));
    EXPECT(icmp.socket == -1);
}

/* What a router would send back about a request from 127.0.0.1 to itself. */
static void send_unreachable(void)
{
    struct {
        unsigned char icmp[8];
        struct iphdr about;
        unsigned char request[8];
    } packet = {
        .icmp = { 3, 1 }, /* host unreachable */
        .about = { .version = 4, .ihl = 5, .protocol = IPPROTO_ICMP },
        .request = { 8 },
    };
    const struct sockaddr_in to = {
        .sin_family = AF_INET,
        .sin_addr = { htonl(INADDR_LOOPBACK) },
    };
    const int raw = socket(AF_INET, SOCK_RAW | SOCK_CLOEXEC, IPPROTO_ICMP);

    EXPECT(raw >= 0);
    packet.about.saddr = packet.about.daddr = htonl(INADDR_LOOPBACK);
    packet.about.tot_len = htons(28);
    uint32_t sum = 0;
    const unsigned char *octets = (const unsigned char *) &packet;
    for (size_t i = 0; i < sizeof(packet); i += 2)
        sum += (uint32_t) (octets[i] << 8 | octets[i + 1]);
    sum = (sum & 0xffff) + (sum >> 16);
    packet.icmp[2] = (unsigned char) (~sum >> 8);
    packet.icmp[3] = (unsigned char) ~sum;
    EXPECT(sendto(raw, &packet, sizeof(packet), 0,
                  (const struct sockaddr *) &to, sizeof(to))
           == (ssize_t) sizeof(packet));
    (void) close(raw);
}

static void hear_an_error(void)
{
    struct icmp_echo icmp = open_to("127.0.0.1");
    uint64_t sent_ns;
    uint32_t stamp;

    send_unreachable();
    const struct icmp_event event = wait_event(&icmp);
    EXPECT(event.kind == ICMP_ERROR);
    EXPECT(strstr(event.text, "127.0.0.1 says: "));
    EXPECT(strstr(event.text, "(ICMP type 3 code 1)"));
    /* The error is over: the next request goes out and is counted right. */
    EXPECT(icmp_send(&icmp, 1, "", 0, &sent_ns, &stamp) == 0);
    for (int told = 0; told < 2; told++) {
        const struct icmp_event next = wait_event(&icmp);

        EXPECT(next.kind == ICMP_ANSWER
               || (next.kind == ICMP_SENT && next.stamp == stamp));
    }
    icmp_close(&icmp);
}

/* The pending error is taken by the sending itself, which tries again. */
static void send_after_an_error(void)
{
    struct icmp_echo icmp = open_to("127.0.0.1");
    uint64_t sent_ns;
    uint32_t stamp;

    send_unreachable();
    EXPECT(icmp_send(&icmp, 1, "", 0, &sent_ns, &stamp) == 0);
    icmp_close(&icmp);
}

static void send_too_much_whole(void)
{
    static const char data[65000];
    struct sockaddr_storage to;
    struct icmp_echo icmp;
    uint64_t sent_ns;
    uint32_t stamp;
    struct ifreq request = { .ifr_name = "lo", .ifr_mtu = 1500 };
    const int any = socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);

    EXPECT(any >= 0 && ioctl(any, SIOCSIFMTU, &request) == 0);
    (void) close(any);
    EXPECT(sockets_parse("127.0.0.1", 0, &to, NULL) == 0);
    const struct icmp_way way = { .to = (const struct sockaddr *) &to,
                                  .interface = "lo",
                                  .whole = true };
    EXPECT(icmp_open(&icmp, &way, NULL) == 0);
    EXPECT(icmp_wire_bytes(&icmp, 1472) == 1500);
    EXPECT(icmp_send(&icmp, 1, data, 1472, &sent_ns, &stamp) == 0);
    EXPECT(icmp_send(&icmp, 2, data, 1473, &sent_ns, &stamp) == UV_EMSGSIZE);
    icmp_close(&icmp);
}

/* --- the promises -------------------------------------------------------- */

static void a_raw_socket_echoes_with_kernel_stamps(void **state)
{
    (void) state;
    run_apart(echo_raw);
}

static void a_datagram_socket_is_taken_where_it_is_allowed(void **state)
{
    (void) state;
    run_apart(echo_datagram);
}

static void without_permission_it_says_what_to_type(void **state)
{
    (void) state;
    run_apart(open_without_permission);
}

static void icmp_errors_are_told_in_words(void **state)
{
    (void) state;
    run_apart(hear_an_error);
}

static void an_error_of_before_does_not_keep_a_request_back(void **state)
{
    (void) state;
    run_apart(send_after_an_error);
}

static void a_whole_packet_above_the_mtu_is_refused(void **state)
{
    (void) state;
    run_apart(send_too_much_whole);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_raw_socket_echoes_with_kernel_stamps),
        cmocka_unit_test(a_datagram_socket_is_taken_where_it_is_allowed),
        cmocka_unit_test(without_permission_it_says_what_to_type),
        cmocka_unit_test(icmp_errors_are_told_in_words),
        cmocka_unit_test(an_error_of_before_does_not_keep_a_request_back),
        cmocka_unit_test(a_whole_packet_above_the_mtu_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
