/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/foreign.h"

static const double link_header_bytes = 14; /* Ethernet, as systems count it */
/* Opening and closing of a connection with HTTP's heads: eight segments and
 * 1 kB of text, for each of two tries. */
static const double opening_bytes = 2900;
/* Beyond the middle that a kind's estimate takes: a quarter of an
 * acknowledgement a segment (0.75 are in it). */
static const double more_acks_ratio = 0.25;

static double difference(uint64_t before, uint64_t after)
{
    return after > before ? (double) (after - before) : 0;
}

static bool went_back(uint64_t before, uint64_t after)
{
    return after < before;
}

/* By 32 bits at the most. */
static bool can_have_wrapped(uint64_t before, uint64_t after)
{
    return went_back(before, after) && before <= UINT32_MAX;
}

static double passed(uint64_t before, uint64_t after)
{
    return can_have_wrapped(before, after)
               ? (double) (after + UINT32_MAX - before) + 1
               : difference(before, after);
}

bool foreign_has_wrapped(const struct exchange_account *account)
{
    return !foreign_is_unknown(account)
           && (can_have_wrapped(account->sent_bytes_before,
                                account->sent_bytes_after)
               || can_have_wrapped(account->received_bytes_before,
                                   account->received_bytes_after));
}

/* A new interface begins with no packets either. */
bool foreign_is_unknown(const struct exchange_account *account)
{
    return went_back(account->sent_packets_before, account->sent_packets_after)
           || went_back(account->received_packets_before,
                        account->received_packets_after)
           || (went_back(account->sent_bytes_before, account->sent_bytes_after)
               && !can_have_wrapped(account->sent_bytes_before,
                                    account->sent_bytes_after))
           || (went_back(account->received_bytes_before,
                         account->received_bytes_after)
               && !can_have_wrapped(account->received_bytes_before,
                                    account->received_bytes_after));
}

static double most_own_bytes(const struct reduction *reduction,
                             const struct exchange_record *exchange)
{
    const double mtu_bytes = (double) reduction->plan->link.mtu_bytes;
    const double header_bytes =
        IPV6_HEADER_BYTES + TCP_HEADER_BYTES + TCP_TIMESTAMP_BYTES;
    const double identification_bytes =
        (double) exchange->from_account.account.identification_bytes
        + (double) exchange->to_account.account.identification_bytes;

    if (mtu_bytes <= header_bytes)
        return (double) NAN;
    return exchange->own_bytes
               * (1 + more_acks_ratio * header_bytes / mtu_bytes)
           + opening_bytes + identification_bytes;
}

/* The first of those that ran at once: a group's stand side by side. */
static const struct exchange_record *
first_of_group(const struct reduction *reduction,
               const struct exchange_record *exchange)
{
    const struct exchange_record *all = reduction_exchange(reduction, 0);

    while (exchange > all
           && exchange[-1].started_unix_ns == exchange->started_unix_ns)
        exchange--;
    return exchange;
}

/* Of all that ran at once at that end; NaN: not known. */
static double own_bytes_at(const struct reduction *reduction,
                           const struct exchange_record *exchange,
                           const char *end)
{
    const struct exchange_record *past_all =
        reduction_exchange(reduction, reduction->exchanges.count);
    double bytes = 0;

    for (const struct exchange_record *other =
             first_of_group(reduction, exchange);
         other < past_all
         && other->started_unix_ns == exchange->started_unix_ns;
         other++) {
        if (strcmp(other->from, end) == 0 || strcmp(other->to, end) == 0)
            bytes += most_own_bytes(reduction, other);
    }
    return bytes;
}

bool foreign_weigh(const struct reduction *reduction,
                   const struct exchange_record *exchange,
                   const struct account_record *account,
                   struct foreign *ret_foreign)
{
    const struct exchange_account *said = &account->account;

    if (!account->is_there || foreign_is_unknown(said))
        return false;
    const double packets =
        difference(said->sent_packets_before, said->sent_packets_after)
        + difference(said->received_packets_before,
                     said->received_packets_after);
    const double counted_bytes =
        passed(said->sent_bytes_before, said->sent_bytes_after)
        + passed(said->received_bytes_before, said->received_bytes_after)
        - packets * link_header_bytes;
    const double own_bytes = own_bytes_at(reduction, exchange, account->end);

    if (isnan(own_bytes) || counted_bytes <= 0)
        return false;
    *ret_foreign = (struct foreign){
        .counted_bytes = counted_bytes,
        .own_bytes = own_bytes,
        .bytes = fmax(0, counted_bytes - own_bytes),
    };
    ret_foreign->share_ratio = ret_foreign->bytes / counted_bytes;
    return true;
}
