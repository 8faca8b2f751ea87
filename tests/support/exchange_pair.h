/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef TESTS_EXCHANGE_PAIR_H
#define TESTS_EXCHANGE_PAIR_H

#include "agent/exchanges/exchange.h"
#include "agent/http.h"
#include "agent/stamped.h"

#include <bothends/kinds.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>

#include <cmocka.h>

/*
 * Both ends of an exchange in one process, over loopback: one loop, one HTTP
 * server that hands data requests to the exchange with their ticket, one UDP
 * socket that hands identifications to both, and other datagrams to the first
 * that takes them.
 */
struct pair_end {
    struct exchange *exchange; /* NULL: not armed, or ended */
    struct exchange_account account;
    bool has_ended;
};

struct pair {
    uv_loop_t loop;
    uv_timer_t guard;
    uv_poll_t udp_poll;
    int udp4, udp6;
    struct stamped stamped4;
    uint16_t udp_port;
    struct http_server *http;
    struct pair_end ends[2];
    size_t armed_count, ended_count;
    size_t open_file_count; /* before */
    bool is_late;           /* the guard ended the run */
    bool is_deaf;           /* identifications are not passed on */
    size_t heard_count;
    char heard[3][160]; /* the latest ones */
    struct url_prefix urls[1];
    size_t url_count; /* what both allow */
};

void pair_open(struct pair *pair);
/* Runs the loop dry and asserts that no handle and no descriptor is left. */
void pair_close(struct pair *pair);

/* An order over 127.0.0.1 that starts in 30 ms and stops 20 s later. */
struct exchange_order pair_order(const struct pair *pair, const char *kind,
                                 const char *part);
/* Arm as end 0 or 1; the fault may be NULL. */
int pair_arm(struct pair *pair, int end, const struct exchange_order *order,
             struct fault *fault);
/* Until every armed end has ended, or the guard's 30 s. */
void pair_run(struct pair *pair);
/* A listening TCP socket that takes connections and says nothing. */
int pair_silent_listener(uint16_t *ret_port);

#define PAIR_TEST(name)                                                        \
    cmocka_unit_test_setup_teardown(name, pair_setup, pair_teardown)
int pair_setup(void **state);
int pair_teardown(void **state);

#endif
