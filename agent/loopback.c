/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/loopback.h"

#include "agent/clock.h"

#include <bothends/units.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <poll.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define BLOCK_BYTES ((size_t) 64 * 1024)

/* Two connected sockets on 127.0.0.1: a real TCP connection.  Connecting over
 * loopback is done within the call. */
static int connect_pair(int listener, int *ret_sender, int *ret_receiver)
{
    struct sockaddr_in address = { .sin_family = AF_INET };
    socklen_t address_bytes = sizeof(address);
    struct pollfd ready = { .fd = listener, .events = POLLIN };

    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    if (bind(listener, (const struct sockaddr *) &address, sizeof(address)) < 0
        || listen(listener, 1) < 0
        || getsockname(listener, (struct sockaddr *) &address, &address_bytes)
               < 0)
        return -1;
    *ret_sender =
        socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (*ret_sender < 0)
        return -1;
    (void) connect(*ret_sender, (const struct sockaddr *) &address,
                   sizeof(address));
    if (poll(&ready, 1, LOOPBACK_MOST_MS) != 1)
        return -1;
    *ret_receiver = accept4(listener, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
    return *ret_receiver < 0 ? -1 : 0;
}

static double transfer(int sender, int receiver)
{
    static char block[BLOCK_BYTES];
    const uint64_t begun_ns = clock_now_ns();
    const uint64_t until_ns = begun_ns + LOOPBACK_MOST_MS * NS_PER_MS;
    uint64_t received_bytes = 0, now_ns = begun_ns;

    while (received_bytes < LOOPBACK_MOST_BYTES && now_ns < until_ns) {
        (void) send(sender, block, sizeof(block), MSG_NOSIGNAL);
        for (ssize_t got = 1; got > 0;) {
            got = recv(receiver, block, sizeof(block), 0);
            if (got > 0)
                received_bytes += (uint64_t) got;
        }
        now_ns = clock_now_ns();
    }
    return now_ns > begun_ns ? (double) received_bytes * BITS_PER_BYTE * 1e9
                                   / (double) (now_ns - begun_ns)
                             : 0;
}

double loopback_measure(void)
{
    int sender = -1, receiver = -1;
    double bps = 0;
    const int listener = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);

    if (listener >= 0 && connect_pair(listener, &sender, &receiver) == 0)
        bps = transfer(sender, receiver);
    if (receiver >= 0)
        (void) close(receiver);
    if (sender >= 0)
        (void) close(sender);
    if (listener >= 0)
        (void) close(listener);
    return bps;
}
