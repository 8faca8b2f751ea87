/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/netlink.h"

#include <arpa/inet.h>
#include <errno.h>
#include <net/if.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include <linux/if_addr.h>
#include <linux/if_link.h>
#include <linux/rtnetlink.h>
#include <linux/veth.h>

/* A request under construction: header, body, attributes. */
struct request {
    struct nlmsghdr header;
    unsigned char rest[1024];
};

/* Room for `size` bytes at the end, aligned and zeroed. */
static void *extend(struct request *request, size_t size)
{
    unsigned char *at =
        (unsigned char *) request + NLMSG_ALIGN(request->header.nlmsg_len);

    request->header.nlmsg_len =
        (uint32_t) (NLMSG_ALIGN(request->header.nlmsg_len) + size);
    return at;
}

static void begin(struct request *request, uint16_t type, uint16_t flags)
{
    memset(request, 0, sizeof(*request));
    request->header.nlmsg_len = NLMSG_LENGTH(0);
    request->header.nlmsg_type = type;
    request->header.nlmsg_flags = NLM_F_REQUEST | NLM_F_ACK | flags;
}

static struct rtattr *add(struct request *request, unsigned short type,
                          const void *data, size_t size)
{
    struct rtattr *attribute = extend(request, RTA_LENGTH(size));

    attribute->rta_type = type;
    attribute->rta_len = (unsigned short) RTA_LENGTH(size);
    if (size > 0)
        memcpy(RTA_DATA(attribute), data, size);
    return attribute;
}

/* A nest holds all attributes added until it is closed. */
static void close_nest(const struct request *request, struct rtattr *nest)
{
    const unsigned char *end =
        (const unsigned char *) request + request->header.nlmsg_len;

    nest->rta_len = (unsigned short) (end - (const unsigned char *) nest);
}

/* Send, and wait for the kernel's answer: 0 or a negative errno. */
static int ask(struct request *request)
{
    struct {
        struct nlmsghdr header;
        struct nlmsgerr error;
        unsigned char rest[2048];
    } answer;
    const int fd = socket(AF_NETLINK, SOCK_RAW | SOCK_CLOEXEC, NETLINK_ROUTE);
    int status = 0;

    if (fd < 0)
        return -errno;
    if (send(fd, request, request->header.nlmsg_len, 0) < 0
        || recv(fd, &answer, sizeof(answer), 0) < 0)
        status = -errno;
    else if (answer.header.nlmsg_type != NLMSG_ERROR)
        status = -EPROTO;
    else
        status = answer.error.error;
    (void) close(fd);
    return status;
}

static int ask_for(struct request *request, const char *what, const char *name,
                   struct fault *fault)
{
    const int status = ask(request);

    if (status == 0)
        return 0;
    return fault_set(fault, status, "cannot %s '%s': %s", what, name,
                     strerror(-status));
}

static void add_link_facts(struct request *request, const char *name,
                           const unsigned char hardware_address[6],
                           uint64_t mtu_bytes)
{
    const uint32_t mtu = (uint32_t) mtu_bytes;

    (void) add(request, IFLA_IFNAME, name, strlen(name) + 1);
    (void) add(request, IFLA_ADDRESS, hardware_address, 6);
    (void) add(request, IFLA_MTU, &mtu, sizeof(mtu));
}

int netlink_make_veth(const char *name, const char *peer, int peer_namespace,
                      const unsigned char hardware_address[6],
                      uint64_t mtu_bytes, struct fault *fault)
{
    struct request request;

    begin(&request, RTM_NEWLINK, NLM_F_CREATE | NLM_F_EXCL);
    (void) extend(&request, sizeof(struct ifinfomsg));
    add_link_facts(&request, name, hardware_address, mtu_bytes);
    struct rtattr *information = add(&request, IFLA_LINKINFO, NULL, 0);
    (void) add(&request, IFLA_INFO_KIND, "veth", 4);
    struct rtattr *data = add(&request, IFLA_INFO_DATA, NULL, 0);
    struct rtattr *other = add(&request, VETH_INFO_PEER, NULL, 0);
    (void) extend(&request, sizeof(struct ifinfomsg));
    add_link_facts(&request, peer, hardware_address, mtu_bytes);
    const uint32_t namespace = (uint32_t) peer_namespace;
    (void) add(&request, IFLA_NET_NS_FD, &namespace, sizeof(namespace));
    close_nest(&request, other);
    close_nest(&request, data);
    close_nest(&request, information);
    return ask_for(&request, "make the link", name, fault);
}

int netlink_set_up(const char *name, bool is_noarp, struct fault *fault)
{
    struct request request;

    begin(&request, RTM_NEWLINK, 0);
    struct ifinfomsg *link = extend(&request, sizeof(*link));
    link->ifi_index = (int) if_nametoindex(name);
    link->ifi_flags = IFF_UP | (is_noarp ? (unsigned) IFF_NOARP : 0);
    link->ifi_change = link->ifi_flags;
    return ask_for(&request, "switch on the link", name, fault);
}

int netlink_add_address(const char *name, const char *address,
                        unsigned prefix_bits, struct fault *fault)
{
    struct request request;
    unsigned char bytes[16];
    const int family = strchr(address, ':') ? AF_INET6 : AF_INET;
    const size_t size = family == AF_INET6 ? 16 : 4;

    if (inet_pton(family, address, bytes) != 1)
        return fault_set(fault, -EINVAL, "found '%s', expected an IP address",
                         address);
    begin(&request, RTM_NEWADDR, NLM_F_CREATE | NLM_F_EXCL);
    struct ifaddrmsg *message = extend(&request, sizeof(*message));
    message->ifa_family = (unsigned char) family;
    message->ifa_prefixlen = (unsigned char) prefix_bits;
    message->ifa_flags = family == AF_INET6 ? IFA_F_NODAD : 0;
    message->ifa_index = if_nametoindex(name);
    (void) add(&request, IFA_LOCAL, bytes, size);
    (void) add(&request, IFA_ADDRESS, bytes, size);
    return ask_for(&request, "give the practice end its address", address,
                   fault);
}
