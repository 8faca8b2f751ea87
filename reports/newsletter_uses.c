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

    if (!newsletter_has_figures(facts) || !find_best_step(&facts->ways, &way))
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

    if (!newsletter_has_figures(facts) || !find_best_step(&facts->ways, &way))
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

/* Transfers that ran at once: what the slowest and the fastest had. */
struct shared_group {
    uint64_t started_unix_ns;
    const struct finding *slowest, *fastest;
    size_t count, from_hub_count, to_hub_count;
};

/* Up to so many, those of the last step that has such. */
#define GROUPS_MOST 2
struct shared_groups {
    struct shared_group groups[GROUPS_MOST];
    size_t count;
};

static struct shared_group *group_of(struct shared_groups *groups,
                                     const struct exchange_record *exchange)
{
    for (size_t i = 0; i < groups->count; i++) {
        if (groups->groups[i].started_unix_ns == exchange->started_unix_ns)
            return &groups->groups[i];
    }
    if (groups->count == GROUPS_MOST)
        return NULL;
    struct shared_group *group = &groups->groups[groups->count++];

    *group =
        (struct shared_group){ .started_unix_ns = exchange->started_unix_ns };
    return group;
}

static void add_shared(const struct reduction *reduction,
                       struct shared_groups *groups, const struct finding *way)
{
    const struct exchange_record *exchange =
        reduction_exchange_of(reduction, way);

    if (groups->count
        && strcmp(groups->groups[0].slowest->step, way->step) != 0)
        groups->count = 0;
    struct shared_group *group = exchange ? group_of(groups, exchange) : NULL;
    if (!group)
        return;
    group->count++;
    group->from_hub_count += plan_is_hub(reduction->plan, way->from);
    group->to_hub_count += plan_is_hub(reduction->plan, way->to);
    if (!group->slowest || way->value < group->slowest->value)
        group->slowest = way;
    if (!group->fastest || way->value > group->fastest->value)
        group->fastest = way;
}

static void say_group(const struct shared_group *group, bool is_first,
                      FILE *out)
{
    const double rounding =
        spoken_rounding(group->fastest->value / k, (double) NAN, (double) NAN);
    char low[SPOKEN_SIZE];
    char high[SPOKEN_SIZE];
    char number[SPOKEN_SIZE];

    spoken_count(group->count, number);
    spoken_number(group->slowest->value / k, rounding, low);
    spoken_number(group->fastest->value / k, rounding, high);
    (void) fprintf(out, "%sWhen %s transfers%s ran at once on ",
                   is_first ? "" : " ", number,
                   group->from_hub_count == group->count ? " from the hub"
                   : group->to_hub_count == group->count ? " to the hub"
                                                         : "");
    newsletter_say_step(group->slowest->step, out);
    if (strcmp(low, high) == 0)
        (void) fprintf(out, ", each had %s kbit/s.", low);
    else
        (void) fprintf(out, ", each had between %s and %s kbit/s.", low, high);
}

void newsletter_say_shared(const struct newsletter_facts *facts, FILE *out)
{
    struct rows table = wording_table(facts->reduction, "goodput_whole");
    struct shared_groups groups = { .count = 0 };
    bool is_first = true;

    for (size_t i = 0; i < table.count; i++) {
        if (is_shared(rows_at(&table, i)))
            add_shared(facts->reduction, &groups, rows_at(&table, i));
    }
    for (size_t i = 0; i < groups.count && newsletter_has_figures(facts); i++) {
        if (groups.groups[i].count < 2)
            continue;
        say_group(&groups.groups[i], is_first, out);
        is_first = false;
    }
    rows_clear(&table);
}
