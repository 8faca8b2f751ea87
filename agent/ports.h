/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_PORTS_H
#define AGENT_PORTS_H

#include "agent/http.h"

#include <stdbool.h>

/*
 * The agent's one port, TCP and UDP, at the addresses it listens on: all with a
 * key, loopback without.
 */
struct ports_wish {
    uv_loop_t *loop;
    const char *const *addresses; /* numeric */
    size_t address_count;         /* 0: the preset ones */
    uint16_t port;                /* 0: a free one */
    bool has_key;
    const struct http_owner *handler;
    void *owner;
};

struct ports {
    struct http_server *http;
    int udp4, udp6;      /* -1: none in that family */
    char addresses[512]; /* as a person writes them: "0.0.0.0, ::" */
};

/* The fault says what to change.  The caller closes http by http_close(). */
int ports_open(const struct ports_wish *wish, struct ports *ret_ports,
               struct fault *fault);
void ports_close_udp(struct ports *ports);

#endif
