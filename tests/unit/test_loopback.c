/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/loopback.h"

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/socket.h>

#include <cmocka.h>

/* Linked with --wrap: what goes through, and a system that refuses. */
ssize_t __real_recv(int fd, void *room, size_t room_bytes, int flags);
ssize_t __wrap_recv(int fd, void *room, size_t room_bytes, int flags);
int __real_socket(int family, int type, int protocol);
int __wrap_socket(int family, int type, int protocol);

static size_t received_bytes;
static int sockets_left; /* -1: no limit */

ssize_t __wrap_recv(int fd, void *room, size_t room_bytes, int flags)
{
    const ssize_t got = __real_recv(fd, room, room_bytes, flags);

    if (got > 0)
        received_bytes += (size_t) got;
    return got;
}

int __wrap_socket(int family, int type, int protocol)
{
    if (sockets_left == 0) {
        errno = EMFILE;
        return -1;
    }
    if (sockets_left > 0)
        sockets_left--;
    return __real_socket(family, type, protocol);
}

static void it_moves_data_and_no_more_than_it_may(void **state)
{
    (void) state;
    received_bytes = 0;
    sockets_left = -1;
    /* Any computer that runs this at all moves 1 Mbit/s. */
    assert_true(loopback_measure() > 1e6);
    assert_true(received_bytes > 0);
    /* A socket's room at the most goes over the limit. */
    assert_true(received_bytes < LOOPBACK_MOST_BYTES + 32 * 1024 * 1024);
}

static void a_system_that_refuses_gives_no_figure(void **state)
{
    (void) state;
    for (int left = 0; left < 2; left++) {
        sockets_left = left;
        assert_true(loopback_measure() == 0);
    }
    sockets_left = -1;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(it_moves_data_and_no_more_than_it_may),
        cmocka_unit_test(a_system_that_refuses_gives_no_figure),
    };

    return cmocka_run_group_tests_name("loopback", tests, NULL, NULL);
}
