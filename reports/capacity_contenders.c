/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity_parts.h"

/*
 * Several contend for a channel, some with data all the time, others with
 * acknowledgements after data came to them.  Time goes in slots: in each, who
 * has something to send begins with the same chance (G. Bianchi, "Performance
 * analysis of the IEEE 802.11 distributed coordination function", IEEE JSAC
 * 18(3), 2000), that of even draws from a window which doubles with every
 * collision:
 *   tau = 2 / (1 + W + p W sum over i < m of (2 p)^i)
 * m: how often it doubles; p: chance to collide.  A receiver has nothing until
 * a burst of data is for it, of which there are D for each of its own chances
 * to send: so m of P receivers wait, by a balance of births and deaths, pi(m +
 * 1) / pi(m) = (D / P) (P - m) / ((m + 1) (1 - tau))
 */
#define RECEIVERS_MAX PLAN_ENDS_MAX
#define ROUNDS        200

static double chance_to_begin(const struct contenders *of, double collided)
{
    const int doublings =
        of->widens ? (int) (log2(of->window_most / of->window) + 1e-9) : 0;
    double sum = 0;
    double term = 1;

    for (int i = 0; i < doublings; i++) {
        sum += term;
        term *= 2 * collided;
    }
    return 2 / (1 + of->window + collided * of->window * sum);
}

/* How likely it is that so many receivers wait; gives their mean number. */
static double waiting(const struct contenders *of, double begins,
                      double ret_shares[RECEIVERS_MAX + 1])
{
    const double receivers = (double) of->receivers_count;
    double sum = 0;
    double mean = 0;

    for (size_t m = 0; m <= of->receivers_count; m++) {
        const double before = (double) m - 1;

        ret_shares[m] = m == 0 ? 1
                               : ret_shares[m - 1] * (double) of->senders_count
                                     / receivers * (receivers - before)
                                     / ((before + 1) * (1 - begins));
        sum += ret_shares[m];
        mean += (double) m * ret_shares[m];
    }
    for (size_t m = 0; m <= of->receivers_count; m++)
        ret_shares[m] /= sum;
    return mean / sum;
}

/* What happens in a slot while so many receivers wait: chances, and how long
 * the slot becomes. */
struct slot {
    double data, mean_s;
};

static struct slot slot_while(const struct contenders *of, double begins,
                              double waiting_count)
{
    const double rests = 1 - begins;
    const double senders = (double) of->senders_count;
    const double all = senders + waiting_count;
    const double idle = pow(rests, all);
    const double data = senders * begins * pow(rests, all - 1);
    const double acks = waiting_count * begins * pow(rests, all - 1);
    const double collided = 1 - idle - data - acks;
    /* Two or more of those that wait, and no data. */
    const double short_ones = pow(rests, senders) - idle - acks;

    return (struct slot){
        .data = data,
        .mean_s = idle * of->slot_s
                  + (data + collided - short_ones) * of->data_s
                  + (acks + short_ones) * of->ack_s,
    };
}

double contenders_round_s(const struct contenders *of)
{
    double shares[RECEIVERS_MAX + 1];
    double begins = chance_to_begin(of, 0);
    double mean_s = 0;
    double data = 0;

    /* All begin in the same slot for ever. */
    if (of->window < 2 && of->senders_count + of->receivers_count > 1
        && !of->widens)
        return (double) INFINITY;
    for (int i = 0; i < ROUNDS; i++) {
        begins = smaller(begins, 1 - 1e-6);
        const double others =
            (double) of->senders_count - 1 + waiting(of, begins, shares);
        const double collided = 1 - pow(1 - begins, others);

        begins = (begins + chance_to_begin(of, collided)) / 2;
    }
    begins = smaller(begins, 1 - 1e-6);
    (void) waiting(of, begins, shares);
    for (size_t m = 0; m <= of->receivers_count; m++) {
        const struct slot slot = slot_while(of, begins, (double) m);

        mean_s += shares[m] * slot.mean_s;
        data += shares[m] * slot.data;
    }
    return mean_s / data;
}
