/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/timing_says.h"

#include "reports/append.h"

static const double ms = 1e-3;
/* A way waits where its figure is above the other's by more than chance: beyond
 * the other's interval, and by what anybody would notice. */
static const double waits_times = 1.5;
static const double waits_least_s = 0.010;
/* Delays one way are told where the clocks leave open less than that of them.
 */
static const double told_ratio = 0.5;

/* The two ways of one exchange. */
struct both {
    const struct finding *there, *back; /* their losses; back may be NULL */
    size_t there_row, back_row;
};

bool timing_is_other_way(const struct finding *there,
                         const struct finding *back)
{
    return there->round == back->round
           && strcmp(there->exchange, back->exchange) == 0
           && strcmp(there->step, back->step) == 0
           && strcmp(there->condition, back->condition) == 0
           && strcmp(there->from, back->to) == 0
           && strcmp(there->to, back->from) == 0;
}

/* The way back stands behind the way there. */
static struct both both_at(const struct rows *ways, size_t row)
{
    struct both both = { .there = rows_at(ways, row), .there_row = row };

    if (row + 1 < ways->count
        && timing_is_other_way(both.there, rows_at(ways, row + 1))) {
        both.back = rows_at(ways, row + 1);
        both.back_row = row + 1;
    }
    return both;
}

/* --- what is lost --------------------------------------------------------- */

/* All of what was sent; of a handful it may be chance. */
static bool is_dead(const struct finding *loss)
{
    return loss->value >= 1;
}

static uint64_t lost_count(const struct finding *loss)
{
    return (uint64_t) llround(loss->value * (double) loss->samples_count);
}

/* "6 of 60" or "none of 60" */
static void append_lost(char *text, size_t size, const struct finding *loss)
{
    const uint64_t count = lost_count(loss);

    if (count)
        append(text, size, "%llu", (unsigned long long) count);
    else
        append(text, size, "none");
    append(text, size, " of %llu", (unsigned long long) loss->samples_count);
}

/* Does one lose more, beyond what chance may do? */
static bool is_worse(const struct finding *a, const struct finding *b)
{
    return a->low > b->high;
}

/* Without the reflector's account: probes that were not answered, of which
 * nothing tells on which way they were lost.  None stand in a way back's row.
 */
static uint64_t untold_count(const struct reduction *reduction,
                             const struct rows *ways, size_t row)
{
    const struct finding *loss = rows_at(ways, row);
    const struct finding *trips =
        wording_beside(reduction, ways, row, "rtt_stamped_loss");

    return trips && trips->samples_count > loss->samples_count
               ? trips->samples_count - loss->samples_count
               : 0;
}

static void say_untold(char *text, size_t size, uint64_t count)
{
    if (count)
        append(text, size,
               " %llu %s not answered, and nothing tells on which way %s lost.",
               (unsigned long long) count,
               count == 1 ? "stamped probe was" : "stamped probes were",
               count == 1 ? "it was" : "they were");
}

static void say_losses(char *text, size_t size, const struct both *both,
                       bool is_in_part)
{
    const struct finding *there = both->there;
    const struct finding *back = both->back;
    const bool is_there_worse = is_worse(there, back);

    if (!lost_count(there) && !lost_count(back)) {
        append(text, size, "nothing was lost either way%s",
               is_in_part ? " as far as it is known" : "");
        return;
    }
    append_lost(text, size, there);
    append(text, size, " packets from %s to %s were lost, ", there->from,
           there->to);
    append_lost(text, size, back);
    append(text, size, " on the way back");
    if (is_there_worse || is_worse(back, there))
        append(text, size, ": it is the way from %s to %s that loses",
               is_there_worse ? there->from : back->from,
               is_there_worse ? there->to : back->to);
}

/* --- what waits ----------------------------------------------------------- */

static void append_time(char *text, size_t size, double value_s)
{
    const bool is_long = value_s >= 1;
    char number[FIGURE_SIZE];

    wording_significant(is_long ? value_s : value_s / ms, 2, number);
    append(text, size, "%s %s", number, is_long ? "s" : "ms");
}

static bool waits(const struct finding *a, const struct finding *b)
{
    return a->value > b->high && a->value > waits_times * b->value
           && a->value - b->value >= waits_least_s;
}

/* NULL: not known well enough. */
static const struct finding *figure_of(const struct reduction *reduction,
                                       const struct rows *ways, size_t row,
                                       const char *measure)
{
    const struct finding *finding =
        wording_beside(reduction, ways, row, measure);

    return finding && isfinite(finding->value) ? finding : NULL;
}

/* Never without what the clocks leave open; where that is as large as the
 * delays themselves, they are not told. */
static void say_delays(const struct reduction *reduction,
                       const struct rows *ways, const struct both *both,
                       char *text, size_t size)
{
    const struct finding *there =
        figure_of(reduction, ways, both->there_row, "one_way_p50");
    const struct finding *back =
        figure_of(reduction, ways, both->back_row, "one_way_p50");
    const struct finding *least =
        figure_of(reduction, ways, both->there_row, "one_way_least");
    const struct finding *least_back =
        figure_of(reduction, ways, both->back_row, "one_way_least");

    if (!there || !back || !least || !least_back)
        return;
    const double doubt_s =
        fmax(least->high - least->low, least_back->high - least_back->low) / 2;

    if (doubt_s > told_ratio * fmax(there->value, back->value))
        return;
    append(text, size, " Half of the packets from %s to %s took at most ",
           there->from, there->to);
    append_time(text, size, there->value);
    append(text, size, ", on the way back ");
    append_time(text, size, back->value);
    append(text, size, " (± ");
    append_time(text, size, doubt_s);
    append(text, size, " from the clocks).");
}

static void say_waits(const struct reduction *reduction,
                      const struct rows *ways, const struct both *both,
                      char *text, size_t size)
{
    static const struct {
        const char *measure, *share;
    } shares[] = { { "delay_variation_p90", "nine in ten" },
                   { "delay_variation_p50", "half" } };

    for (size_t i = 0; i < COUNT_OF(shares); i++) {
        const struct finding *there =
            figure_of(reduction, ways, both->there_row, shares[i].measure);
        const struct finding *back =
            figure_of(reduction, ways, both->back_row, shares[i].measure);

        if (!there || !back)
            continue;
        append(text, size,
               " Of those that arrived at %s %s were no later than ", there->to,
               shares[i].share);
        append_time(text, size, there->value);
        append(text, size, " behind the quickest, at %s ", back->to);
        append_time(text, size, back->value);
        if (waits(there, back) || waits(back, there))
            append(text, size, ": it is the way from %s to %s that waits",
                   waits(there, back) ? there->from : back->from,
                   waits(there, back) ? there->to : back->to);
        append(text, size, ".");
        return;
    }
}

/* A player of speech holds every packet back until the late ones are there. */
static void say_voice(const struct reduction *reduction,
                      const struct rows *ways, const struct both *both,
                      char *text, size_t size)
{
    const struct finding *there =
        figure_of(reduction, ways, both->there_row, "delay_variation_p95");
    const struct finding *back =
        figure_of(reduction, ways, both->back_row, "delay_variation_p95");

    if (!there || !back)
        return;
    append(text, size,
           " A voice call would have to hold back all it hears by ");
    append_time(text, size, there->value);
    append(text, size, " at %s and by ", there->to);
    append_time(text, size, back->value);
    append(text, size,
           " at %s, or more than one packet in twenty comes too late.",
           back->to);
}

/* --- one exchange --------------------------------------------------------- */

static void say_missing(const struct both *both, char *text, size_t size)
{
    const struct finding *there = both->there;

    if (isnan(there->value))
        append(text, size, "%s.", there->why);
    else if (is_dead(there))
        append(text, size,
               "none of %llu packets from %s arrived at %s, so nothing could "
               "be sent back: of that way nothing is known.",
               (unsigned long long) there->samples_count, there->from,
               there->to);
    else if (both->back && is_dead(both->back))
        append(text, size,
               "packets get from %s to %s, and none of %llu came back: the "
               "way from %s to %s is dead.",
               there->from, there->to,
               (unsigned long long) both->back->samples_count, there->to,
               there->from);
}

static void say_both(const struct reduction *reduction, const struct rows *ways,
                     const struct both *both, char *text, size_t size)
{
    say_missing(both, text, size);
    if (text[0] || !both->back || isnan(both->back->value))
        return;
    const uint64_t untold = untold_count(reduction, ways, both->there_row);

    say_losses(text, size, both, untold > 0);
    append(text, size, ".");
    say_untold(text, size, untold);
    say_delays(reduction, ways, both, text, size);
    say_waits(reduction, ways, both, text, size);
    say_voice(reduction, ways, both, text, size);
}

/* How many of a share of what arrived; 0: none, or it is not known. */
static uint64_t hits_of(const struct reduction *reduction,
                        const struct rows *ways, size_t row,
                        const char *measure)
{
    const struct finding *share = wording_beside(reduction, ways, row, measure);

    return share && share->value > 0 ? lost_count(share) : 0;
}

static void say_overtaken(const struct reduction *reduction,
                          const struct rows *ways, size_t row, char *text,
                          size_t size)
{
    const struct finding *share =
        wording_beside(reduction, ways, row, "one_way_reordered");
    const uint64_t overtaken_count =
        hits_of(reduction, ways, row, "one_way_reordered");
    const uint64_t repeated_count =
        hits_of(reduction, ways, row, "one_way_duplicated");

    if (!overtaken_count && !repeated_count)
        return;
    append(text, size, "Of %llu packets that arrived at %s",
           (unsigned long long) share->samples_count, share->to);
    if (overtaken_count)
        append(text, size, " %llu %s overtaken on the way%s",
               (unsigned long long) overtaken_count,
               overtaken_count == 1 ? "was" : "were",
               repeated_count ? ", and" : "");
    if (repeated_count)
        append(text, size, " %llu came more than once",
               (unsigned long long) repeated_count);
    append(text, size, ".");
}

static void write_names(const struct finding *about, FILE *out)
{
    (void) fputs("- Between ", out);
    wording_escape(out, about->from);
    (void) fputs(" and ", out);
    wording_escape(out, about->to);
    (void) fputs(" on ", out);
    wording_escape(out, about->step);
    if (!wording_is_alone(about->condition)) {
        char beside[CONDITION_SIZE];

        wording_condition(about->condition, beside, sizeof(beside));
        (void) fputs(", while ", out);
        wording_escape(out, beside);
        (void) fputs(" ran", out);
    }
    (void) fputs(": ", out);
}

/* In pieces, for the longest names fill them. */
static void write_line(const struct reduction *reduction,
                       const struct rows *ways, const struct both *both,
                       FILE *out)
{
    char text[1000] = "";

    write_names(both->there, out);
    say_both(reduction, ways, both, text, sizeof(text));
    wording_escape(out, text);
    for (size_t i = 0; i < (both->back ? 2 : 1); i++) {
        text[0] = '\0';
        say_overtaken(reduction, ways, both->there_row + i, text, sizeof(text));
        (void) fputs(text[0] ? " " : "", out);
        wording_escape(out, text);
    }
    (void) fputc('\n', out);
}

void timing_say(const struct reduction *reduction, const struct rows *ways,
                FILE *out)
{
    for (size_t row = 0; row < ways->count;) {
        const struct both both = both_at(ways, row);

        write_line(reduction, ways, &both, out);
        row += both.back ? 2 : 1;
    }
    (void) fputc('\n', out);
}

/* --- the run in one sentence ---------------------------------------------- */

struct way_losses {
    uint64_t sent_count, lost_count, untold_count;
    const struct finding *dead; /* the first way that is */
};

/* Beside other traffic the queues lose, not the link. */
static struct way_losses count_losses(const struct reduction *reduction,
                                      const struct rows *ways, bool is_loaded)
{
    struct way_losses losses = { 0 };

    for (size_t i = 0; i < ways->count; i++) {
        const struct finding *loss = rows_at(ways, i);

        if (wording_is_loaded(loss->condition) != is_loaded)
            continue;
        losses.untold_count += untold_count(reduction, ways, i);
        if (isnan(loss->value))
            continue;
        losses.sent_count += loss->samples_count;
        losses.lost_count += lost_count(loss);
        if (!losses.dead && is_dead(loss))
            losses.dead = loss;
    }
    return losses;
}

static void say_way_losses(const struct way_losses *losses, const char *where,
                           char *text, size_t size)
{
    if (losses->sent_count && !losses->lost_count)
        append(text, size, " %s%llu stamped packets%s arrived.",
               losses->untold_count ? "" : "All ",
               (unsigned long long) losses->sent_count, where);
    else if (losses->sent_count)
        append(text, size, " Of %llu stamped packets%s %llu %s lost.",
               (unsigned long long) losses->sent_count, where,
               (unsigned long long) losses->lost_count,
               losses->lost_count == 1 ? "was" : "were");
    say_untold(text, size, losses->untold_count);
    if (losses->dead)
        append(text, size,
               " From %s to %s on %s none of them arrived: that way is dead.",
               losses->dead->from, losses->dead->to, losses->dead->step);
}

void timing_say_losses(char *text, size_t size,
                       const struct reduction *reduction)
{
    struct rows ways = wording_table(reduction, "one_way_loss");
    const struct way_losses idle = count_losses(reduction, &ways, false);
    const struct way_losses loaded = count_losses(reduction, &ways, true);

    say_way_losses(&idle, "", text, size);
    say_way_losses(&loaded, " beside other traffic", text, size);
    rows_clear(&ways);
}
