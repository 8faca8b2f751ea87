/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/tcp_info.h"

#include <bothends/kinds/download.h>
#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <time.h>

#include <linux/in.h>
#include <linux/sockios.h>
#include <linux/tcp.h>

/* States of RFC 9293 as Linux numbers them (its own header is not for use
 * beside linux/tcp.h). */
enum {
    STATE_FIN_WAIT2 = 5,
    STATE_TIME_WAIT = 6,
    STATE_CLOSED = 7,
    STATE_CLOSE_WAIT = 8,
    STATE_LAST_ACK = 9,
    STATE_CLOSING = 11
};

static int read_info(int socket, struct tcp_info *info)
{
    socklen_t info_bytes = sizeof(*info);

    /* An older kernel fills less. */
    memset(info, 0, sizeof(*info));
    if (getsockopt(socket, IPPROTO_TCP, TCP_INFO, info, &info_bytes) != 0)
        return -errno;
    return 0;
}

/* The kernel counts a FIN, which takes a place in the sequence, as a byte. */
static uint64_t less_one(uint64_t bytes)
{
    return bytes ? bytes - 1 : 0;
}

static uint64_t received_bytes(const struct tcp_info *info)
{
    switch (info->tcpi_state) {
    case STATE_TIME_WAIT:
    case STATE_CLOSE_WAIT:
    case STATE_LAST_ACK:
    case STATE_CLOSING:
        return less_one(info->tcpi_bytes_received);
    default:
        return info->tcpi_bytes_received;
    }
}

static uint64_t acked_bytes(const struct tcp_info *info)
{
    switch (info->tcpi_state) {
    case STATE_FIN_WAIT2:
    case STATE_TIME_WAIT:
    case STATE_CLOSED:
        return less_one(info->tcpi_bytes_acked);
    default:
        return info->tcpi_bytes_acked;
    }
}

static uint64_t quiet_us(const struct tcp_info *info)
{
    const uint64_t tenths = info->tcpi_last_ack_recv / 100;

    if (!info->tcpi_unacked)
        return 0;
    return tenths < 5 ? 1 : tenths * 100000;
}

int tcp_info_read(int socket, struct download_tcp *ret_row)
{
    struct tcp_info info;
    const int status = read_info(socket, &info);

    if (status != 0)
        return status;
    *ret_row = (struct download_tcp){
        .rtt_us = info.tcpi_rtt,
        .rtt_variation_us = info.tcpi_rttvar,
        .least_rtt_us = info.tcpi_min_rtt,
        .window_segments = info.tcpi_snd_cwnd,
        .threshold_segments = info.tcpi_snd_ssthresh,
        .segment_bytes = info.tcpi_snd_mss,
        .acked_bytes = acked_bytes(&info),
        .received_bytes = received_bytes(&info),
        .sent_bytes = info.tcpi_bytes_sent,
        .repeated_bytes = info.tcpi_bytes_retrans,
        .unsent_bytes = info.tcpi_notsent_bytes,
        .unacked_segments = info.tcpi_unacked,
        .lost_segments = info.tcpi_lost,
        .reordering_count = info.tcpi_reord_seen,
        .needless_count = info.tcpi_dsack_dups,
        .out_of_order_count = info.tcpi_rcv_ooopack,
        .sacked_segments = info.tcpi_sacked,
        .quiet_us = quiet_us(&info),
        .busy_us = info.tcpi_busy_time,
        .receiver_limited_us = info.tcpi_rwnd_limited,
        .buffer_limited_us = info.tcpi_sndbuf_limited,
        .delivery_bps = info.tcpi_delivery_rate * BITS_PER_BYTE,
        .receive_window_bytes = info.tcpi_rcv_space,
    };
    return 0;
}

static uint64_t queue_length(int socket, unsigned long what)
{
    int bytes = 0;

    if (ioctl(socket, what, &bytes) != 0 || bytes < 0)
        return 0;
    return (uint64_t) bytes;
}

struct tcp_queue tcp_info_queue(int socket)
{
    struct tcp_info info;
    const bool is_known = read_info(socket, &info) == 0;

    return (struct tcp_queue){
        .unsent_bytes = queue_length(socket, SIOCOUTQNSD),
        .unacked_bytes = queue_length(socket, SIOCOUTQ),
        .is_dead = is_known && info.tcpi_state == STATE_CLOSED,
    };
}

void tcp_info_congestion_control(int socket, char *room, size_t room_bytes)
{
    char name[64] = "";
    socklen_t name_bytes = sizeof(name) - 1;

    (void) getsockopt(socket, IPPROTO_TCP, TCP_CONGESTION, name, &name_bytes);
    (void) snprintf(room, room_bytes, "%s", name);
}

void tcp_info_discard_on_close(int socket)
{
    const struct linger discard = { .l_onoff = 1, .l_linger = 0 };

    (void) setsockopt(socket, SOL_SOCKET, SO_LINGER, &discard, sizeof(discard));
}
