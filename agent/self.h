/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_SELF_H
#define AGENT_SELF_H

#include "agent/config.h"
#include "agent/icmp.h"

#include <jansson.h>
#include <stdint.h>

/*
 * What this agent says of itself: its start line, and GET /self.
 */
struct self_site {
    const char *name;
    const struct agent_config *config;
    uint16_t port;
    double loopback_bps;  /* 0: not measured */
    uint64_t readings_ns; /* how long the readings command took last */
};

struct self_abilities {
    enum icmp_socket_kind icmp;
    bool has_kernel_stamps;
};

/* Found out by opening sockets; nothing is sent. */
void self_probe(struct self_abilities *ret_abilities);
const char *self_icmp_word(enum icmp_socket_kind kind);

/* The self-description (given: the caller decrefs it), clocks read now. */
json_t *self_describe(const struct self_site *site);

/* --- what depends on the system: self_linux.c, self_portable.c ------------ */

/* Can the kernel stamp this socket's packets? */
bool self_can_stamp(int socket);
/* Add the system's TCP settings and its interfaces. */
void self_add_system(json_t *self);
/* What to type so that ICMP is allowed. */
void self_icmp_advice(char *room, size_t room_bytes);
/* End when the program that started this one ends. */
int self_end_with_parent(void);

#endif
