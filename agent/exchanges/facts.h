/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_FACTS_H
#define AGENT_FACTS_H

#include <bothends/exchange.h>
#include <sys/socket.h>

/*
 * What an account tells of its surroundings before and after the exchange:
 * clocks, sleep, the way to the peer and the counters of its interface.  What
 * the system does not tell stays empty or 0.
 */
struct facts {
    const struct sockaddr *peer, *own; /* borrowed; own may be NULL */
    const char *interface; /* that sockets are tied to; "": by the routes */
    bool is_own;           /* the peer is this computer */
    uint64_t suspended_before_ns;
    uint64_t quiet_from_ns, quiet_bytes, quiet_packets; /* counters then */
};

/* The first call begins the silence before the start, the second ends it. */
void facts_quiet(struct facts *facts, struct exchange_account *account);

void facts_before(struct facts *facts, struct exchange_account *account);
void facts_after(const struct facts *facts, struct exchange_account *account);

#endif
