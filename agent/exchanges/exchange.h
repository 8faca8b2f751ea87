/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_EXCHANGE_H
#define AGENT_EXCHANGE_H

#include <bothends/exchange.h>
#include <bothends/fault.h>
#include <bothends/url.h>
#include <stdbool.h>
#include <uv.h>

/*
 * One exchange at one end, from the order to the account.
 *
 * exchange_arm() makes it ready; at order.start_ns it begins, by itself, and at
 * order.stop_ns at the latest it ends, by itself.  The owner hears of the end
 * once, through on_end, when the account is complete; the exchange closes its
 * handles and frees itself after on_end returns.  Loop thread only.
 *
 * What is common to all kinds stands in exchange.c: start and stop timers,
 * identification, interface counters, route and clock facts before and after.
 * What a kind does stands in its own file as a struct exchange_part; the table
 * of them is in table.c.
 */
struct exchange;
struct http_request;
struct stamped_event;

/* What this agent has to offer to its exchanges; borrowed, outlives them. */
struct exchange_site {
    uv_loop_t *loop;
    int udp4, udp6; /* the agent's UDP sockets, -1: none; never closed here */
    uint16_t port;  /* the agent's own TCP and UDP port */
    /* What a URL to be fetched may begin with, as the owner says. */
    const struct url_prefix *urls; /* borrowed */
    size_t url_count;
};

typedef void exchange_end_fn(void *owner, struct exchange *exchange,
                             struct exchange_account *account);

/* On failure nothing is left and on_end is never called; the fault says what
 * the operator can do about it (an address that is not this computer's, no
 * permission for ICMP and what to type, ...). */
int exchange_arm(const struct exchange_site *site,
                 const struct exchange_order *order, exchange_end_fn *on_end,
                 void *owner, struct exchange **ret_exchange,
                 struct fault *fault);

const struct exchange_order *exchange_order_of(const struct exchange *exchange);
enum account_state exchange_state(const struct exchange *exchange);
/* See struct exchange_part; 0 where the part does not tell. */
uint64_t exchange_done_so_far(const struct exchange *exchange);

/* A repeated order with another start or stop: 0, or UV_EALREADY when it has
 * begun and can't begin again. */
int exchange_reschedule(struct exchange *exchange, uint64_t start_ns,
                        uint64_t stop_ns);

/* End it now; on_end follows, perhaps before this returns. */
void exchange_cancel(struct exchange *exchange);

/* An HTTP request (head in) on /data/<ticket> with this exchange's ticket.
 * The exchange answers it, later perhaps; the owner then passes on_gone. */
void exchange_data_request(struct exchange *exchange,
                           struct http_request *request);
void exchange_data_gone(struct exchange *exchange,
                        struct http_request *request);

/* An identification was heard on the UDP port (payload in clear text). */
void exchange_heard(struct exchange *exchange, const struct sockaddr *from,
                    const char *text, size_t text_bytes);

/* Some other datagram came to the UDP port: true when it was this exchange's,
 * whatever became of it. */
bool exchange_datagram(struct exchange *exchange,
                       const struct stamped_event *event, const void *bytes);

/* --- for the kinds ------------------------------------------------------ */

struct exchange_part {
    const struct kind *kind;
    const char *part;
    /* Allocate and check; *ret_state is the part's own. */
    int (*arm)(struct exchange *exchange, void **ret_state,
               struct fault *fault);
    /* The start has come. */
    void (*begin)(struct exchange *exchange, void *state);
    /* Another start was told after this one: the part is as if not begun, and
     * begin() comes again; false: it has gone too far.  NULL: it always has. */
    bool (*unbegin)(struct exchange *exchange, void *state);
    /* End now, whatever is open; call exchange_finish() when it is closed.
     * Perhaps before it has begun. */
    void (*stop)(struct exchange *exchange, void *state);
    /* May be NULL. */
    void (*data_request)(struct exchange *exchange, void *state,
                         struct http_request *request);
    void (*data_gone)(struct exchange *exchange, void *state,
                      struct http_request *request);
    /* How much is done so far, in the kind's own measure (content bytes, probes
     * answered): for the operator's display only.  May be NULL. */
    uint64_t (*done_so_far)(const void *state);
    /* See exchange_datagram(); from the arming on.  May be NULL. */
    bool (*datagram)(struct exchange *exchange, void *state,
                     const struct stamped_event *event, const void *bytes);
    /* The other end said it is through.  May be NULL. */
    void (*peer_ended)(struct exchange *exchange, void *state);
    /* After exchange_finish(): free the state (all handles are closed). */
    void (*dispose)(void *state);
};

extern const struct exchange_part *const exchange_parts[];
extern const size_t exchange_part_count;

const struct exchange_site *exchange_site_of(const struct exchange *exchange);
struct exchange_account *exchange_account_of(struct exchange *exchange);
/* Rows of the series of that name in the account. */
struct rows *exchange_series(struct exchange *exchange, const char *name);
/* When it has begun, or will: the ordered start, or the arming when that came
 * too late for it.  Schedules count from here. */
uint64_t exchange_start_ns(const struct exchange *exchange);
const struct sockaddr *exchange_peer(const struct exchange *exchange);
/* The address to send from; NULL: the system's choice. */
const struct sockaddr *exchange_own(const struct exchange *exchange);
/* The interface that this end is tied to; 0: none. */
unsigned exchange_tied_index(const struct exchange *exchange);
/* Note a trouble for the account (the first stays) and make it FAILED. */
void exchange_trouble(struct exchange *exchange, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
/* Note a trouble that does not spoil the exchange. */
void exchange_note(struct exchange *exchange, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
/* For a part for which the system answers first (echoes, the handshake of a
 * connection that the other end opens), by its routes and not by a socket of
 * ours: where the end is tied to an interface, the routes must lead there.  On
 * failure the fault says why, and what else could be done. */
#define EXCHANGE_LET_IT_OPEN                                                   \
    "the system answers who connects by its routes: mend the route, or let "   \
    "this end open the connection (opener)"
int exchange_follow_routes(struct exchange *exchange, const char *why,
                           struct fault *fault);
/* The other end's closing identification was heard. */
bool exchange_peer_has_ended(const struct exchange *exchange);
/* Answer a data request with an error (RFC 9457); word names its type. */
void exchange_refuse(struct http_request *request, unsigned status,
                     const char *word, const char *detail);
/* The part is through and holds no open handle any more. */
void exchange_finish(struct exchange *exchange);

#endif
