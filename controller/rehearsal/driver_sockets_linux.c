/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/driver_sockets.h"

#include <arpa/inet.h>
#include <bothends/units.h>
#include <errno.h>
#include <signal.h>
#include <string.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include <linux/if_ether.h>
#include <linux/if_packet.h>
#include <net/if.h>

int driver_open_link(const char *veth, int *ret_socket, struct fault *fault)
{
    const struct sockaddr_ll address = { .sll_family = AF_PACKET,
                                         .sll_protocol = htons(ETH_P_ALL),
                                         .sll_ifindex =
                                             (int) if_nametoindex(veth) };
    const int on = 1;
    /* Protocol 0: nothing comes in until it is bound to its link. */
    const int fd =
        socket(AF_PACKET, SOCK_RAW | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);

    if (fd < 0)
        return fault_set(fault, -errno, "packet socket: %s", strerror(errno));
    if (setsockopt(fd, SOL_PACKET, PACKET_IGNORE_OUTGOING, &on, sizeof(on)) != 0
        || setsockopt(fd, SOL_SOCKET, SO_TIMESTAMPNS, &on, sizeof(on)) != 0
        || bind(fd, (const struct sockaddr *) &address, sizeof(address)) != 0) {
        const int status = -errno;

        (void) close(fd);
        return fault_set(fault, status, "packet socket on '%s': %s", veth,
                         strerror(-status));
    }
    *ret_socket = fd;
    return 0;
}

int driver_open_stop(int *ret_fd, struct fault *fault)
{
    sigset_t stop;

    (void) sigemptyset(&stop);
    (void) sigaddset(&stop, SIGTERM);
    *ret_fd = signalfd(-1, &stop, SFD_CLOEXEC | SFD_NONBLOCK);
    if (*ret_fd < 0)
        return fault_set(fault, -errno, "signalfd: %s", strerror(errno));
    return 0;
}

/* How long ago the kernel had the packet; 0: not told. */
static uint64_t waited_ns(struct msghdr *message)
{
    struct cmsghdr *part = CMSG_FIRSTHDR(message);
    struct timespec stamp, now;

    if (!part || part->cmsg_level != SOL_SOCKET
        || part->cmsg_type != SCM_TIMESTAMPNS)
        return 0;
    memcpy(&stamp, CMSG_DATA(part), sizeof(stamp));
    (void) clock_gettime(CLOCK_REALTIME, &now);
    const int64_t waited = (now.tv_sec - stamp.tv_sec) * (int64_t) NS_PER_S
                           + (now.tv_nsec - stamp.tv_nsec);

    return waited > 0 ? (uint64_t) waited : 0;
}

ssize_t driver_receive(int socket, void *bytes, size_t size,
                       uint64_t *ret_waited_ns)
{
    union {
        char bytes[CMSG_SPACE(sizeof(struct timespec))];
        struct cmsghdr alignment;
    } control;
    struct iovec room = { bytes, size };
    struct msghdr message = { .msg_iov = &room,
                              .msg_iovlen = 1,
                              .msg_control = &control,
                              .msg_controllen = sizeof(control) };
    const ssize_t length = recvmsg(socket, &message, 0);

    *ret_waited_ns = length >= 0 ? waited_ns(&message) : 0;
    return length;
}

uint64_t driver_missed_packets(int socket)
{
    struct tpacket_stats missed = { 0 };
    socklen_t size = sizeof(missed);

    if (getsockopt(socket, SOL_PACKET, PACKET_STATISTICS, &missed, &size) != 0)
        return 0;
    return missed.tp_drops;
}
