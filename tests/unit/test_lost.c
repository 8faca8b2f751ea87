/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/lost.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netinet/in.h>
#include <poll.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cmocka.h>

/* Two ends of a connection on this computer. */
struct pair {
    int ours, theirs;
};

static struct pair connect_pair(void)
{
    struct sockaddr_in address = { .sin_family = AF_INET,
                                   .sin_addr.s_addr = htonl(INADDR_LOOPBACK) };
    socklen_t size = sizeof(address);
    const int listener = socket(AF_INET, SOCK_STREAM, 0);
    struct pair pair = { .ours = socket(AF_INET, SOCK_STREAM, 0) };

    assert_int_equal(bind(listener, (struct sockaddr *) &address, size), 0);
    assert_int_equal(listen(listener, 1), 0);
    assert_int_equal(getsockname(listener, (struct sockaddr *) &address, &size),
                     0);
    assert_int_equal(connect(pair.ours, (struct sockaddr *) &address, size), 0);
    pair.theirs = accept(listener, NULL, NULL);
    assert_true(pair.theirs >= 0);
    (void) close(listener);
    return pair;
}

/* What their end hears within 10 s: 0 for an end, or why it is broken. */
static int heard(int theirs)
{
    struct pollfd readable = { theirs, POLLIN, 0 };
    char byte;

    assert_int_equal(poll(&readable, 1, 10000), 1);
    return recv(theirs, &byte, 1, 0) < 0 ? errno : 0;
}

static bool hears_nothing(int theirs)
{
    char byte;

    return recv(theirs, &byte, 1, MSG_DONTWAIT) < 0 && errno == EAGAIN;
}

static void usually_a_connection_is_closed_at_once(void **state)
{
    struct lost lost = { .count = 0 };
    const struct pair pair = connect_pair();

    (void) state;
    lost_close(&lost, pair.ours);
    assert_int_equal(heard(pair.theirs), 0);
    (void) close(pair.theirs);
}

static void what_is_kept_is_silent_and_then_reset(void **state)
{
    struct lost lost = { .count = 0 };
    const struct pair pair = connect_pair();

    (void) state;
    /* Something that was sent and is not read: closing would say it again. */
    assert_int_equal(send(pair.theirs, "x", 1, 0), 1);
    lost_keep(&lost);
    lost_close(&lost, pair.ours);
    assert_true(hears_nothing(pair.theirs));
    lost_reset(&lost);
    assert_int_equal(heard(pair.theirs), ECONNRESET);
    (void) close(pair.theirs);
    /* And no more is kept. */
    const struct pair other = connect_pair();

    lost_close(&lost, other.ours);
    assert_int_equal(heard(other.theirs), 0);
    (void) close(other.theirs);
}

static void more_than_there_is_room_for_are_closed(void **state)
{
    struct lost lost = { .count = 0 };
    struct pair pairs[LOST_MOST + 1];

    (void) state;
    lost_keep(&lost);
    for (size_t i = 0; i <= LOST_MOST; i++) {
        pairs[i] = connect_pair();
        lost_close(&lost, pairs[i].ours);
    }
    assert_int_equal(heard(pairs[LOST_MOST].theirs), 0);
    assert_true(hears_nothing(pairs[0].theirs));
    lost_reset(&lost);
    for (size_t i = 0; i < LOST_MOST; i++)
        assert_int_equal(heard(pairs[i].theirs), ECONNRESET);
    for (size_t i = 0; i <= LOST_MOST; i++)
        (void) close(pairs[i].theirs);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(usually_a_connection_is_closed_at_once),
        cmocka_unit_test(what_is_kept_is_silent_and_then_reset),
        cmocka_unit_test(more_than_there_is_room_for_are_closed),
    };

    return cmocka_run_group_tests_name("lost", tests, NULL, NULL);
}
