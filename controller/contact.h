/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_CONTACT_H
#define CONTROLLER_CONTACT_H

#include "controller/conductor_state.h"

#include <jansson.h>

/*
 * The proof of contact, before the first exchange: each agent answers with our
 * key and speaks our protocol, and from each end that sends or receives, the
 * way to the other is the one that the plan names, and carries an echo.
 */

/* Troubles are a fault; doubts become notes. */
int contact_prove(struct conductor *conductor, struct fault *fault);

/* After a step was set: the far ends answer again. */
int contact_prove_again(struct conductor *conductor, struct fault *fault);

/* --- what is read from the answers, for itself ---------------------------- */

struct contact_self {
    int64_t protocol;
    char version[32];
    char icmp[16]; /* none, datagram, raw */
    int64_t wall_minus_monotonic_ns;
    int battery_percent; /* -1: there is none */
    bool on_mains;
    bool reads_radio; /* by its owner's command */
    uint64_t readings_ns;
};

int contact_read_self(const json_t *body, struct contact_self *ret_self,
                      struct fault *fault);

struct contact_way {
    char interface[NAME_SIZE], source_address[ADDRESS_SIZE];
    char gateway[ADDRESS_SIZE];
    char trouble[200], whole_trouble[200];
    uint64_t mtu_bytes, whole_bytes;
    bool is_own; /* does not leave the computer */
    /* Of echoes of whole_bytes; 0: none was asked for. */
    uint64_t whole_asked_count, whole_answered_count;
    size_t echo_count, answered_count;
    uint64_t least_rtt_ns;
    uint64_t hops; /* 0: not known */
};

int contact_read_way(const json_t *body, struct contact_way *ret_way,
                     struct fault *fault);

/* What a second answer about the same way adds to the first. */
void contact_add_way(json_t *body, const json_t *again);

/* Routers on the way and the end itself, from the TTL that arrived: systems
 * start at 64, 128 or 255. */
uint64_t contact_hops(uint64_t ttl);

#endif
