/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/netinfo.h"

#include "agent/sockets.h"

#include <fcntl.h>
#include <netinet/in.h>
#include <sched.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>
#include <uv.h>

#include <cmocka.h>

#define SKIPPED 77

static int route_to(const char *to, const char *from, const char *interface,
                    struct netinfo_route *ret_route, struct fault *fault)
{
    struct sockaddr_storage to_address, from_address;

    assert_int_equal(sockets_parse(to, 0, &to_address, NULL), 0);
    if (from)
        assert_int_equal(sockets_parse(from, 0, &from_address, NULL), 0);
    return netinfo_route((const struct sockaddr *) &to_address,
                         from ? (const struct sockaddr *) &from_address : NULL,
                         interface, ret_route, fault);
}

static void the_way_to_oneself_is_loopback(void **state)
{
    struct netinfo_route route;

    (void) state;
    assert_int_equal(route_to("127.0.0.1", NULL, "", &route, NULL), 0);
    assert_string_equal(route.interface, "lo");
    assert_string_equal(route.source_address, "127.0.0.1");
    assert_string_equal(route.gateway, "");
    assert_true(route.is_own);
    assert_true(route.mtu_bytes >= 1280);
    assert_int_equal(route_to("::1", NULL, "", &route, NULL), 0);
    assert_string_equal(route.interface, "lo");
    assert_string_equal(route.source_address, "::1");
    assert_true(route.is_own);
}

static void an_interface_that_is_not_there_is_named(void **state)
{
    struct netinfo_counters counters;
    struct netinfo_route route;
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(netinfo_counters("radio9", &counters), UV_ENODEV);
    assert_int_equal(route_to("127.0.0.1", NULL, "radio9", &route, &fault),
                     UV_ENODEV);
    assert_non_null(strstr(fault.text, "'radio9'"));
}

static void counters_count_what_crosses_the_interface(void **state)
{
    struct netinfo_counters before, after;
    struct sockaddr_storage to;
    char data[1000] = "";
    const int udp = socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);

    (void) state;
    assert_int_equal(sockets_parse("127.0.0.1", 9, &to, NULL), 0);
    assert_true(udp >= 0);
    assert_int_equal(netinfo_counters("lo", &before), 0);
    (void) sendto(udp, data, sizeof(data), 0, (const struct sockaddr *) &to,
                  sizeof(struct sockaddr_in));
    assert_int_equal(netinfo_counters("lo", &after), 0);
    assert_true(after.sent_packets >= before.sent_packets + 1);
    assert_true(after.received_packets >= before.received_packets + 1);
    /* Its IP and UDP headers at the least. */
    assert_true(after.sent_bytes >= before.sent_bytes + 1028);
    assert_true(after.received_bytes >= before.received_bytes + 1028);
    (void) close(udp);
}

/* --- ways by a router, in a namespace of our own ------------------------- */

static const struct way_case {
    const char *to, *from;
    const char *interface, *source, *gateway;
    uint64_t mtu_bytes;
    bool is_own;
} way_cases[] = {
    { "10.71.0.20", NULL, "ra", "10.71.0.10", "", 1400, false },
    { "10.71.0.10", NULL, "lo", "10.71.0.10", "", 65536, true },
    { "10.72.0.5", NULL, "ra", "10.71.0.10", "10.71.0.1", 1400, false },
    { "10.72.0.5", "10.71.0.11", "ra", "10.71.0.11", "10.71.0.1", 1400, false },
    { "10.73.0.5", NULL, "ra", "10.71.0.10", "fe80::1", 1400, false },
    { "10.74.0.5", NULL, "ra", "10.71.0.10", "", 900, false },
    { "fd00:71::20", NULL, "ra", "fd00:71::10", "", 1400, false },
    { "fd00:72::5", NULL, "ra", "fd00:71::10", "fd00:71::1", 1400, false },
};

static const char lay_ways[] =
    "exec 2>&1; set -e; ip link set lo up; "
    "ip link add ra type veth peer name rb; "
    "ip addr add 10.71.0.10/24 dev ra; ip addr add 10.71.0.11/24 dev ra; "
    "ip addr add fd00:71::10/64 dev ra nodad; "
    "ip link set ra up mtu 1400; ip link set rb up; "
    "ip route add 10.72.0.0/24 via 10.71.0.1; "
    "ip route add 10.73.0.0/24 via inet6 fe80::1 dev ra; "
    "ip route add 10.74.0.0/24 dev ra mtu 900; "
    "ip route add fd00:72::/64 via fd00:71::1";

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

static void lay_ways_or_skip(void)
{
    char map[32];

    (void) snprintf(map, sizeof(map), "0 %u 1", (unsigned) geteuid());
    if (unshare(CLONE_NEWUSER | CLONE_NEWNET) != 0
        || !write_file("/proc/self/uid_map", map)
        || system(lay_ways) != 0) /* NOLINT(cert-env33-c): our own words */
        _exit(SKIPPED);
}

/* False, with words, where it is not as it should be. */
static bool is_as_laid(const struct way_case *one)
{
    struct netinfo_route route = { 0 };
    struct fault fault = { 0 };
    const int status = route_to(one->to, one->from, "", &route, &fault);
    const bool is_right =
        status == 0 && strcmp(route.interface, one->interface) == 0
        && strcmp(route.source_address, one->source) == 0
        && strcmp(route.gateway, one->gateway) == 0
        && route.mtu_bytes == one->mtu_bytes && route.is_own == one->is_own;

    if (!is_right)
        (void) fprintf(stderr, "%s: %s %s from %s by '%s' mtu %d own %d\n",
                       one->to, fault.text, route.interface,
                       route.source_address, route.gateway,
                       (int) route.mtu_bytes, route.is_own);
    return is_right;
}

static bool is_without_a_way(const char *to)
{
    struct netinfo_route route = { 0 };
    struct fault fault = { 0 };

    return route_to(to, NULL, "", &route, &fault) == UV_ENETUNREACH
           && strstr(fault.text, to);
}

static void ways_are_told_as_they_were_laid(void **state)
{
    int status = 0;
    const pid_t pid = fork();

    (void) state;
    assert_true(pid >= 0);
    if (pid == 0) {
        bool is_right = true;

        lay_ways_or_skip();
        for (size_t i = 0; i < COUNT_OF(way_cases); i++)
            is_right &= is_as_laid(&way_cases[i]);
        is_right &= is_without_a_way("198.51.100.1");
        _exit(is_right ? 0 : 1);
    }
    assert_int_equal(waitpid(pid, &status, 0), pid);
    assert_true(WIFEXITED(status));
    if (WEXITSTATUS(status) == SKIPPED) {
        print_message("no namespaces, or no ip program, here\n");
        skip();
    }
    assert_int_equal(WEXITSTATUS(status), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_way_to_oneself_is_loopback),
        cmocka_unit_test(an_interface_that_is_not_there_is_named),
        cmocka_unit_test(counters_count_what_crosses_the_interface),
        cmocka_unit_test(ways_are_told_as_they_were_laid),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
