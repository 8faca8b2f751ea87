/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity_arithmetic.h"

#include <bothends/fields.h>
#include <math.h>

static double least_of(double a, double b)
{
    return a < b ? a : b;
}

static double mss_bytes(const struct capacity_flow *flow)
{
    return flow->mtu_bytes - flow->header_bytes;
}

double capacity_content_ratio(const struct capacity_flow *flow)
{
    return mss_bytes(flow) / flow->mtu_bytes;
}

double capacity_pooled_bps(double pool_bps, const struct capacity_flow *flow,
                           double link_bytes)
{
    const double segments = flow->segments_per_ack;

    return pool_bps * segments * mss_bytes(flow)
           / (segments * (flow->mtu_bytes + link_bytes) + flow->header_bytes
              + link_bytes);
}

double capacity_turns_bps(double rate_bps, double overhead_s,
                          double transmissions_count, double content_bytes,
                          double air_bytes)
{
    return BITS_PER_BYTE * content_bytes
           / (overhead_s * transmissions_count
              + BITS_PER_BYTE * air_bytes / rate_bps);
}

uint64_t capacity_slot_bytes(uint64_t use_ns, uint64_t rate_bps,
                             uint64_t header_bytes)
{
    const uint64_t bits =
        use_ns / NS_PER_S * rate_bps + use_ns % NS_PER_S * rate_bps / NS_PER_S;
    const uint64_t bytes = bits / BITS_PER_BYTE;

    return bytes > header_bytes ? bytes - header_bytes : 0;
}

double capacity_fixed_bps(const struct capacity_fixed *fixed,
                          const struct capacity_flow *flow)
{
    const double segment_bytes = mss_bytes(flow);
    const double packets =
        fixed->data_bytes / (flow->mtu_bytes + fixed->link_bytes);
    const double data = fixed->may_span ? packets : floor(packets);
    const double acks =
        floor(fixed->ack_bytes / (flow->header_bytes + fixed->link_bytes));
    const double windows =
        isinf(fixed->window_bytes)
            ? (double) INFINITY
            : floor(fixed->window_bytes / segment_bytes) / fixed->window_cycles;

    return BITS_PER_BYTE * segment_bytes / fixed->cycle_s
           * least_of(least_of(data, flow->segments_per_ack * acks), windows);
}

double capacity_window_bps(double window_bytes, double rtt_s)
{
    return window_bytes * BITS_PER_BYTE / rtt_s;
}

double capacity_asymmetry(double forward_bps, double back_bps,
                          double data_bytes, double ack_bytes)
{
    return forward_bps / back_bps / (data_bytes / ack_bytes);
}

double capacity_tcp_equation_bps(double segment_bytes, double rtt_s,
                                 double loss_ratio, double segments_per_ack,
                                 double timeout_s)
{
    const double p = loss_ratio;
    const double b = segments_per_ack;

    return BITS_PER_BYTE * segment_bytes
           / (rtt_s * sqrt(2 * b * p / 3)
              + timeout_s * (3 * sqrt(3 * b * p / 8) * p * (1 + 32 * p * p)));
}

double capacity_square_root_bps(double segment_bytes, double rtt_s,
                                double loss_ratio, double constant)
{
    return BITS_PER_BYTE * segment_bytes * constant
           / (rtt_s * sqrt(loss_ratio));
}

double capacity_frame_loss_ratio(double bit_error_ratio, double frame_bytes)
{
    return -expm1(BITS_PER_BYTE * frame_bytes * log1p(-bit_error_ratio));
}

double capacity_left_lost(double loss_ratio, double repeats_limit)
{
    return pow(loss_ratio, repeats_limit + 1);
}

double capacity_sends(double loss_ratio, double repeats_limit)
{
    return (1 - capacity_left_lost(loss_ratio, repeats_limit))
           / (1 - loss_ratio);
}

void capacity_max_min(double whole, const double *wanted, const double *cost,
                      size_t count, double *ret_shares)
{
    double level = 0;
    double left = whole;

    for (size_t i = 0; i < count; i++)
        ret_shares[i] = -1; /* not settled */
    /* Each pass settles at least one, so count passes are enough. */
    for (size_t pass = 0; pass < count; pass++) {
        double cost_sum = 0;
        double lowest = (double) INFINITY;

        for (size_t i = 0; i < count; i++) {
            if (ret_shares[i] >= 0)
                continue;
            cost_sum += cost ? cost[i] : 1;
            lowest = least_of(lowest, wanted[i]);
        }
        if (!(cost_sum > 0))
            return;
        level = left / cost_sum;
        const double settled = least_of(level, lowest);

        for (size_t i = 0; i < count; i++) {
            if (ret_shares[i] >= 0 || (lowest <= level && wanted[i] > lowest))
                continue;
            ret_shares[i] = settled;
            left -= settled * (cost ? cost[i] : 1);
        }
    }
}

double capacity_mean_wait(const double *gaps, size_t count)
{
    double sum = 0;
    double squares = 0;

    for (size_t i = 0; i < count; i++) {
        sum += gaps[i];
        squares += gaps[i] * gaps[i];
    }
    return squares / (2 * sum);
}
