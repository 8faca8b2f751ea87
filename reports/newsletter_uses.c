/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/newsletter_says.h"
#include "reports/newsletter_words.h"
#include "reports/uses_measured.h"

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

void newsletter_say_uses(const struct newsletter_facts *facts, FILE *out)
{
    struct finding way = { 0 };
    struct use uses[USE_COUNT];
    char sentence[512];

    if (facts->outcome == OUTCOME_SUSPECT
        || !find_best_step(&facts->ways, &way))
        return;
    struct uses_figures figures;

    uses_measured(facts->reduction, way.step, &figures);
    uses_judge_measured(&figures, uses);
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
