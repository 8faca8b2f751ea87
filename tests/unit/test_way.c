/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/way.h"

#include <net/if.h>
#include <sched.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cmocka.h>

#define LOOPBACK_MTU_BYTES 1400

/* A network of our own, whose loopback has a small MTU. */
static bool has_own_network;

static bool make_own_network(void)
{
    struct ifreq request = { .ifr_name = "lo" };

    if (unshare(CLONE_NEWNET) < 0 && unshare(CLONE_NEWUSER | CLONE_NEWNET) < 0)
        return false;
    const int fd = socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return false;
    request.ifr_mtu = LOOPBACK_MTU_BYTES;
    bool is_made = ioctl(fd, SIOCSIFMTU, &request) == 0;
    request.ifr_flags = IFF_UP;
    is_made = ioctl(fd, SIOCSIFFLAGS, &request) == 0 && is_made;
    (void) close(fd);
    return is_made;
}

/* Loopback only; where neither kind of ICMP socket is allowed the echoes are
 * not there, and "trouble" says why. */
struct fixture {
    uv_loop_t loop;
    struct way *way;
    json_t *findings;
    unsigned done_count;
};

static void on_done(void *owner, json_t *findings)
{
    struct fixture *fixture = owner;

    fixture->findings = json_incref(findings);
    fixture->done_count++;
}

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    (void) uv_loop_init(&fixture->loop);
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;

    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_loop_close(&fixture->loop), 0);
    json_decref(fixture->findings);
    free(fixture);
    return 0;
}

static int start(struct fixture *fixture, const char *to, uint64_t bytes,
                 struct fault *fault)
{
    struct way_question question = { .bytes = bytes };

    (void) snprintf(question.to, sizeof(question.to), "%s", to);
    return way_start(&fixture->loop, &question, on_done, fixture, &fixture->way,
                     fault);
}

static const char *text_of(const struct fixture *fixture, const char *key)
{
    const char *text =
        json_string_value(json_object_get(fixture->findings, key));

    return text ? text : "";
}

static void the_way_to_loopback_is_found_and_answers(void **state)
{
    static const char *const addresses[] = { "127.0.0.1", "::1" };
    struct fixture *fixture = *state;

    for (size_t i = 0; i < COUNT_OF(addresses); i++) {
        struct fault fault = { 0 };

        if (start(fixture, addresses[i], 1000, &fault) < 0) {
            /* A computer without IPv6 has no way to ::1. */
            assert_int_equal(i, 1);
            return;
        }
        (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
        assert_int_equal(fixture->done_count, i + 1);
        assert_string_equal(text_of(fixture, "interface"), "lo");
        const json_t *echoes = json_object_get(fixture->findings, "echoes");
        if (text_of(fixture, "trouble")[0]) {
            print_message("no echoes: %s\n", text_of(fixture, "trouble"));
        } else {
            assert_int_equal(json_array_size(echoes), WAY_ECHOES);
            for (size_t j = 0; j < WAY_ECHOES; j++)
                assert_true(json_integer_value(json_object_get(
                                json_array_get(echoes, j), "rtt_ns"))
                            > 0);
            const json_t *whole = json_object_get(fixture->findings, "whole");
            assert_int_equal(
                json_integer_value(json_object_get(whole, "bytes")), 1000);
            assert_true(json_is_true(json_object_get(whole, "answered")));
        }
        json_decref(fixture->findings);
        fixture->findings = NULL;
    }
}

static void a_packet_that_does_not_fit_says_so(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    if (!has_own_network) {
        print_message("no network namespace of our own here\n");
        skip();
    }
    assert_int_equal(
        start(fixture, "127.0.0.1", LOOPBACK_MTU_BYTES + 1, &fault), 0);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    const json_t *whole = json_object_get(fixture->findings, "whole");
    const char *trouble = json_string_value(json_object_get(whole, "trouble"));
    assert_true(json_is_false(json_object_get(whole, "answered")));
    assert_non_null(trouble);
    assert_non_null(strstr(trouble, "MTU of 1400"));
}

static void what_is_no_address_is_refused(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    assert_int_equal(start(fixture, "gale.example", 0, &fault), UV_EINVAL);
    assert_non_null(strstr(fault.text, "gale.example"));
}

static void a_cancelled_way_still_reports_once(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    assert_int_equal(start(fixture, "127.0.0.1", 0, &fault), 0);
    way_cancel(fixture->way);
    assert_int_equal(fixture->done_count, 1);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_equal(fixture->done_count, 1);
}

#define PROMISE(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        PROMISE(the_way_to_loopback_is_found_and_answers),
        PROMISE(a_packet_that_does_not_fit_says_so),
        PROMISE(what_is_no_address_is_refused),
        PROMISE(a_cancelled_way_still_reports_once),
    };

    has_own_network = make_own_network();
    return cmocka_run_group_tests_name("way", tests, NULL, NULL);
}
