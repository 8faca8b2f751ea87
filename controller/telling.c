/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/telling.h"

#include "controller/quantity.h"

#include <stdlib.h>
#include <string.h>

typedef enum display_tone tell_fn(const struct exchange_order *order,
                                  const struct exchange_account *account,
                                  char *ret_text, size_t size);

typedef void tell_live_fn(const struct exchange_order *order, uint64_t done,
                          uint64_t elapsed_ns, char *ret_text, size_t size);

static tell_fn tell_ping, tell_download, tell_messages, tell_timing;
static tell_live_fn tell_answers, tell_rate, tell_confirmations;

/* Data that were fed for a time have ceased to come when they did not for this
 * part of it, and for so long. */
static const uint64_t ceased_divisor = 10;
static const uint64_t ceased_least_ns = 2 * NS_PER_S;

/* A row for each part of a kind that has a figure to tell, from its account.
 * Of others it is told that they are done. */
static const struct {
    const struct kind *kind;
    const char *part;
    tell_fn *tell;
    tell_live_fn *tell_live;
} tellings[] = {
    { &ping_kind, "prober", tell_ping, tell_answers },
    { &download_kind, "receiver", tell_download, tell_rate },
    { &messages_kind, "first", tell_messages, tell_confirmations },
    { &messages_kind, "second", tell_messages, NULL },
    { &timing_kind, "sender", tell_timing, tell_answers },
};

/* The rows of the series of that name. */
static const struct rows *series_of(const struct exchange_account *account,
                                    const struct kind *kind, const char *name)
{
    for (size_t i = 0; i < kind->series_count; i++) {
        if (strcmp(kind->series[i].name, name) == 0)
            return &account->series[i];
    }
    static const struct rows none;
    return &none;
}

static int compare_ns(const void *left, const void *right)
{
    const uint64_t a = *(const uint64_t *) left, b = *(const uint64_t *) right;

    return (a > b) - (a < b);
}

/* The time within which half of all sent were answered, from the times of those
 * that were (the rest count as infinite); 0 when fewer than half came back. */
static uint64_t half_within_ns(uint64_t *times_ns, size_t count,
                               uint64_t sent_count)
{
    const uint64_t rank = (sent_count + 1) / 2;

    qsort(times_ns, count, sizeof(*times_ns), compare_ns);
    return rank > 0 && rank <= count ? times_ns[rank - 1] : 0;
}

static uint64_t half_answered_ns(const struct rows *probes, uint64_t sent_count)
{
    uint64_t *rtts_ns = calloc(probes->count + 1, sizeof(*rtts_ns));
    size_t count = 0;

    if (!rtts_ns)
        return 0;
    for (size_t i = 0; i < probes->count; i++) {
        const struct ping_probe *probe = rows_at(probes, i);

        if (probe->state == PROBE_ANSWERED)
            rtts_ns[count++] = probe->rtt_ns;
    }
    const uint64_t half_ns = half_within_ns(rtts_ns, count, sent_count);
    free(rtts_ns);
    return half_ns;
}

static uint64_t half_reflected_ns(const struct rows *probes,
                                  uint64_t sent_count)
{
    uint64_t *rtts_ns = calloc(probes->count + 1, sizeof(*rtts_ns));
    size_t count = 0;

    if (!rtts_ns)
        return 0;
    for (size_t i = 0; i < probes->count; i++) {
        const struct timing_probe *probe = rows_at(probes, i);

        if (probe->state == PROBE_ANSWERED)
            rtts_ns[count++] = timing_rtt_ns(probe);
    }
    const uint64_t half_ns = half_within_ns(rtts_ns, count, sent_count);
    free(rtts_ns);
    return half_ns;
}

static uint64_t half_confirmed_ns(const struct rows *sent, uint64_t sent_count)
{
    uint64_t *times_ns = calloc(sent->count + 1, sizeof(*times_ns));
    size_t count = 0;

    if (!times_ns)
        return 0;
    for (size_t i = 0; i < sent->count; i++) {
        const struct messages_sent *message = rows_at(sent, i);

        if (message->state == MESSAGE_CONFIRMED)
            times_ns[count++] = message->confirmed_ns - message->handed_ns;
    }
    const uint64_t half_ns = half_within_ns(times_ns, count, sent_count);
    free(times_ns);
    return half_ns;
}

/* ", half within 310 ms", or nothing. */
static void tell_half(uint64_t half_ns, char *ret_text, size_t size)
{
    char duration[32];

    ret_text[0] = '\0';
    if (!half_ns)
        return;
    quantity_show(UNIT_DURATION, (double) half_ns, duration, sizeof(duration));
    (void) snprintf(ret_text, size, ", half within %s", duration);
}

static enum display_tone tell_answered(uint64_t answered_count,
                                       uint64_t sent_count, uint64_t half_ns,
                                       char *ret_text, size_t size)
{
    char half[64];

    tell_half(half_ns, half, sizeof(half));
    (void) snprintf(ret_text, size, "%llu of %llu answered%s",
                    (unsigned long long) answered_count,
                    (unsigned long long) sent_count, half);
    if (answered_count == 0)
        return TONE_BAD;
    return answered_count < sent_count ? TONE_DOUBT : TONE_GOOD;
}

static enum display_tone tell_ping(const struct exchange_order *order,
                                   const struct exchange_account *account,
                                   char *ret_text, size_t size)
{
    const struct ping_outcome *ping =
        (const struct ping_outcome *) account->outcome.bytes;

    (void) order;
    return tell_answered(
        ping->answered_count, ping->sent_count,
        half_answered_ns(series_of(account, &ping_kind, "probes"),
                         ping->sent_count),
        ret_text, size);
}

static enum display_tone tell_timing(const struct exchange_order *order,
                                     const struct exchange_account *account,
                                     char *ret_text, size_t size)
{
    const struct timing_outcome *timing =
        (const struct timing_outcome *) account->outcome.bytes;

    (void) order;
    return tell_answered(
        timing->answered_count, timing->sent_count,
        half_reflected_ns(series_of(account, &timing_kind, "probes"),
                          timing->sent_count),
        ret_text, size);
}

/* When a download began and when the last of its content came; 0: never. */
struct download_span {
    uint64_t request_ns, last_ns;
};

static struct download_span span_of(const struct exchange_account *account)
{
    const struct rows *connections =
        series_of(account, &download_kind, "connections");
    struct download_span span = { 0 };

    for (size_t i = 0; i < connections->count; i++) {
        const struct download_connection *connection = rows_at(connections, i);

        if (connection->request_ns
            && (!span.request_ns || connection->request_ns < span.request_ns))
            span.request_ns = connection->request_ns;
        if (connection->last_byte_ns > span.last_ns)
            span.last_ns = connection->last_byte_ns;
    }
    return span;
}

/* Content until the time was over (or the end), over the time from the request
 * to the last of it: start-up included, so a little below the steady figure. */
static double whole_bps(const struct download_span *span,
                        const struct download_outcome *download)
{
    return span->request_ns && span->last_ns > span->request_ns
               ? (double) download->content_bytes * BITS_PER_BYTE * 1e9
                     / (double) (span->last_ns - span->request_ns)
               : 0;
}

/* "nothing more after 2.50 s of 30.0 s; until then ", where data were fed for a
 * time and ceased to come long before it was over: the figure, which ends with
 * the last arrival, says nothing of that.  A web server may be through. */
static bool tell_ceased(const struct exchange_order *order,
                        const struct exchange_account *account,
                        const struct download_span *span, char *ret_text,
                        size_t size)
{
    const struct download_spec *spec = (const void *) order->spec.bytes;
    const uint64_t for_ns = spec->for_ns;
    const uint64_t start_ns =
        order->start_ns ? order->start_ns : account->begun_ns;
    const uint64_t least_ns = for_ns / ceased_divisor > ceased_least_ns
                                  ? for_ns / ceased_divisor
                                  : ceased_least_ns;
    char after[32], fed[32];

    ret_text[0] = '\0';
    if (spec->url[0] || span->last_ns <= start_ns
        || span->last_ns + least_ns > start_ns + for_ns
        || order->expected_cycle_ns > (double) least_ns)
        return false;
    quantity_show(UNIT_DURATION, (double) (span->last_ns - start_ns), after,
                  sizeof(after));
    quantity_show(UNIT_DURATION, (double) for_ns, fed, sizeof(fed));
    (void) snprintf(ret_text, size,
                    "nothing more after %.20s of %.20s; until then ", after,
                    fed);
    return true;
}

static enum display_tone tell_download(const struct exchange_order *order,
                                       const struct exchange_account *account,
                                       char *ret_text, size_t size)
{
    const struct download_outcome *download =
        (const struct download_outcome *) account->outcome.bytes;
    const struct download_span span = span_of(account);
    const double bps = whole_bps(&span, download);
    char rate[32], content[32], share[80] = "", ceased[128];

    quantity_show(UNIT_BYTES, (double) download->content_bytes, content,
                  sizeof(content));
    if (bps <= 0) {
        (void) snprintf(ret_text, size, "nothing arrived");
        return TONE_BAD;
    }
    quantity_show(UNIT_RATE, bps, rate, sizeof(rate));
    if (order->expected_bps > 0)
        (void) snprintf(share, sizeof(share), ", %.0f %% of the most expected",
                        100 * bps / order->expected_bps);
    const bool has_ceased =
        tell_ceased(order, account, &span, ceased, sizeof(ceased));
    (void) snprintf(ret_text, size, "%s%s with start-up%s; %s", ceased, rate,
                    share, content);
    return has_ceased ? TONE_BAD : TONE_PLAIN;
}

static enum display_tone tell_messages(const struct exchange_order *order,
                                       const struct exchange_account *account,
                                       char *ret_text, size_t size)
{
    const struct messages_outcome *messages =
        (const struct messages_outcome *) account->outcome.bytes;
    char half[64];

    tell_half(half_confirmed_ns(series_of(account, &messages_kind, "sent"),
                                messages->sent_count),
              half, sizeof(half));
    (void) snprintf(ret_text, size, "%llu of %llu from %s confirmed%s",
                    (unsigned long long) messages->confirmed_count,
                    (unsigned long long) messages->sent_count, order->own_name,
                    half);
    if (messages->confirmed_count == 0)
        return TONE_BAD;
    return messages->confirmed_count < messages->sent_count ? TONE_DOUBT
                                                            : TONE_GOOD;
}

/* The first trouble of an end, with the end's name. */
static const char *trouble_of(const struct ordered_exchange *exchange,
                              const struct exchange_account *const *accounts,
                              const char **ret_end)
{
    for (size_t i = 0; i < exchange->part_count; i++) {
        *ret_end = exchange->parts[i].order.own_name;
        if (!accounts[i])
            return "its account has not come yet";
        if (accounts[i]->trouble[0])
            return accounts[i]->trouble;
        if (accounts[i]->state != ACCOUNT_DONE)
            return account_states[accounts[i]->state];
    }
    return NULL;
}

/* The account of that part, with its order; NULL: not there. */
static const struct exchange_account *
account_of(const struct ordered_exchange *exchange,
           const struct exchange_account *const *accounts, const char *part,
           const struct exchange_order **ret_order)
{
    for (size_t i = 0; i < exchange->part_count; i++) {
        *ret_order = &exchange->parts[i].order;
        if (accounts[i] && strcmp((*ret_order)->part, part) == 0)
            return accounts[i];
    }
    return NULL;
}

/* Every row of the kind has its say; the worst tone counts. */
static enum display_tone
tell_figure(const struct ordered_exchange *exchange,
            const struct exchange_account *const *accounts, char *ret_text,
            size_t size)
{
    const bool is_alone = strcmp(exchange->condition, "idle") == 0;
    enum display_tone worst = TONE_PLAIN;
    size_t used = 0;

    for (size_t row = 0; row < COUNT_OF(tellings); row++) {
        const struct exchange_order *order = NULL;
        enum display_tone tone = TONE_DOUBT;
        char text[256] = "not known yet";

        if (strcmp(tellings[row].kind->name, exchange->planned->kind->name)
            != 0)
            continue;
        const struct exchange_account *account =
            account_of(exchange, accounts, tellings[row].part, &order);
        if (account) {
            struct exchange_order shown = *order;

            if (!is_alone)
                shown.expected_bps = 0; /* it holds for one that is alone */
            tone = tellings[row].tell(&shown, account, text, sizeof(text));
        }
        if (used < size)
            used += (size_t) snprintf(ret_text + used, size - used, "%s%s",
                                      used ? "; " : "", text);
        worst = tone > worst ? tone : worst;
    }
    if (!used)
        (void) snprintf(ret_text, size, "done");
    return worst;
}

enum display_tone telling_of(const struct ordered_exchange *exchange,
                             const struct exchange_account *const *accounts,
                             char *ret_text, size_t size)
{
    const char *end = "";
    const char *trouble = trouble_of(exchange, accounts, &end);
    enum display_tone tone = tell_figure(exchange, accounts, ret_text, size);

    if (trouble) {
        const size_t used = strlen(ret_text);

        (void) snprintf(ret_text + used, size - used, " (%s: %s)", end,
                        trouble);
        tone = tone == TONE_BAD ? TONE_BAD : TONE_DOUBT;
    }
    return tone;
}

/* --- the live figure ------------------------------------------------------ */

static void tell_answers(const struct exchange_order *order, uint64_t done,
                         uint64_t elapsed_ns, char *ret_text, size_t size)
{
    (void) order;
    (void) elapsed_ns;
    (void) snprintf(ret_text, size, "%llu answered so far",
                    (unsigned long long) done);
}

static void tell_confirmations(const struct exchange_order *order,
                               uint64_t done, uint64_t elapsed_ns,
                               char *ret_text, size_t size)
{
    (void) order;
    (void) elapsed_ns;
    (void) snprintf(ret_text, size, "%llu confirmed so far",
                    (unsigned long long) done);
}

static void tell_rate(const struct exchange_order *order, uint64_t done,
                      uint64_t elapsed_ns, char *ret_text, size_t size)
{
    const double bps =
        (double) done * BITS_PER_BYTE * 1e9 / (double) elapsed_ns;
    char rate[32], content[32];

    /* What a sender hands over may still be in the radios' queues. */
    if (strcmp(order->part, download_kind.from_part) == 0) {
        quantity_show(UNIT_BYTES, (double) done, content, sizeof(content));
        (void) snprintf(ret_text, size, "%s handed over", content);
        return;
    }
    if (order->expected_bps > 0) {
        (void) snprintf(ret_text, size, "%.0f %% of the most expected",
                        100 * bps / order->expected_bps);
        return;
    }
    quantity_show(UNIT_RATE, bps, rate, sizeof(rate));
    (void) snprintf(ret_text, size, "%s so far", rate);
}

void telling_live(const struct exchange_order *order, uint64_t done,
                  uint64_t elapsed_ns, char *ret_text, size_t size)
{
    ret_text[0] = '\0';
    if (!done || !elapsed_ns)
        return;
    for (size_t row = 0; row < COUNT_OF(tellings); row++) {
        if (strcmp(tellings[row].kind->name, order->kind) == 0
            && tellings[row].tell_live)
            tellings[row].tell_live(order, done, elapsed_ns, ret_text, size);
    }
}
