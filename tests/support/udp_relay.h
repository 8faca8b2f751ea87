/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef TESTS_UDP_RELAY_H
#define TESTS_UDP_RELAY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/socket.h>
#include <uv.h>

/*
 * Between a client that sends to the relay's port and a server: what passes may
 * be dropped, doubled, held, changed or answered by the test.
 */
struct udp_relay;

enum relay_way {
    RELAY_TO_SERVER,
    RELAY_TO_CLIENT
};

struct relay_packet {
    enum relay_way way;
    size_t number; /* of that way, from 0 */
    uint8_t bytes[2048];
    size_t byte_count;
};

/* Called for each packet; what it wants sent on it sends by relay_send().  It
 * may change the packet. */
typedef void relay_fn(struct udp_relay *relay, struct relay_packet *packet);

struct udp_relay {
    uv_poll_t poll;
    int fd;
    uint16_t port; /* for the client */
    struct sockaddr_storage client, server;
    size_t counts[2]; /* packets that came, by way */
    size_t bytes[2];  /* and their octets */
    relay_fn *on_packet;
    struct relay_packet held;
};

void relay_open(struct udp_relay *relay, uv_loop_t *loop, uint16_t server_port,
                relay_fn *on_packet);
void relay_close(struct udp_relay *relay);
void relay_send(const struct udp_relay *relay,
                const struct relay_packet *packet);
/* Pass everything on, as it is. */
void relay_pass(struct udp_relay *relay, struct relay_packet *packet);

#endif
