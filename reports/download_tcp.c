/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/download.h"

#include "reports/rfc6349.h"
#include "reports/table.h"

/*
 * What TCP itself told during a download, four times a second: its efficiency
 * and its buffer delay (RFC 6349), and whether the receiver's window was large
 * enough for the path.
 */
#define CONNECTIONS_MOST 16 /* of a download's field list */

struct tcp_account {
    double sent_bytes, repeated_bytes; /* at the sender, of all connections */
    double rtt_sum_s, least_rtt_s;     /* NaN: not known */
    uint64_t rtt_count;
    double window_bytes; /* the receiver's greatest; 0: not known */
};

/* The last row of a connection has the sums; they only grow. */
static void take_sender(const struct rows *rows, struct tcp_account *account)
{
    double sent[CONNECTIONS_MOST] = { 0 };
    double repeated[CONNECTIONS_MOST] = { 0 };

    for (size_t i = 0; i < rows->count; i++) {
        const struct download_tcp *row = rows_at(rows, i);
        const double least_s = (double) row->least_rtt_us * 1e-6;

        if (row->connection < CONNECTIONS_MOST) {
            sent[row->connection] = (double) row->sent_bytes;
            repeated[row->connection] = (double) row->repeated_bytes;
        }
        if (row->rtt_us) {
            account->rtt_sum_s += (double) row->rtt_us * 1e-6;
            account->rtt_count++;
        }
        if (row->least_rtt_us && !(account->least_rtt_s <= least_s))
            account->least_rtt_s = least_s;
    }
    for (size_t i = 0; i < CONNECTIONS_MOST; i++) {
        account->sent_bytes += sent[i];
        account->repeated_bytes += repeated[i];
    }
}

static void take_receiver(const struct rows *rows, struct tcp_account *account)
{
    for (size_t i = 0; i < rows->count; i++) {
        const struct download_tcp *row = rows_at(rows, i);

        if ((double) row->receive_window_bytes > account->window_bytes)
            account->window_bytes = (double) row->receive_window_bytes;
    }
}

static int read_account(const struct reduction *reduction,
                        const struct exchange_record *exchange,
                        struct tcp_account *ret_account, struct fault *fault)
{
    struct rows sender = { .row_size = sizeof(struct download_tcp) };
    struct rows receiver = { .row_size = sizeof(struct download_tcp) };
    int code = reduction_read_series(
        reduction, exchange, &exchange->from_account, "tcp", &sender, fault);

    if (!code)
        code = reduction_read_series(reduction, exchange, &exchange->to_account,
                                     "tcp", &receiver, fault);
    *ret_account = (struct tcp_account){ .least_rtt_s = (double) NAN };
    if (!code) {
        take_sender(&sender, ret_account);
        take_receiver(&receiver, ret_account);
    }
    rows_clear(&sender);
    rows_clear(&receiver);
    return code;
}

/* A count: the interval is the value. */
static void add_efficiency(struct reduction *reduction,
                           const struct exchange_record *exchange,
                           const struct tcp_account *account)
{
    struct finding *finding =
        reduction_add_finding(reduction, exchange, "tcp_efficiency", "ratio");
    const double share =
        rfc6349_efficiency(account->sent_bytes, account->repeated_bytes);

    if (isnan(share))
        finding_set_why(finding, "the sender's TCP told nothing");
    else
        finding_set(finding, &(struct estimate){ share, share, share }, 1);
}

static void add_buffer_delay(struct reduction *reduction,
                             const struct exchange_record *exchange,
                             const struct tcp_account *account)
{
    struct finding *finding =
        reduction_add_finding(reduction, exchange, "buffer_delay", "ratio");

    finding->samples_count = account->rtt_count;
    if (!account->rtt_count || isnan(account->least_rtt_s)) {
        finding_set_why(finding, "the sender's TCP told no round trip");
        return;
    }
    finding->value = rfc6349_buffer_delay(
        account->rtt_sum_s / (double) account->rtt_count, account->least_rtt_s);
    finding_set_why(finding, "TCP's smoothed round trips have no interval");
}

static void doubt_window(struct reduction *reduction,
                         const struct exchange_record *exchange,
                         const struct tcp_account *account)
{
    const struct range expected_bps =
        reduction_expectation(reduction, exchange)->goodput_bps;

    if (!range_is_said(expected_bps) || account->window_bytes <= 0
        || isnan(account->least_rtt_s)
        || account->window_bytes
               >= rfc6349_path_bytes(account->least_rtt_s, expected_bps.low))
        return;
    reduction_add_sentence(
        &reduction->doubts,
        "The receive window at %s (at most %.1f kB) is too small for the path "
        "from %s on step %s: at a round trip of %.0f ms it allows no more than "
        "%.1f kbit/s (RFC 6349, section 3.3.1).",
        exchange->to, account->window_bytes * 1e-3, exchange->from,
        exchange->step, account->least_rtt_s * 1e3,
        rfc6349_window_bps(account->window_bytes, account->least_rtt_s) * 1e-3);
}

int download_add_tcp(struct reduction *reduction, size_t exchange,
                     struct fault *fault)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    struct tcp_account account;

    if (!record->from_account.is_there)
        return 0;
    const int code = read_account(reduction, record, &account, fault);
    if (code)
        return code;
    add_efficiency(reduction, record, &account);
    add_buffer_delay(reduction, record, &account);
    doubt_window(reduction, record, &account);
    return 0;
}
