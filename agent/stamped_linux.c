/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/stamped.h"

#include "agent/clock.h"

#include <bothends/units.h>
#include <errno.h>
#include <netinet/in.h>
#include <stdio.h>
#include <string.h>
#include <sys/uio.h>
#include <time.h>
#include <uv.h>

#include <linux/errqueue.h>
#include <linux/net_tstamp.h>

#define ARRIVAL_FLAGS                                                          \
    (SOF_TIMESTAMPING_RX_SOFTWARE | SOF_TIMESTAMPING_SOFTWARE                  \
     | SOF_TIMESTAMPING_OPT_CMSG)
#define SENDING_FLAGS                                                          \
    (SOF_TIMESTAMPING_TX_SOFTWARE | SOF_TIMESTAMPING_OPT_TSONLY)

/* --- asking -------------------------------------------------------------- */

/* Options that only add facts: where one is missing the fact is missing. */
static void set_number(const struct stamped *stamped, int level, int option,
                       int number)
{
    (void) setsockopt(stamped->socket, level, option, &number, sizeof(number));
}

/* Naming OPT_ID anew starts the kernel's count of sendings at 0. */
static void count_anew(struct stamped *stamped)
{
    const int flags = ARRIVAL_FLAGS | SENDING_FLAGS;

    set_number(stamped, SOL_SOCKET, SO_TIMESTAMPING, flags);
    set_number(stamped, SOL_SOCKET, SO_TIMESTAMPING,
               flags | SOF_TIMESTAMPING_OPT_ID);
    stamped->sent_base += stamped->sent_count;
    stamped->sent_count = 0;
}

static void ask_for_ttl(const struct stamped *stamped)
{
    if (stamped->family == AF_INET6)
        set_number(stamped, IPPROTO_IPV6, IPV6_RECVHOPLIMIT, 1);
    else
        set_number(stamped, IPPROTO_IP, IP_RECVTTL, 1);
}

void stamped_listen(struct stamped *stamped, int socket, int family)
{
    *stamped = (struct stamped){ .socket = socket, .family = family };
    set_number(stamped, SOL_SOCKET, SO_TIMESTAMPING, ARRIVAL_FLAGS);
    ask_for_ttl(stamped);
    if (family == AF_INET6)
        set_number(stamped, IPPROTO_IPV6, IPV6_RECVPKTINFO, 1);
    else
        set_number(stamped, IPPROTO_IP, IP_PKTINFO, 1);
}

void stamped_own(struct stamped *stamped, int socket, int family)
{
    *stamped = (struct stamped){ .socket = socket, .family = family };
    count_anew(stamped);
    set_number(stamped, SOL_SOCKET, SO_SELECT_ERR_QUEUE, 1);
    ask_for_ttl(stamped);
    if (family == AF_INET6)
        set_number(stamped, IPPROTO_IPV6, IPV6_RECVERR, 1);
    else
        set_number(stamped, IPPROTO_IP, IP_RECVERR, 1);
}

/* --- sending ------------------------------------------------------------- */

static int send_once(const struct stamped *stamped,
                     const struct msghdr *message, uint64_t *ret_sent_ns)
{
    *ret_sent_ns = clock_now_ns();
    if (sendmsg(stamped->socket, message, 0) < 0)
        return -errno;
    return 0;
}

int stamped_send(struct stamped *stamped, const struct msghdr *message,
                 uint64_t *ret_sent_ns, uint32_t *ret_stamp)
{
    int status = send_once(stamped, message, ret_sent_ns);

    if (status != 0) {
        /* It may be the error that an earlier request earned: once more. */
        count_anew(stamped);
        status = send_once(stamped, message, ret_sent_ns);
    }
    if (status != 0) {
        count_anew(stamped);
        return status;
    }
    *ret_stamp = stamped->sent_base + stamped->sent_count++;
    return 0;
}

/* --- what the kernel hands over beside a datagram ------------------------- */

struct beside {
    bool has_stamp, has_error;
    struct timespec stamp;
    uint8_t ttl;
    struct sockaddr_storage to;
    struct sock_extended_err error;
    struct sockaddr_storage offender;
};

static void read_error(const struct cmsghdr *control, struct beside *beside)
{
    const size_t bytes = control->cmsg_len - CMSG_LEN(0);
    const size_t head_bytes = sizeof(beside->error);

    if (bytes < head_bytes)
        return;
    beside->has_error = true;
    memcpy(&beside->error, CMSG_DATA(control), head_bytes);
    const size_t rest_bytes = bytes - head_bytes;
    memcpy(&beside->offender, CMSG_DATA(control) + head_bytes,
           rest_bytes < sizeof(beside->offender) ? rest_bytes
                                                 : sizeof(beside->offender));
}

static void read_destination(const struct cmsghdr *control,
                             struct beside *beside)
{
    if (control->cmsg_level == IPPROTO_IPV6) {
        struct sockaddr_in6 to = { .sin6_family = AF_INET6 };
        struct in6_pktinfo way;

        memcpy(&way, CMSG_DATA(control), sizeof(way));
        to.sin6_addr = way.ipi6_addr;
        memcpy(&beside->to, &to, sizeof(to));
        return;
    }
    struct sockaddr_in to = { .sin_family = AF_INET };
    struct in_pktinfo way;

    memcpy(&way, CMSG_DATA(control), sizeof(way));
    to.sin_addr = way.ipi_spec_dst;
    memcpy(&beside->to, &to, sizeof(to));
}

static bool is_option(const struct cmsghdr *control, int level, int type)
{
    return control->cmsg_level == level && control->cmsg_type == type;
}

static void read_control(const struct cmsghdr *control, struct beside *beside)
{
    if (is_option(control, SOL_SOCKET, SCM_TIMESTAMPING)) {
        memcpy(&beside->stamp, CMSG_DATA(control), sizeof(beside->stamp));
        beside->has_stamp = beside->stamp.tv_sec != 0;
    } else if (is_option(control, IPPROTO_IP, IP_TTL)
               || is_option(control, IPPROTO_IPV6, IPV6_HOPLIMIT)) {
        int ttl;

        memcpy(&ttl, CMSG_DATA(control), sizeof(ttl));
        beside->ttl = (uint8_t) ttl;
    } else if (is_option(control, IPPROTO_IP, IP_RECVERR)
               || is_option(control, IPPROTO_IPV6, IPV6_RECVERR)) {
        read_error(control, beside);
    } else if (is_option(control, IPPROTO_IP, IP_PKTINFO)
               || is_option(control, IPPROTO_IPV6, IPV6_PKTINFO)) {
        read_destination(control, beside);
    }
}

static ssize_t receive(const struct stamped *stamped, int flags,
                       struct iovec *room, struct sockaddr_storage *from,
                       struct beside *beside)
{
    union {
        struct cmsghdr align;
        unsigned char bytes[512];
    } control;
    struct msghdr message = {
        .msg_name = from,
        .msg_namelen = sizeof(*from),
        .msg_iov = room,
        .msg_iovlen = 1,
        .msg_control = &control,
        .msg_controllen = sizeof(control),
    };
    const ssize_t bytes = recvmsg(stamped->socket, &message, flags);

    memset(beside, 0, sizeof(*beside));
    if (bytes < 0)
        return -errno;
    for (struct cmsghdr *at = CMSG_FIRSTHDR(&message); at;
         at = CMSG_NXTHDR(&message, at))
        read_control(at, beside);
    return bytes;
}

/* --- stamps -------------------------------------------------------------- */

/* A stamp is read soon after it was made. */
#define STAMP_OLDEST_NS (2 * NS_PER_S)
/* A clock that is off by more than this from one stamp to the next was set; one
 * that is being corrected slowly drifts by less than a thousandth. */
#define CLOCK_STEP_NS   NS_PER_MS
#define CLOCK_SLEW_PART 1000

static bool clock_was_set(const struct stamped *stamped, int64_t difference_ns,
                          uint64_t now_ns)
{
    const int64_t step_ns = difference_ns - stamped->wall_minus_monotonic_ns;
    const uint64_t size_ns = (uint64_t) (step_ns < 0 ? -step_ns : step_ns);

    return stamped->stamp_read_ns
           && size_ns
                  > CLOCK_STEP_NS
                        + (now_ns - stamped->stamp_read_ns) / CLOCK_SLEW_PART;
}

/*
 * The kernel's stamp, where it can be believed: it is wall clock, and when that
 * was set between the stamp and its reading, the conversion is off by as much.
 * Else false, and the time of reading has to do.
 */
static bool convert_stamp(struct stamped *stamped, const struct timespec *stamp,
                          uint64_t now_ns, uint64_t *ret_at_ns)
{
    const int64_t difference_ns = clock_wall_minus_monotonic_ns(NULL);
    const bool was_set = clock_was_set(stamped, difference_ns, now_ns);
    const uint64_t at_ns = clock_from_wall(stamp, difference_ns);

    stamped->wall_minus_monotonic_ns = difference_ns;
    stamped->stamp_read_ns = now_ns;
    *ret_at_ns = now_ns;
    if (was_set || at_ns > now_ns + CLOCK_STEP_NS
        || at_ns + STAMP_OLDEST_NS < now_ns)
        return false;
    *ret_at_ns = at_ns;
    return true;
}

/* --- receiving ----------------------------------------------------------- */

/* An ICMP error, in words. */
static void tell_error(const struct beside *beside, char *text,
                       size_t text_bytes)
{
    char offender[64] = "this computer";

    if (beside->error.ee_origin != SO_EE_ORIGIN_LOCAL)
        (void) uv_ip_name((const struct sockaddr *) &beside->offender, offender,
                          sizeof(offender));
    (void) snprintf(text, text_bytes, "%s says: %s (ICMP type %u code %u)",
                    offender, strerror((int) beside->error.ee_errno),
                    beside->error.ee_type, beside->error.ee_code);
}

/* From the error queue: a sending's stamp, or an ICMP error.  False: empty. */
static bool next_error(struct stamped *stamped, struct stamped_event *event)
{
    struct beside beside;
    unsigned char octets[64]; /* the request that it is about: not needed */
    struct iovec room = { .iov_base = octets, .iov_len = sizeof(octets) };
    struct sockaddr_storage about;

    if (receive(stamped, MSG_ERRQUEUE, &room, &about, &beside) < 0)
        return false;
    if (beside.has_error
        && beside.error.ee_origin == SO_EE_ORIGIN_TIMESTAMPING) {
        event->kind = STAMPED_SENT;
        event->stamp = stamped->sent_base + beside.error.ee_data;
        event->from_kernel = convert_stamp(stamped, &beside.stamp,
                                           clock_now_ns(), &event->at_ns);
        return true;
    }
    event->kind = STAMPED_ERROR;
    event->at_ns = clock_now_ns();
    tell_error(&beside, event->text, sizeof(event->text));
    return true;
}

int stamped_next(struct stamped *stamped, void *room, size_t room_bytes,
                 struct stamped_event *ret_event)
{
    struct iovec piece = { .iov_base = room, .iov_len = room_bytes };
    struct beside beside;

    memset(ret_event, 0, sizeof(*ret_event));
    if (next_error(stamped, ret_event))
        return 1;
    const ssize_t bytes =
        receive(stamped, MSG_DONTWAIT, &piece, &ret_event->from, &beside);
    const uint64_t now_ns = clock_now_ns();

    if (bytes < 0)
        return bytes == -EAGAIN ? 0 : (int) bytes;
    ret_event->kind = STAMPED_ARRIVED;
    ret_event->byte_count = (size_t) bytes;
    ret_event->ttl = beside.ttl;
    ret_event->to = beside.to;
    ret_event->at_ns = now_ns;
    ret_event->from_kernel =
        beside.has_stamp
        && convert_stamp(stamped, &beside.stamp, now_ns, &ret_event->at_ns);
    return 1;
}
