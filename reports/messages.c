/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/confirmation.h"
#include "reports/cumulative.h"
#include "reports/losses.h"
#include "reports/percentile.h"
#include "reports/repeats.h"
#include "reports/table.h"

/*
 * What messages say, for each direction by itself: the time from a message's
 * being given to TCP at its sender until its confirmation was read there, of
 * all sent (one that was not confirmed in the waiting time is infinite, as a
 * lost probe is: RFC 2681 section 4), and the share of the unconfirmed.  When a
 * message arrived these figures do not say: that takes one-way times.
 */
enum direction {
    FROM_FIRST, /* from -> to, as the exchange is named */
    FROM_SECOND,
    DIRECTION_COUNT
};

static const struct {
    const char *measure;
    double share;
} percentiles[] = {
    { "confirmed_p50", 0.50 },
    { "confirmed_p90", 0.90 },
    { "confirmed_p95", 0.95 },
};

/* Times of one direction of an exchange, or of the same one in all rounds. */
struct times {
    size_t exchange; /* index */
    enum direction direction;
    bool is_all_rounds;
    struct rows sorted_s; /* of double; unconfirmed last */
    struct losses unconfirmed;
};

static const struct account_record *
sender_of(const struct exchange_record *record, enum direction direction)
{
    return direction == FROM_FIRST ? &record->from_account
                                   : &record->to_account;
}

static const char *sender_name(const struct exchange_record *record,
                               enum direction direction)
{
    return direction == FROM_FIRST ? record->from : record->to;
}

static const char *confirmer_name(const struct exchange_record *record,
                                  enum direction direction)
{
    return direction == FROM_FIRST ? record->to : record->from;
}

/* --- findings ------------------------------------------------------------- */

static void take_value(void *owner, const struct value_record *value)
{
    struct times *times = owner;

    if (value->what != (int) times->direction)
        return;
    *(double *) rows_add(&times->sorted_s) = value->level.mean;
    losses_add(&times->unconfirmed, isinf(value->level.mean) != 0);
}

static void gather(const struct reduction *reduction, size_t exchange,
                   enum direction direction, bool is_all_rounds,
                   struct times *times)
{
    *times = (struct times){ .exchange = exchange,
                             .direction = direction,
                             .is_all_rounds = is_all_rounds,
                             .sorted_s.row_size = sizeof(double) };
    repeats_each_value(reduction, exchange, is_all_rounds, take_value, times);
    quantile_sort(times->sorted_s.data, times->sorted_s.count);
}

/* Named from sender to confirmer, whichever end the plan names first. */
static struct finding *add(struct reduction *reduction,
                           const struct times *times, const char *measure,
                           const char *unit)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, times->exchange);
    struct finding *finding =
        times->is_all_rounds
            ? reduction_add_combined(reduction, record, measure, unit)
            : reduction_add_finding(reduction, record, measure, unit);

    (void) snprintf(finding->from, sizeof(finding->from), "%s",
                    sender_name(record, times->direction));
    (void) snprintf(finding->to, sizeof(finding->to), "%s",
                    confirmer_name(record, times->direction));
    return finding;
}

static void judge_median(const struct reduction *reduction,
                         const struct times *times, struct finding *finding)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, times->exchange);

    const struct confirmation expected =
        confirmation_expect(reduction, record, times->direction == FROM_SECOND);

    confirmation_judge(finding, &expected, "computed");
}

static void add_percentile(struct reduction *reduction,
                           const struct times *times, size_t row)
{
    struct finding *finding =
        add(reduction, times, percentiles[row].measure, "s");

    percentile_set(finding, times->sorted_s.data, times->sorted_s.count,
                   percentiles[row].share, CONFIDENCE_LEVEL, "messages");
    if (row == 0)
        judge_median(reduction, times, finding);
}

static void add_findings(struct reduction *reduction, const struct times *times)
{
    for (size_t i = 0; i < COUNT_OF(percentiles); i++)
        add_percentile(reduction, times, i);
    struct finding *finding = add(reduction, times, "unconfirmed", "ratio");
    const struct estimate estimate =
        losses_interval(&times->unconfirmed, CONFIDENCE_LEVEL);

    finding_set(finding, &estimate, times->sorted_s.count);
    if (!times->sorted_s.count)
        finding_set_why(finding, "no message was sent");
}

static void add_why(struct reduction *reduction, size_t exchange,
                    enum direction direction, const char *why)
{
    const struct times times = { .exchange = exchange, .direction = direction };

    for (size_t i = 0; i < COUNT_OF(percentiles); i++)
        finding_set_why(add(reduction, &times, percentiles[i].measure, "s"),
                        "%s", why);
    finding_set_why(add(reduction, &times, "unconfirmed", "ratio"), "%s", why);
}

/* --- one exchange --------------------------------------------------------- */

/* Ended by its time or by a person, before the message had waited out: nobody
 * knows whether it would have been confirmed. */
static bool is_undecided(const struct exchange_record *record,
                         const struct account_record *sender,
                         const struct messages_sent *message)
{
    const struct messages_spec *spec = (const void *) record->spec.bytes;
    const int state = sender->account.state;

    return message->state == MESSAGE_UNCONFIRMED
           && (state == ACCOUNT_STOPPED || state == ACCOUNT_CANCELLED)
           && message->handed_ns + spec->wait_ns > sender->account.ended_ns;
}

static void keep_message(struct reduction *reduction, size_t exchange,
                         enum direction direction,
                         const struct messages_sent *message)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);

    if (message->state == MESSAGE_UNSENT
        || is_undecided(record, sender_of(record, direction), message))
        return;
    struct value_record *value = rows_add(&reduction->values);
    const bool is_confirmed = message->state == MESSAGE_CONFIRMED
                              && message->confirmed_ns >= message->handed_ns;

    value->exchange = exchange;
    value->what = (int) direction;
    value->level.mean =
        is_confirmed
            ? (double) (message->confirmed_ns - message->handed_ns) * 1e-9
            : (double) INFINITY;
}

/* Over one TCP connection nothing comes twice or out of order: if it does, one
 * of the two programs errs. */
static void doubt_counts(struct reduction *reduction,
                         const struct exchange_record *record,
                         enum direction direction)
{
    const struct account_record *account = sender_of(record, direction);
    const struct messages_outcome *outcome =
        (const void *) account->account.outcome.bytes;

    if (outcome->unsent_count)
        reduction_add_sentence(
            &reduction->doubts,
            "%llu messages from %s to %s on step %s were not sent, for too "
            "much waited already; they are not counted.",
            (unsigned long long) outcome->unsent_count,
            sender_name(record, direction), confirmer_name(record, direction),
            record->step);
    if (outcome->duplicates_count || outcome->out_of_order_count)
        reduction_add_sentence(
            &reduction->doubts,
            "%s counted %llu confirmations too many, and %llu messages of %s "
            "out of order, on step %s: over one TCP connection neither can "
            "be.",
            sender_name(record, direction),
            (unsigned long long) outcome->duplicates_count,
            (unsigned long long) outcome->out_of_order_count,
            confirmer_name(record, direction), record->step);
}

/* Each message and each confirmation in a segment of its own, and at most one
 * bare acknowledgement for the two; the connection's opening and closing. */
static double own_bytes(const struct exchange_record *record)
{
    const bool is_ipv6 =
        strchr(record->from_account.account.source_address, ':') != NULL;
    const double header_bytes =
        (is_ipv6 ? IPV6_HEADER_BYTES : IPV4_HEADER_BYTES) + TCP_HEADER_BYTES
        + TCP_TIMESTAMP_BYTES;
    const double opening_bytes = 10 * header_bytes + 300;
    double bytes = opening_bytes;

    for (int i = 0; i < DIRECTION_COUNT; i++) {
        const struct account_record *account =
            sender_of(record, (enum direction) i);
        const struct messages_outcome *outcome =
            (const void *) account->account.outcome.bytes;

        bytes += (double) outcome->stream_bytes_out
                 + 3 * header_bytes * (double) outcome->sent_count;
    }
    return bytes;
}

/* A connection that was lost in the middle has failed, and what was measured
 * until then is still right. */
static bool has_messages(const struct account_record *sender)
{
    const struct messages_outcome *outcome =
        (const void *) sender->account.outcome.bytes;

    return sender->is_there && outcome->sent_count > 0;
}

static int reduce_direction(struct reduction *reduction, size_t exchange,
                            enum direction direction, struct fault *fault)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, exchange);
    const struct account_record *sender = sender_of(record, direction);
    struct rows sent = { .row_size = sizeof(struct messages_sent) };
    struct times times;
    char why[160];

    if (!has_messages(sender)
        && reduction_is_account_missing(sender, sender_name(record, direction),
                                        why, sizeof(why))) {
        add_why(reduction, exchange, direction, why);
        return 0;
    }
    const int code =
        reduction_read_series(reduction, record, sender, "sent", &sent, fault);
    for (size_t i = 0; !code && i < sent.count; i++)
        keep_message(reduction, exchange, direction, rows_at(&sent, i));
    rows_clear(&sent);
    if (code)
        return code;
    gather(reduction, exchange, direction, false, &times);
    add_findings(reduction, &times);
    rows_clear(&times.sorted_s);
    doubt_counts(reduction, record, direction);
    return 0;
}

static int reduce(struct reduction *reduction, size_t exchange,
                  struct fault *fault)
{
    struct exchange_record *record = reduction_exchange(reduction, exchange);
    int code = 0;

    for (int i = 0; !code && i < DIRECTION_COUNT; i++)
        code = reduce_direction(reduction, exchange, (enum direction) i, fault);
    if (!code && record->from_account.is_there && record->to_account.is_there)
        record->own_bytes = own_bytes(record);
    return code;
}

/* --- over rounds ---------------------------------------------------------- */

static void add_curve(struct reduction *reduction, const struct times *times)
{
    if (!times->sorted_s.count)
        return;
    struct curve *curve =
        reduction_add_curve(reduction, CURVE_CUMULATIVE, times->exchange);

    curve->is_all_rounds = times->is_all_rounds;
    curve->is_from_second = times->direction == FROM_SECOND;
    cumulative_fill(curve, times->sorted_s.data, times->sorted_s.count);
}

static void combine_direction(struct reduction *reduction, size_t exchange,
                              enum direction direction)
{
    const bool is_all_rounds =
        repeats_next(reduction, exchange) < reduction->exchanges.count;
    struct times times;

    gather(reduction, exchange, direction, is_all_rounds, &times);
    if (is_all_rounds)
        add_findings(reduction, &times);
    add_curve(reduction, &times);
    rows_clear(&times.sorted_s);
}

static void combine(struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        if (strcmp(reduction_exchange(reduction, i)->kind->name,
                   messages_report.name)
                != 0
            || !repeats_is_first(reduction, i))
            continue;
        for (int k = 0; k < DIRECTION_COUNT; k++)
            combine_direction(reduction, i, (enum direction) k);
    }
}

const struct report_kind messages_report = {
    .name = "messages",
    .reduce = reduce,
    .combine = combine,
    .definition =
        "A message's time is from its being given to TCP at the sender until "
        "the receiving program's confirmation was read there: confirmed "
        "within, which includes the confirmation's own way back. Percentiles "
        "are of all sent, those not confirmed in the waiting time counting as "
        "infinite; they are given from 6 (p50), 36 (p90) or 72 (p95) messages "
        "on, with an interval between two order statistics. The share of the "
        "unconfirmed has Wilson's interval, with fewer messages than there are "
        "where they failed in a row.",
};
