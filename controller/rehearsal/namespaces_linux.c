/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/namespaces.h"

#include "controller/rehearsal/netlink.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <sched.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include <linux/ethtool.h>
#include <linux/if.h>
#include <linux/sockios.h>

#ifndef CLONE_NEWTIME
#define CLONE_NEWTIME 0x00000080
#endif

/* Every practice end has this hardware address: with IFF_NOARP each then
 * addresses its frames to it, and any end takes them. Locally administered. */
static const unsigned char hardware_address[6] = { 2, 0x62, 0x65, 0, 0, 1 };

static int write_file(const char *path, const char *text)
{
    const int fd = open(path, O_WRONLY | O_CLOEXEC);

    if (fd < 0)
        return -errno;
    const ssize_t written = write(fd, text, strlen(text));
    const int status = written < 0 ? -errno : 0;

    (void) close(fd);
    return status;
}

/* --- the first process ---------------------------------------------------- */

static int map_user(uid_t uid, gid_t gid)
{
    char map[32];
    int status;

    (void) snprintf(map, sizeof(map), "0 %u 1", (unsigned) uid);
    status = write_file("/proc/self/uid_map", map);
    if (status)
        return status;
    status = write_file("/proc/self/setgroups", "deny");
    if (status)
        return status;
    (void) snprintf(map, sizeof(map), "0 %u 1", (unsigned) gid);
    return write_file("/proc/self/gid_map", map);
}

/* That a namespace could be made does not say that links may be made in it:
 * some systems allow the one and not the other.  So make one. */
static int probe(void)
{
    struct fault fault = { 0 };
    const int here = open("/proc/self/ns/net", O_RDONLY | O_CLOEXEC);

    if (here < 0)
        return -errno;
    int status = netlink_make_veth("probe0", "probe1", here, hardware_address,
                                   1500, &fault);
    (void) close(here);
    return status;
}

static const char *how_to_allow(void)
{
    if (access("/proc/sys/kernel/apparmor_restrict_unprivileged_userns", F_OK)
        == 0)
        return "sudo sysctl kernel.apparmor_restrict_unprivileged_userns=0";
    if (access("/proc/sys/kernel/unprivileged_userns_clone", F_OK) == 0)
        return "sudo sysctl kernel.unprivileged_userns_clone=1";
    return "sudo sysctl user.max_user_namespaces=10000 user.max_net_namespaces="
           "10000";
}

static pid_t forbidden(int code, struct fault *fault)
{
    if (geteuid() == 0)
        return fault_set(fault, code,
                         "the practice link needs network namespaces, and this "
                         "system does not let even root make them (%s): in a "
                         "container, start it with the capabilities "
                         "CAP_SYS_ADMIN and CAP_NET_ADMIN",
                         strerror(-code));
    return fault_set(fault, code,
                     "the practice link needs network namespaces, and this "
                     "system does not let you make them (%s): allow it with "
                     "'%s', or run this command as root",
                     strerror(-code), how_to_allow());
}

/* The child reports over the pipe how it got on, then waits for its parent
 * no longer: the death signal is set by then. */
static int begin_child(int parent_lives, bool is_user_needed, uid_t uid,
                       gid_t gid)
{
    char byte;

    (void) prctl(PR_SET_PDEATHSIG, SIGKILL);
    /* Had the parent died before that, nobody would ever end us. */
    if (read(parent_lives, &byte, 1) != 1)
        _exit(1);
    const int status = is_user_needed ? map_user(uid, gid) : 0;

    return status ? status : probe();
}

pid_t namespaces_fork(struct fault *fault)
{
    const bool is_user_needed = geteuid() != 0;
    const unsigned long flags = CLONE_NEWPID | CLONE_NEWNET
                                | (is_user_needed ? CLONE_NEWUSER : 0U)
                                | (unsigned long) SIGCHLD;
    const uid_t uid = geteuid();
    const gid_t gid = getegid();
    int alive[2], report[2];
    int status = 0;

    if (pipe2(alive, O_CLOEXEC) != 0)
        return fault_set(fault, -errno, "pipe: %s", strerror(errno));
    if (pipe2(report, O_CLOEXEC) != 0) {
        status = -errno;
        (void) close(alive[0]);
        (void) close(alive[1]);
        return fault_set(fault, status, "pipe: %s", strerror(-status));
    }
    (void) fflush(NULL); /* what is buffered must not be printed twice */
    const pid_t pid = (pid_t) syscall(SYS_clone, flags, NULL, NULL, NULL, NULL);

    if (pid < 0)
        status = -errno;
    if (pid == 0) {
        (void) close(alive[1]);
        (void) close(report[0]);
        status = begin_child(alive[0], is_user_needed, uid, gid);
        (void) !write(report[1], &status, sizeof(status));
        if (status)
            _exit(1);
        (void) close(alive[0]);
        (void) close(report[1]);
        return 0;
    }
    (void) close(alive[0]);
    (void) close(report[1]);
    if (pid > 0
        && (write(alive[1], "", 1) != 1
            || read(report[0], &status, sizeof(status))
                   != (ssize_t) sizeof(status)))
        status = -EIO;
    (void) close(alive[1]);
    (void) close(report[0]);
    return status ? forbidden(status, fault) : pid;
}

int namespaces_check(struct fault *fault)
{
    const pid_t pid = namespaces_fork(fault);

    if (pid == 0)
        _exit(0);
    if (pid < 0)
        return pid;
    (void) waitpid(pid, NULL, 0);
    return 0;
}

/* --- an end's computer ---------------------------------------------------- */

static int set_sysctl(const char *path, const char *value, struct fault *fault)
{
    const int status = write_file(path, value);

    /* Not there: a system without IPv6, or an older one. */
    if (!status || status == -ENOENT)
        return 0;
    return fault_set(fault, status, "cannot set %s to %s: %s", path, value,
                     strerror(-status));
}

/* In the middle nothing but the air may take or send a packet. */
static int quieten_middle(struct fault *fault)
{
    return set_sysctl("/proc/sys/net/ipv6/conf/default/disable_ipv6", "1",
                      fault);
}

/* Before the link is up: no router or neighbour chatter of the system's own,
 * and nothing learnt on one step that colours the next. */
static int quieten_end(struct fault *fault)
{
#define IPV6_CONF "/proc/sys/net/ipv6/conf/" PRACTICE_INTERFACE "/"
    static const char *const settings[][2] = {
        { IPV6_CONF "addr_gen_mode", "1" },
        { IPV6_CONF "router_solicitations", "0" },
        { IPV6_CONF "accept_ra", "0" },
        { IPV6_CONF "accept_dad", "0" },
        { "/proc/sys/net/ipv4/tcp_no_metrics_save", "1" },
    };
#undef IPV6_CONF

    for (size_t i = 0; i < COUNT_OF(settings); i++) {
        const int status = set_sysctl(settings[i][0], settings[i][1], fault);

        if (status)
            return status;
    }
    /* Datagram ICMP for the end's own group; which numbers may be written
     * depends on the mapping. */
    if (write_file("/proc/sys/net/ipv4/ping_group_range", "0 2147483647") != 0)
        (void) write_file("/proc/sys/net/ipv4/ping_group_range", "0 0");
    return 0;
}

/* Packets must cross as the end's stack made them: no segments joined, no
 * checksum left for hardware to fill in. */
static int switch_offloads_off(struct fault *fault)
{
    static const uint32_t commands[] = { ETHTOOL_STSO, ETHTOOL_SGSO,
                                         ETHTOOL_STXCSUM };
    const int fd = socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    int status = 0;

    if (fd < 0)
        return fault_set(fault, -errno, "socket: %s", strerror(errno));
    for (size_t i = 0; i < COUNT_OF(commands) && !status; i++) {
        struct ethtool_value value = { .cmd = commands[i], .data = 0 };
        struct ifreq request = { .ifr_name = PRACTICE_INTERFACE };

        request.ifr_data = (void *) &value;
        if (ioctl(fd, SIOCETHTOOL, &request) != 0)
            status = fault_set(fault, -errno,
                               "cannot switch an offload of the practice "
                               "end's interface off: %s",
                               strerror(errno));
    }
    (void) close(fd);
    return status;
}

static int furnish_end(uint64_t mtu_bytes,
                       const struct practice_addresses *addresses,
                       struct fault *fault)
{
    int status = netlink_set_up("lo", false, fault);

    if (!status)
        status = quieten_end(fault);
    if (!status)
        status = switch_offloads_off(fault);
    if (!status)
        status = netlink_set_up(PRACTICE_INTERFACE, true, fault);
    for (size_t i = 0; i < addresses->count && !status; i++) {
        const bool is_ipv6 = strchr(addresses->texts[i], ':') != NULL;

        if (is_ipv6 && mtu_bytes < 1280)
            continue; /* RFC 8200 section 5: no IPv6 on such a link */
        status = netlink_add_address(
            PRACTICE_INTERFACE, addresses->texts[i],
            is_ipv6 ? PRACTICE_PREFIX_IPV6 : PRACTICE_PREFIX_IPV4, fault);
    }
    return status;
}

/* Leaves the calling process in the new network namespace. */
static int open_network(int *ret_network, struct fault *fault)
{
    if (unshare(CLONE_NEWNET) != 0)
        return fault_set(fault, -errno, "cannot make a network namespace: %s",
                         strerror(errno));
    *ret_network = open("/proc/self/ns/net", O_RDONLY | O_CLOEXEC);
    if (*ret_network < 0)
        return fault_set(fault, -errno, "/proc/self/ns/net: %s",
                         strerror(errno));
    return 0;
}

static int make_network(size_t index, uint64_t mtu_bytes, int middle,
                        const struct practice_addresses *addresses,
                        struct practice_end *end, struct fault *fault)
{
    int status = open_network(&end->network, fault);

    if (status)
        return status;
    (void) snprintf(end->veth, sizeof(end->veth), "end%zu", index);
    if (setns(middle, CLONE_NEWNET) != 0)
        return fault_set(fault, -errno, "setns: %s", strerror(errno));
    status = quieten_middle(fault);
    if (!status)
        status = netlink_make_veth(end->veth, PRACTICE_INTERFACE, end->network,
                                   hardware_address, mtu_bytes, fault);
    if (!status)
        status = netlink_set_up(end->veth, true, fault);
    if (!status && setns(end->network, CLONE_NEWNET) != 0)
        status = fault_set(fault, -errno, "setns: %s", strerror(errno));
    return status ? status : furnish_end(mtu_bytes, addresses, fault);
}

int namespaces_make_end(size_t index, uint64_t mtu_bytes,
                        const struct practice_addresses *addresses,
                        struct practice_end *ret_end, struct fault *fault)
{
    const int middle = open("/proc/self/ns/net", O_RDONLY | O_CLOEXEC);
    struct practice_end end = { .network = -1, .clock = -1 };

    if (middle < 0)
        return fault_set(fault, -errno, "/proc/self/ns/net: %s",
                         strerror(errno));
    int status = make_network(index, mtu_bytes, middle, addresses, &end, fault);

    if (setns(middle, CLONE_NEWNET) != 0 && !status)
        status = fault_set(fault, -errno, "setns: %s", strerror(errno));
    (void) close(middle);
    if (!status)
        *ret_end = end;
    return status;
}

int namespaces_make_clock(struct practice_end *end, uint64_t offset_ns,
                          struct fault *fault)
{
    char offsets[96];

    if (unshare(CLONE_NEWTIME) != 0) {
        if (errno == EINVAL)
            return 0; /* Linux before 5.6: its clock is ours */
        return fault_set(fault, -errno, "cannot make a time namespace: %s",
                         strerror(errno));
    }
    (void) snprintf(offsets, sizeof(offsets),
                    "monotonic %" PRIu64 " %" PRIu64 "\nboottime %" PRIu64
                    " %" PRIu64,
                    offset_ns / NS_PER_S, offset_ns % NS_PER_S,
                    offset_ns / NS_PER_S, offset_ns % NS_PER_S);
    const int status = write_file("/proc/self/timens_offsets", offsets);

    if (status)
        return fault_set(fault, status,
                         "cannot give a practice end its own clock: %s",
                         strerror(-status));
    end->clock = open("/proc/self/ns/time_for_children", O_RDONLY | O_CLOEXEC);
    if (end->clock < 0)
        return fault_set(fault, -errno, "/proc/self/ns/time_for_children: %s",
                         strerror(errno));
    end->offset_ns = offset_ns;
    return 0;
}

int namespaces_enter(const struct practice_end *end, struct fault *fault)
{
    if (setns(end->network, CLONE_NEWNET) != 0
        || (end->clock >= 0 && setns(end->clock, CLONE_NEWTIME) != 0))
        return fault_set(fault, -errno, "cannot enter a practice end: %s",
                         strerror(errno));
    return 0;
}
