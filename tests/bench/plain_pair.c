/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/bench/plain_pair.h"

#include <arpa/inet.h>
#include <bothends/units.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

/* The fastest of 16 KiB to 1 MiB here: both blocks stay in the near caches. */
#define BLOCK_BYTES ((size_t) 32 * 1024)

static void insist(int result, const char *what)
{
    if (result >= 0)
        return;
    perror(what);
    exit(1);
}

static uint64_t now_ns(void)
{
    struct timespec now;

    (void) clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t) now.tv_sec * NS_PER_S + (uint64_t) now.tv_nsec;
}

static struct sockaddr_in loopback_address(uint16_t port)
{
    return (struct sockaddr_in){
        .sin_family = AF_INET,
        .sin_addr.s_addr = htonl(INADDR_LOOPBACK),
        .sin_port = htons(port),
    };
}

/* Ends the process. */
static void send_until(uint64_t end_ns, uint16_t port)
{
    const struct sockaddr_in address = loopback_address(port);
    const int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    char *block = malloc(BLOCK_BYTES);

    if (!block)
        _exit(1);
    memset(block, 'q', BLOCK_BYTES);
    if (connect(fd, (const struct sockaddr *) &address, sizeof(address)) != 0)
        _exit(1);
    while (now_ns() < end_ns && send(fd, block, BLOCK_BYTES, 0) > 0)
        ;
    _exit(0);
}

/* Ends the process; the figure goes into the pipe. */
static void receive(int listener, int result_pipe)
{
    char *block = malloc(BLOCK_BYTES);
    const int fd = accept(listener, NULL, NULL);
    const uint64_t begun_ns = now_ns();
    uint64_t sum_bytes = 0;
    ssize_t got_bytes = 0;

    if (!block || fd < 0)
        _exit(1);
    while ((got_bytes = recv(fd, block, BLOCK_BYTES, 0)) > 0)
        sum_bytes += (uint64_t) got_bytes;
    const double bps = (double) sum_bytes * BITS_PER_BYTE * (double) NS_PER_S
                       / (double) (now_ns() - begun_ns);
    _exit(write(result_pipe, &bps, sizeof(bps)) == sizeof(bps) ? 0 : 1);
}

double plain_pair_bps(uint64_t duration_ns)
{
    struct sockaddr_in address = loopback_address(0);
    socklen_t address_bytes = sizeof(address);
    const int listener = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    int ends[2];
    double bps = 0;

    insist(listener, "socket");
    insist(bind(listener, (struct sockaddr *) &address, sizeof(address)),
           "bind");
    insist(listen(listener, 1), "listen");
    insist(getsockname(listener, (struct sockaddr *) &address, &address_bytes),
           "getsockname");
    insist(pipe(ends), "pipe");
    const pid_t receiver = fork();
    insist(receiver, "fork");
    if (receiver == 0)
        receive(listener, ends[1]);
    const pid_t sender = fork();
    insist(sender, "fork");
    if (sender == 0)
        send_until(now_ns() + duration_ns, ntohs(address.sin_port));
    (void) close(ends[1]);
    if (read(ends[0], &bps, sizeof(bps)) != sizeof(bps))
        bps = 0;
    (void) waitpid(sender, NULL, 0);
    (void) waitpid(receiver, NULL, 0);
    (void) close(ends[0]);
    (void) close(listener);
    return bps;
}
