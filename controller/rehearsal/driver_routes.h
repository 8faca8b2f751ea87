/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_DRIVER_ROUTES_H
#define REHEARSAL_DRIVER_ROUTES_H

#include "controller/rehearsal/driver.h"
#include "controller/rehearsal/packet_translation.h"

/* Which practice end a packet is for, and what the routers on its way make of
 * it. */
struct routes {
    struct route {
        int version;
        unsigned char bytes[16];
        size_t end;
    } addresses[4 * PLAN_ENDS_MAX];
    size_t address_count;
    struct translation *routers[PLAN_ENDS_MAX]; /* NULL: none there */
    size_t end_count;
};

/* The ends' own addresses, or those of their routers. What was taken so far
 * must be cleared also after a failure. */
int routes_fill(struct routes *routes, const struct driver_end *ends,
                size_t end_count, struct fault *fault);
void routes_clear(struct routes *routes);

/*
 * Where the IP packet in bytes, that end `from` sent, goes; end_count: no end
 * has that address, or a router lets it not pass.  packet has its headers, and
 * afterwards those between the routers; in bytes stand those that the receiver
 * sees.
 */
size_t routes_find(struct routes *routes, size_t from, unsigned char *bytes,
                   size_t length, struct packet *packet);

#endif
