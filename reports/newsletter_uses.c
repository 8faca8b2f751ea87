/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/newsletter_says.h"
#include "reports/newsletter_words.h"
#include "reports/uses.h"

#include <bothends/kinds/download.h>
#include <ctype.h>

static const double k = 1e3; /* rates in kbit/s */
static const double photo_bytes = 300e3;

/* The slowest way of the step that is fastest by its slowest way. */
static bool find_best_step(const struct rows *ways, struct finding *ret_way)
{
    bool has_best = false;

    for (size_t i = 0; i < ways->count; i++) {
        struct finding slowest = *(const struct finding *) rows_at(ways, i);

        for (size_t n = 0; n < ways->count; n++) {
            const struct finding *other = rows_at(ways, n);

            if (strcmp(other->step, slowest.step) == 0
                && (isnan(other->value) || other->value < slowest.value))
                slowest = *other;
        }
        if (newsletter_arrived(&slowest)
            && (!has_best || slowest.value > ret_way->value)) {
            *ret_way = slowest;
            has_best = true;
        }
    }
    return has_best;
}

void newsletter_say_photo(const struct newsletter_facts *facts, FILE *out)
{
    struct finding way = { 0 };

    if (facts->outcome == OUTCOME_SUSPECT
        || !find_best_step(&facts->ways, &way))
        return;
    const double bits = photo_bytes * BITS_PER_BYTE;
    const double seconds = bits / way.value;
    char time[SPOKEN_SIZE];

    /* "About" has two digits at the most. */
    spoken_time(seconds,
                fmax(spoken_rounding(seconds, (double) NAN, (double) NAN),
                     spoken_rounding(seconds, bits / way.high, bits / way.low)),
                time);
    (void) fputs("To get a feeling for it: at the rate that we measured on ",
                 out);
    newsletter_say_step(way.step, out);
    (void) fprintf(out,
                   ", a small photograph of %.0f kilobytes takes about %s.",
                   photo_bytes / 1e3, time);
}

/* --- in plain words ------------------------------------------------------- */

/* The interval, or the figure where it has none. */
static struct range range_of(const struct finding *finding, double unit)
{
    if (!isfinite(finding->value))
        return range_unsaid();
    if (!isfinite(finding->low) || !isfinite(finding->high))
        return (struct range){ finding->value * unit, finding->value * unit };
    return (struct range){ finding->low * unit, finding->high * unit };
}

/* Of that step, alone on the link; the slowest one where there are several. */
static struct range slowest_on(const struct reduction *reduction,
                               const char *measure, const char *step,
                               double unit)
{
    struct rows table = wording_table(reduction, measure);
    struct range slowest = range_unsaid();

    for (size_t i = 0; i < table.count; i++) {
        const struct finding *finding = rows_at(&table, i);

        if (strcmp(finding->step, step) != 0
            || strcmp(finding->condition, "idle") != 0)
            continue;
        const struct range range = range_of(finding, unit);

        if (!range_is_said(slowest) || range.high > slowest.high)
            slowest = range;
    }
    rows_clear(&table);
    return slowest;
}

/* From the hub, or to it: the slowest station counts. */
static struct range slowest_way(const struct newsletter_facts *facts,
                                const char *step, bool is_from_hub)
{
    const struct plan *plan = facts->reduction->plan;
    struct range slowest = range_unsaid();

    for (size_t i = 0; i < facts->ways.count; i++) {
        const struct finding *way = rows_at(&facts->ways, i);

        if (plan_is_hub(plan, way->from) != is_from_hub
            || strcmp(way->step, step) != 0 || !newsletter_arrived(way))
            continue;
        const struct range range = range_of(way, 1);

        if (!range_is_said(slowest) || range.low < slowest.low)
            slowest = range;
    }
    return slowest;
}

/* Of the pings on that step; beside downloads the queues lose. */
static void note_losses(const struct rows *losses, const char *step,
                        struct uses_figures *figures)
{

    for (size_t i = 0; i < losses->count; i++) {
        const struct finding *loss = rows_at(losses, i);

        if (strcmp(loss->step, step) != 0 || wording_is_loaded(loss->condition))
            continue;
        figures->loss_ratio = fmax(figures->loss_ratio, loss->value);
        figures->loss_least_ratio = fmax(figures->loss_least_ratio, loss->low);
    }
}

void newsletter_say_uses(const struct newsletter_facts *facts, FILE *out)
{
    struct finding way = { 0 };
    struct use uses[USE_COUNT];
    char sentence[512];

    if (facts->outcome == OUTCOME_SUSPECT
        || !find_best_step(&facts->ways, &way))
        return;
    struct uses_figures figures = {
        .down_bps = slowest_way(facts, way.step, true),
        .up_bps = slowest_way(facts, way.step, false),
        .rtt_ns = slowest_on(facts->reduction, "rtt_p50", way.step, 1e9),
        .confirmed_ns =
            slowest_on(facts->reduction, "confirmed_p50", way.step, 1e9),
        .loss_ratio = (double) NAN,
        .loss_least_ratio = (double) NAN,
        .is_half_duplex =
            facts->reduction->plan->link.access != ACCESS_FULL_DUPLEX,
    };

    note_losses(&facts->losses, way.step, &figures);
    uses_judge(&figures, uses);
    uses_sentence(uses, sentence, sizeof(sentence));
    if (!sentence[0])
        return;
    sentence[0] = (char) tolower((unsigned char) sentence[0]);
    (void) fputs("On ", out);
    newsletter_say_step(way.step, out);
    (void) fputs(", with nobody else on the channel: ", out);
    wording_escape(out, sentence);
}

/* --- when several want something at once -----------------------------------
 */

/* Beside at least one other download: pings and messages take next to
 * nothing.  Of a large group the kinds are not named. */
static bool is_shared(const struct finding *finding)
{
    return (strstr(finding->condition, download_kind.name)
            || strstr(finding->condition, " others"))
           && newsletter_arrived(finding);
}

/* The same way again, in another round. */
static bool is_again(const struct rows *table, size_t row)
{
    const struct finding *way = rows_at(table, row);

    for (size_t i = 0; i < row; i++) {
        const struct finding *earlier = rows_at(table, i);

        if (is_shared(earlier) && strcmp(earlier->step, way->step) == 0
            && strcmp(earlier->from, way->from) == 0
            && strcmp(earlier->to, way->to) == 0
            && strcmp(earlier->condition, way->condition) == 0)
            return true;
    }
    return false;
}

/* What each of several downloads had that ran at once, on the last step that
 * has such. */
void newsletter_say_shared(const struct newsletter_facts *facts, FILE *out)
{
    struct rows table = wording_table(facts->reduction, "goodput_whole");
    const struct finding *slowest = NULL;
    const struct finding *fastest = NULL;
    size_t count = 0;
    char low[SPOKEN_SIZE];
    char high[SPOKEN_SIZE];
    char number[SPOKEN_SIZE];

    for (size_t i = 0; i < table.count; i++) {
        const struct finding *way = rows_at(&table, i);

        if (!is_shared(way))
            continue;
        if (slowest && strcmp(slowest->step, way->step) != 0) {
            slowest = fastest = NULL;
            count = 0;
        }
        count += !is_again(&table, i);
        slowest = !slowest || way->value < slowest->value ? way : slowest;
        fastest = !fastest || way->value > fastest->value ? way : fastest;
    }
    if (count > 1 && facts->outcome != OUTCOME_SUSPECT) {
        const double rounding =
            spoken_rounding(slowest->value / k, (double) NAN, (double) NAN);

        spoken_count(count, number);
        spoken_number(slowest->value / k, rounding, low);
        spoken_number(fastest->value / k, rounding, high);
        (void) fprintf(out, "When %s transfers ran at once on ", number);
        newsletter_say_step(slowest->step, out);
        if (strcmp(low, high) == 0)
            (void) fprintf(out, ", each had %s kbit/s.", low);
        else
            (void) fprintf(out, ", each had between %s and %s kbit/s.", low,
                           high);
    }
    rows_clear(&table);
}
