/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/udp_relay.h"

#include "agent/sockets.h"

#include <setjmp.h>
#include <stdarg.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "agent/exchanges/address.h"

static void on_readable(uv_poll_t *poll, int status, int events)
{
    struct udp_relay *relay = poll->data;
    struct relay_packet packet = { .byte_count = 0 };
    struct sockaddr_storage from = { 0 };
    socklen_t from_bytes = sizeof(from);

    (void) events;
    assert_int_equal(status, 0);
    const ssize_t got = recvfrom(relay->fd, packet.bytes, sizeof(packet.bytes),
                                 0, (struct sockaddr *) &from, &from_bytes);
    if (got < 0)
        return;
    packet.byte_count = (size_t) got;
    if (address_port((const struct sockaddr *) &from)
        == address_port((const struct sockaddr *) &relay->server)) {
        packet.way = RELAY_TO_CLIENT;
    } else {
        packet.way = RELAY_TO_SERVER;
        relay->client = from;
    }
    packet.number = relay->counts[packet.way]++;
    relay->bytes[packet.way] += packet.byte_count;
    relay->on_packet(relay, &packet);
}

void relay_open(struct udp_relay *relay, uv_loop_t *loop, uint16_t server_port,
                relay_fn *on_packet)
{
    struct fault fault = { 0 };

    memset(relay, 0, sizeof(*relay));
    relay->on_packet = on_packet;
    assert_int_equal(
        sockets_parse("127.0.0.1", server_port, &relay->server, &fault), 0);
    assert_int_equal(sockets_open_udp("127.0.0.1", 0, &relay->fd, &fault), 0);
    relay->port = sockets_port(relay->fd);
    assert_int_equal(uv_poll_init(loop, &relay->poll, relay->fd), 0);
    relay->poll.data = relay;
    assert_int_equal(uv_poll_start(&relay->poll, UV_READABLE, on_readable), 0);
}

void relay_close(struct udp_relay *relay)
{
    uv_loop_t *loop = relay->poll.loop;

    uv_close((uv_handle_t *) &relay->poll, NULL);
    (void) close(relay->fd);
    (void) uv_run(loop, UV_RUN_NOWAIT); /* then the memory may go */
}

void relay_send(const struct udp_relay *relay,
                const struct relay_packet *packet)
{
    const struct sockaddr *to =
        (const struct sockaddr *) (packet->way == RELAY_TO_SERVER
                                       ? &relay->server
                                       : &relay->client);

    assert_int_equal(sendto(relay->fd, packet->bytes, packet->byte_count, 0, to,
                            sockets_length(to)),
                     packet->byte_count);
}

void relay_pass(struct udp_relay *relay, struct relay_packet *packet)
{
    relay_send(relay, packet);
}
