/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/timing_says.h"
#include "reports/wording_cases.h"

/* Of what came back or arrived: echoes of pings, stamped packets,
 * confirmations of messages. */

/* Echoes beside downloads tell of the queues, and are counted apart. */
struct echoes {
    uint64_t sent_count, late_count;
    double lost_count; /* with the late ones */
};

static struct echoes count_echoes(const struct reduction *reduction,
                                  const struct rows *losses, bool is_loaded)
{
    struct echoes echoes = { 0 };

    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        if (wording_is_loaded(exchange->condition) == is_loaded)
            echoes.late_count += wording_late_count(exchange);
    }
    for (size_t i = 0; i < losses->count; i++) {
        const struct finding *finding = rows_at(losses, i);

        if (isnan(finding->value)
            || wording_is_loaded(finding->condition) != is_loaded)
            continue;
        echoes.lost_count += finding->value * (double) finding->samples_count;
        echoes.sent_count += finding->samples_count;
    }
    return echoes;
}

/* where: "" or " beside other traffic". */
static void say_echoes_of(char *text, size_t size, const struct echoes *echoes,
                          const char *where)
{
    const double late_count =
        fmin((double) echoes->late_count, echoes->lost_count);
    const double lost_count = echoes->lost_count - late_count;

    if (!echoes->sent_count)
        return;
    if (echoes->lost_count < 0.5) {
        append(text, size, " All %llu echoes%s were answered.",
               (unsigned long long) echoes->sent_count, where);
        return;
    }
    if (lost_count > (double) echoes->sent_count - 0.5) {
        append(text, size, " None of %llu echoes%s was answered.",
               (unsigned long long) echoes->sent_count, where);
        return;
    }
    append(text, size, " Of %llu echoes%s",
           (unsigned long long) echoes->sent_count, where);
    if (late_count >= 0.5)
        append(text, size, " %.0f were answered too late", late_count);
    if (lost_count >= 0.5)
        append(text, size, "%s %.0f were lost",
               late_count >= 0.5 ? ", and" : "", lost_count);
    append(text, size, ".");
}

static void say_echoes(char *text, size_t size,
                       const struct reduction *reduction)
{
    struct rows losses = wording_table(reduction, "loss");
    const struct echoes idle = count_echoes(reduction, &losses, false);
    const struct echoes loaded = count_echoes(reduction, &losses, true);

    rows_clear(&losses);
    say_echoes_of(text, size, &idle, "");
    say_echoes_of(text, size, &loaded, " beside other traffic");
}

static void say_messages(char *text, size_t size,
                         const struct reduction *reduction)
{
    struct rows table = wording_table(reduction, "unconfirmed");
    double unconfirmed = 0;
    uint64_t sent_count = 0;

    for (size_t i = 0; i < table.count; i++) {
        const struct finding *finding = rows_at(&table, i);

        if (isnan(finding->value))
            continue;
        unconfirmed += finding->value * (double) finding->samples_count;
        sent_count += finding->samples_count;
    }
    rows_clear(&table);
    if (!sent_count)
        return;
    if (unconfirmed < 0.5)
        append(text, size, " All %llu messages were confirmed.",
               (unsigned long long) sent_count);
    else
        append(text, size, " Of %llu messages %.0f were not confirmed in time.",
               (unsigned long long) sent_count, unconfirmed);
}

/* What is not as it should be; that it is goes without saying. */
static void say_confirmations(char *text, size_t size,
                              const struct reduction *reduction)
{
    struct rows table = wording_table(reduction, "confirmed_p50");
    const struct verdict_counts counts = wording_counts(&table);

    if (counts.is_short || counts.exceeds)
        append(text, size, " Times to confirmation:");
    append_cases(text, size, &table, VERDICT_SHORT, "is longer than it should",
                 "are longer than they should");
    append_cases(text, size, &table, VERDICT_EXCEEDS,
                 "is shorter than it can be, so something is not as stated",
                 "are shorter than they can be, so something is not as stated");
    rows_clear(&table);
}

/* An even share has the index 1; one of ten with nothing, 0.9. */
static const double even_index = 0.9;

/* Only that it is shown to be even, of all that ran at once. */
static void say_fairness(char *text, size_t size,
                         const struct reduction *reduction)
{
    struct rows table = wording_table(reduction, "fairness");
    double least = (double) INFINITY;

    for (size_t i = 0; i < table.count; i++) {
        const struct finding *fairness = rows_at(&table, i);

        least = fmin(least, isnan(fairness->low) ? 0 : fairness->low);
    }
    rows_clear(&table);
    if (isfinite(least) && least >= even_index)
        append(text, size,
               " Downloads at once shared the channel evenly (Jain's index at "
               "least %.2f of 1).",
               floor(100 * least) / 100);
}

void append_answers(char *text, size_t size, const struct reduction *reduction)
{
    say_fairness(text, size, reduction);
    say_echoes(text, size, reduction);
    timing_say_losses(text, size, reduction);
    say_messages(text, size, reduction);
    say_confirmations(text, size, reduction);
}
