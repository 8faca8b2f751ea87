/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/self.h"

#include "agent/memory.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <linux/net_tstamp.h>
#include <linux/rtnetlink.h>
#include <net/if.h>
#include <signal.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <unistd.h>
#include <uv.h>

#define INTERFACES_MAX 16 /* a description crosses the link: keep it small */

bool self_can_stamp(int socket)
{
    const int flags = SOF_TIMESTAMPING_RX_SOFTWARE
                      | SOF_TIMESTAMPING_TX_SOFTWARE
                      | SOF_TIMESTAMPING_SOFTWARE;

    return setsockopt(socket, SOL_SOCKET, SO_TIMESTAMPING, &flags,
                      sizeof(flags))
           == 0;
}

int self_end_with_parent(void)
{
    /* Process 1 may well be the parent: a rehearsal has its own. */
    const pid_t parent = getppid();

    if (prctl(PR_SET_PDEATHSIG, SIGTERM) < 0)
        return -errno;
    /* It may have ended before that call. */
    return getppid() == parent ? 0 : UV_ESRCH;
}

void self_icmp_advice(char *room, size_t room_bytes)
{
    char path[PATH_MAX] = "bothends-agent";
    size_t path_bytes = sizeof(path);

    (void) uv_exepath(path, &path_bytes);
    (void) snprintf(room, room_bytes,
                    "sudo sysctl -w net.ipv4.ping_group_range=\"0 "
                    "2147483647\"   (or: sudo setcap cap_net_raw+ep %s)",
                    path);
}

/* --- TCP settings --------------------------------------------------------- */

/* A setting's text without its line end, tabs as blanks; false: not there. */
static bool read_setting(const char *name, char *room, size_t room_bytes)
{
    char path[128];

    (void) snprintf(path, sizeof(path), "/proc/sys/net/ipv4/%s", name);
    const int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0)
        return false;
    const ssize_t got = read(fd, room, room_bytes - 1);
    (void) close(fd);
    if (got <= 0)
        return false;
    room[got] = '\0';
    room[strcspn(room, "\n")] = '\0';
    for (char *tab = strchr(room, '\t'); tab; tab = strchr(tab, '\t'))
        *tab = ' ';
    return true;
}

static void add_tcp_settings(json_t *self)
{
    static const struct {
        const char *key, *setting;
    } texts[] = {
        { "congestion_control", "tcp_congestion_control" },
        { "tcp_rmem", "tcp_rmem" },
        { "tcp_wmem", "tcp_wmem" },
    };
    char text[128];

    for (size_t i = 0; i < COUNT_OF(texts); i++) {
        if (read_setting(texts[i].setting, text, sizeof(text)))
            (void) json_object_set_new(self, texts[i].key, json_string(text));
    }
    if (read_setting("tcp_timestamps", text, sizeof(text)))
        (void) json_object_set_new(self, "tcp_timestamps",
                                   json_boolean(strcmp(text, "0") != 0));
    if (read_setting("tcp_no_metrics_save", text, sizeof(text)))
        (void) json_object_set_new(self, "tcp_metrics_saved",
                                   json_boolean(strcmp(text, "0") == 0));
}

/* --- interfaces, by rtnetlink --------------------------------------------- */

/* The kernel's own macros mix signs, and trust the last length. */
static struct rtattr *next_attribute(struct rtattr *attribute,
                                     size_t *rest_bytes)
{
    const size_t step_bytes = RTA_ALIGN((size_t) attribute->rta_len);

    *rest_bytes -= step_bytes < *rest_bytes ? step_bytes : *rest_bytes;
    return (struct rtattr *) (void *) ((char *) attribute + step_bytes);
}

static bool is_attribute(const struct rtattr *attribute, size_t rest_bytes)
{
    return rest_bytes >= sizeof(*attribute)
           && attribute->rta_len >= sizeof(*attribute)
           && attribute->rta_len <= rest_bytes;
}

struct interface_list {
    json_t *array; /* borrowed */
    int indexes[INTERFACES_MAX];
    size_t count;
};

static void take_link(struct interface_list *list, struct nlmsghdr *message)
{
    struct ifinfomsg *facts = NLMSG_DATA(message);
    size_t rest_bytes = IFLA_PAYLOAD(message);
    json_t *interface = NULL;

    if (facts->ifi_flags & IFF_LOOPBACK || list->count == INTERFACES_MAX)
        return;
    interface = mem_checked(json_object());
    for (struct rtattr *attribute = IFLA_RTA(facts);
         is_attribute(attribute, rest_bytes);
         attribute = next_attribute(attribute, &rest_bytes)) {
        const void *value = RTA_DATA(attribute);

        if (attribute->rta_type == IFLA_IFNAME)
            (void) json_object_set_new(interface, "name", json_string(value));
        else if (attribute->rta_type == IFLA_MTU)
            (void) json_object_set_new(interface, "mtu_bytes",
                                       json_integer(*(const uint32_t *) value));
        else if (attribute->rta_type == IFLA_QDISC)
            (void) json_object_set_new(interface, "queue_discipline",
                                       json_string(value));
    }
    (void) json_object_set_new(
        interface, "up",
        json_boolean((facts->ifi_flags & (IFF_UP | IFF_RUNNING))
                     == (IFF_UP | IFF_RUNNING)));
    (void) json_object_set_new(interface, "addresses", json_array());
    list->indexes[list->count++] = facts->ifi_index;
    (void) json_array_append_new(list->array, interface);
}

static json_t *find_interface(const struct interface_list *list, int index)
{
    for (size_t i = 0; i < list->count; i++) {
        if (list->indexes[i] == index)
            return json_array_get(list->array, i);
    }
    return NULL;
}

static void take_address(struct interface_list *list, struct nlmsghdr *message)
{
    struct ifaddrmsg *facts = NLMSG_DATA(message);
    const json_t *interface = find_interface(list, (int) facts->ifa_index);
    size_t rest_bytes = IFA_PAYLOAD(message);
    const void *address = NULL;
    char text[INET6_ADDRSTRLEN], with_prefix[INET6_ADDRSTRLEN + 8];

    for (struct rtattr *attribute = IFA_RTA(facts);
         is_attribute(attribute, rest_bytes);
         attribute = next_attribute(attribute, &rest_bytes)) {
        /* On a point-to-point link IFA_ADDRESS is the other end's. */
        if (attribute->rta_type == IFA_LOCAL
            || (attribute->rta_type == IFA_ADDRESS && !address))
            address = RTA_DATA(attribute);
    }
    if (!interface || !address
        || !inet_ntop(facts->ifa_family, address, text, sizeof(text)))
        return;
    (void) snprintf(with_prefix, sizeof(with_prefix), "%s/%u", text,
                    facts->ifa_prefixlen);
    (void) json_array_append_new(json_object_get(interface, "addresses"),
                                 json_string(with_prefix));
}

typedef void take_message_fn(struct interface_list *list,
                             struct nlmsghdr *message);

static int ask(int netlink, uint16_t type)
{
    struct {
        struct nlmsghdr head;
        struct rtgenmsg body;
    } request = {
        .head = { .nlmsg_len = NLMSG_LENGTH(sizeof(struct rtgenmsg)),
                  .nlmsg_type = type,
                  .nlmsg_flags = NLM_F_REQUEST | NLM_F_DUMP },
        .body = { .rtgen_family = AF_UNSPEC },
    };

    return send(netlink, &request, request.head.nlmsg_len, 0) < 0 ? -errno : 0;
}

/* The kernel answers such a question within the call; no waiting on others. */
static int dump(int netlink, uint16_t type, take_message_fn *take,
                struct interface_list *list)
{
    alignas(struct nlmsghdr) char room[32768];
    int result = ask(netlink, type);

    while (result == 0) {
        const ssize_t got = recv(netlink, room, sizeof(room), 0);
        if (got <= 0)
            return got < 0 ? -errno : UV_EIO;
        size_t at = 0;
        while (at + sizeof(struct nlmsghdr) <= (size_t) got) {
            struct nlmsghdr *message = (void *) (room + at);

            if (message->nlmsg_type == NLMSG_DONE)
                return 0;
            if (message->nlmsg_type == NLMSG_ERROR
                || message->nlmsg_len < sizeof(*message)
                || message->nlmsg_len > (size_t) got - at)
                return UV_EIO;
            take(list, message);
            at += NLMSG_ALIGN((size_t) message->nlmsg_len);
        }
    }
    return result;
}

void self_add_system(json_t *self)
{
    struct interface_list list = { .array = mem_checked(json_array()) };
    const int netlink =
        socket(AF_NETLINK, SOCK_RAW | SOCK_CLOEXEC, NETLINK_ROUTE);

    add_tcp_settings(self);
    if (netlink >= 0) {
        if (dump(netlink, RTM_GETLINK, take_link, &list) == 0)
            (void) dump(netlink, RTM_GETADDR, take_address, &list);
        (void) close(netlink);
    }
    (void) json_object_set_new(self, "interfaces", list.array);
}
