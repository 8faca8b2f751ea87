/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/together.h"

#include <bothends/kinds.h>

/* What each kind of exchange brings to a group, on the time since the common
 * start. */

static double after_start_s(const struct account_record *account,
                            uint64_t at_ns)
{
    const uint64_t start_ns =
        account->start_ns ? account->start_ns : account->account.begun_ns;

    return ((double) at_ns - (double) start_ns) * 1e-9;
}

static void widen(struct member *member, double at_s)
{
    member->from_s = fmin(member->from_s, at_s);
    member->until_s = fmax(member->until_s, at_s);
}

/* took_s: INFINITY, it did not come back. */
static void add_trip(struct member *member, int way, double at_s, double took_s)
{
    *(struct trip *) rows_add(&member->trips) =
        (struct trip){ .way = way, .at_s = at_s, .took_s = took_s };
    widen(member, at_s);
}

static int read_ping(const struct reduction *reduction,
                     const struct exchange_record *record,
                     struct member *member, struct fault *fault)
{
    const struct account_record *account = &record->from_account;
    struct rows rows = { .row_size = sizeof(struct ping_probe) };
    const int code = account->is_there ? reduction_read_series(
                         reduction, record, account, "probes", &rows, fault)
                                       : 0;

    for (size_t i = 0; i < rows.count; i++) {
        const struct ping_probe *probe = rows_at(&rows, i);
        const bool is_answered =
            probe->state == PROBE_ANSWERED && probe->rtt_ns > 0;

        if (probe->state != PROBE_UNSENT && !probe->after_pause)
            add_trip(member, 0, after_start_s(account, probe->sent_ns),
                     is_answered ? (double) probe->rtt_ns * 1e-9
                                 : (double) INFINITY);
    }
    rows_clear(&rows);
    return code;
}

static int read_timing(const struct reduction *reduction,
                       const struct exchange_record *record,
                       struct member *member, struct fault *fault)
{
    const struct account_record *account = &record->from_account;
    struct rows rows = { .row_size = sizeof(struct timing_probe) };
    const int code = account->is_there ? reduction_read_series(
                         reduction, record, account, "probes", &rows, fault)
                                       : 0;

    for (size_t i = 0; i < rows.count; i++) {
        const struct timing_probe *probe = rows_at(&rows, i);

        if (probe->state != PROBE_UNSENT && !probe->after_pause)
            add_trip(member, 0, after_start_s(account, probe->sent_ns),
                     probe->state == PROBE_ANSWERED
                         ? (double) timing_rtt_ns(probe) * 1e-9
                         : (double) INFINITY);
    }
    rows_clear(&rows);
    return code;
}

static int read_messages_of(const struct reduction *reduction,
                            const struct exchange_record *record, int way,
                            struct member *member, struct fault *fault)
{
    const struct account_record *account =
        way ? &record->to_account : &record->from_account;
    struct rows rows = { .row_size = sizeof(struct messages_sent) };
    const int code = account->is_there ? reduction_read_series(
                         reduction, record, account, "sent", &rows, fault)
                                       : 0;

    for (size_t i = 0; i < rows.count; i++) {
        const struct messages_sent *message = rows_at(&rows, i);
        const bool is_confirmed =
            message->state == MESSAGE_CONFIRMED
            && message->confirmed_ns >= message->handed_ns;

        if (message->state != MESSAGE_UNSENT)
            add_trip(member, way, after_start_s(account, message->handed_ns),
                     is_confirmed
                         ? (double) (message->confirmed_ns - message->handed_ns)
                               * 1e-9
                         : (double) INFINITY);
    }
    rows_clear(&rows);
    return code;
}

static int read_messages(const struct reduction *reduction,
                         const struct exchange_record *record,
                         struct member *member, struct fault *fault)
{
    const int code = read_messages_of(reduction, record, 0, member, fault);

    return code ? code : read_messages_of(reduction, record, 1, member, fault);
}

/* Until the feeding time was over: what comes then is the tail. */
static int read_download(const struct reduction *reduction,
                         const struct exchange_record *record,
                         struct member *member, struct fault *fault)
{
    const struct account_record *account = &record->to_account;
    const struct download_spec *spec = (const void *) record->spec.bytes;
    const double most_s = record->has_spec && spec->for_ns
                              ? (double) spec->for_ns * 1e-9
                              : (double) INFINITY;
    struct rows rows = { .row_size = sizeof(struct download_arrival) };
    const int code = account->is_there ? reduction_read_series(
                         reduction, record, account, "arrivals", &rows, fault)
                                       : 0;

    for (size_t i = 0; i < rows.count; i++) {
        const struct download_arrival *arrival = rows_at(&rows, i);
        const double at_s = after_start_s(account, arrival->at_ns);

        if (at_s > most_s)
            continue;
        *(struct piece *) rows_add(&member->pieces) =
            (struct piece){ at_s, (double) arrival->bytes };
        widen(member, at_s);
    }
    rows_clear(&rows);
    return code;
}

/* clang-format off */
static const struct member_kind kinds[] = {
    { "ping",     read_ping,     1, "rtt_under_load_p50",       "rtt_load_ratio",       "rtt_p50" },
    { "timing",   read_timing,   1, "rtt_under_load_p50",       "rtt_load_ratio",       "rtt_stamped_p50" },
    { "messages", read_messages, 2, "confirmed_under_load_p50", "confirmed_load_ratio", "confirmed_p50" },
    { "download", read_download, 0, NULL,                       NULL,                   NULL },
};
/* clang-format on */

const struct member_kind *member_kind_of(const struct exchange_record *exchange)
{
    static const struct member_kind none;

    for (size_t i = 0; i < COUNT_OF(kinds); i++) {
        if (strcmp(kinds[i].name, exchange->kind->name) == 0)
            return &kinds[i];
    }
    return &none;
}

int member_read(const struct reduction *reduction, size_t exchange,
                struct member *ret_member, struct fault *fault)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    const struct member_kind *kind = member_kind_of(record);

    *ret_member = (struct member){ .exchange = exchange,
                                   .from_s = (double) INFINITY,
                                   .until_s = -(double) INFINITY,
                                   .trips.row_size = sizeof(struct trip),
                                   .pieces.row_size = sizeof(struct piece) };
    return kind->read ? kind->read(reduction, record, ret_member, fault) : 0;
}
