/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/comparison.h"
#include "reports/quantiles.h"

#include <bothends/draw.h>
#include <bothends/looks.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/*
 * How often do the intervals hold the truth?  Records are drawn of which the
 * truth is known, by the rules that the reducer and the agents use; each cell
 * of the printed table is one kind of record.
 *   bench_coverage [RUNS]     5000 unless said
 * Below 5000 runs every limit is widened by 3 standard errors.
 */
#define LEVEL       0.95
#define FULL_RUNS   5000
#define VALUES_MOST 40000

struct cell {
    char name[64];
    uint64_t runs;
    uint64_t given; /* intervals; the others were "too few" */
    uint64_t held;  /* the truth */
    double exact;   /* computed, not drawn; NaN: not known */
    double least, most;
    bool counts_too_few; /* as held: the tool did not claim anything */
};

static uint64_t runs_wanted = FULL_RUNS;
static uint64_t cell_count, bad_count;
static double values[VALUES_MOST];

static double normal(struct draw *draw)
{
    const double size = sqrt(-2 * log1p(-draw_unit(draw)));

    return size * cos(2 * acos(-1) * draw_unit(draw));
}

static void report(const struct cell *cell)
{
    const double base =
        (double) (cell->counts_too_few ? cell->runs : cell->given);
    const double held =
        (double) (cell->held
                  + (cell->counts_too_few ? cell->runs - cell->given : 0));
    const double share = base > 0 ? held / base : 0;
    const double middle = isnan(cell->exact) ? LEVEL : cell->exact;
    const double error = sqrt(middle * (1 - middle) / fmax(base, 1));
    const double slack = cell->runs < FULL_RUNS ? 3 * error : 0;
    const bool is_good =
        isnan(cell->exact)
            ? share >= cell->least - slack && share <= cell->most + slack
            : fabs(share - cell->exact) <= 3 * error;
    char wanted[48];

    if (isnan(cell->exact))
        (void) snprintf(wanted, sizeof(wanted), "%.0f to %.0f %%",
                        100 * cell->least, 100 * cell->most);
    else
        (void) snprintf(wanted, sizeof(wanted), "%.2f ± %.2f %%",
                        100 * cell->exact, 300 * error);
    (void) printf("| %s | %.1f %% | %.2f %% | %s | %s |\n", cell->name,
                  100 * (double) cell->given / (double) cell->runs, 100 * share,
                  wanted, is_good ? "yes" : "NO");
    cell_count++;
    bad_count += !is_good;
}

/* --- means of records that hang together -----------------------------------
 */

/* Of neighbours that hang together by phi; the first tenth may be a ramp. */
static void draw_record(struct draw *draw, double phi, double sd, size_t count,
                        bool has_warm_up)
{
    double state = normal(draw) / sqrt(1 - phi * phi);
    const size_t ramp = has_warm_up ? count / 10 : 0;

    for (size_t i = 0; i < count; i++) {
        state = phi * state + normal(draw);
        values[i] = 10 + sd * state * sqrt(1 - phi * phi);
        if (i < ramp)
            values[i] *= ((double) i + 1) / (double) (ramp + 1);
    }
}

static void means(double phi, double times, bool has_warm_up)
{
    struct draw draw = { 1 };
    const bool is_short = times < 30;
    const double time = (1 + phi) / (1 - phi);
    const size_t count =
        (size_t) fmax(30, ceil(times * time) * (has_warm_up ? 10.0 / 9 : 1));
    struct cell cell = { .runs = runs_wanted,
                         .exact = (double) NAN,
                         .least = is_short ? 0.90 : 0.93,
                         .most = is_short ? 1 : 0.97,
                         .counts_too_few = is_short };

    (void) snprintf(cell.name, sizeof(cell.name),
                    "mean, r1 %.2f, %.0f correlation times%s", phi, times,
                    has_warm_up ? ", warm-up before" : "");
    for (uint64_t run = 0; run < cell.runs; run++) {
        draw_record(&draw, phi, 1, count, has_warm_up);
        const struct steady steady = steady_find(values, count);

        if (steady.lack != STEADY_ENOUGH)
            continue;
        cell.given++;
        cell.held += fabs(steady.batches.mean - 10)
                     <= steady_t(LEVEL, steady.degrees) * steady.error;
    }
    report(&cell);
}

/* --- looks on the way ------------------------------------------------------
 */

/* Cycles of 250 ms, at most two minutes. */
static void sequential_means(double phi, double sd)
{
    static const double cycle_ns = 250e6;
    static const size_t most = 480;
    struct draw draw = { 2 };
    uint64_t early = 0;
    struct cell cell = { .runs = runs_wanted,
                         .exact = (double) NAN,
                         .least = 0.92,
                         .most = 1,
                         .counts_too_few = false };

    for (uint64_t run = 0; run < cell.runs; run++) {
        struct looks looks = { .within_ratio = 0.05 };
        size_t count = STEADY_CYCLES_LEAST;
        bool is_within = false;

        draw_record(&draw, phi, sd * 10, most, false);
        for (; count <= most && !is_within; count++)
            is_within = looks_at_rates(&looks, values, count, cycle_ns,
                                       (double) (most - count) * cycle_ns);
        count--;
        early += is_within && count < most;
        const struct steady steady = steady_find(values, count);

        if (steady.lack != STEADY_ENOUGH)
            continue;
        const double level = looks.count ? looks.level_ratio : LEVEL;

        cell.given++;
        cell.held += fabs(steady.batches.mean - 10)
                     <= steady_t(level, steady.degrees) * steady.error;
    }
    (void) snprintf(cell.name, sizeof(cell.name),
                    "until 5 %%, r1 %.2f, sd %.0f %%: %.0f %% ended early", phi,
                    100 * sd, 100 * (double) early / (double) cell.runs);
    report(&cell);
}

/* Round trips of 50 ms and an exponential wait, one a second, some lost. */
static void sequential_median(double wait, double loss)
{
    static const size_t most = 240;
    struct draw draw = { 3 };
    const double median =
        loss < 0.5 ? 50 - wait * log(1 - 0.5 / (1 - loss)) : (double) INFINITY;
    double sorted[240];
    uint64_t early = 0;
    struct cell cell = {
        .runs = runs_wanted, .exact = (double) NAN, .least = 0.92, .most = 1
    };

    for (uint64_t run = 0; run < cell.runs; run++) {
        struct looks looks = { .within_ratio = 0.1 };
        size_t count = 0;
        bool is_within = false;

        while (count < most && !is_within) {
            values[count++] = draw_unit(&draw) < loss
                                  ? (double) INFINITY
                                  : 50 - wait * log1p(-draw_unit(&draw));
            (void) memcpy(sorted, values, count * sizeof(*sorted));
            quantile_sort(sorted, count);
            is_within =
                looks_at_median(&looks, sorted, count, (double) count * 1e9,
                                (double) (most - count) * 1e9);
        }
        early += count < most;
        const struct estimate estimate =
            quantile_estimate(sorted, count, 0.5, looks.level_ratio);

        cell.given++;
        cell.held += estimate.low <= median && median <= estimate.high;
    }
    (void) snprintf(cell.name, sizeof(cell.name),
                    "median until 10 %%, wait %.0f ms, loss %.0f %%: %.0f %% "
                    "ended early",
                    wait, 100 * loss,
                    100 * (double) early / (double) cell.runs);
    report(&cell);
}

/* --- discrete intervals ----------------------------------------------------
 */

static double binomial(uint64_t hits, uint64_t count, double share)
{
    return exp(lgamma((double) count + 1) - lgamma((double) hits + 1)
               - lgamma((double) (count - hits) + 1)
               + (double) hits * log(share)
               + (double) (count - hits) * log1p(-share));
}

static bool wilson_holds(uint64_t hits, uint64_t count, double share)
{
    const struct estimate wilson = statistics_wilson(hits, count, LEVEL);

    return wilson.low <= share && share <= wilson.high;
}

static void shares(uint64_t count, double share)
{
    struct draw draw = { 4 };
    struct cell cell = { .runs = runs_wanted, .given = runs_wanted };

    (void) snprintf(cell.name, sizeof(cell.name),
                    "share (Wilson), %.0f %% of %llu", 100 * share,
                    (unsigned long long) count);
    for (uint64_t hits = 0; hits <= count; hits++)
        cell.exact +=
            wilson_holds(hits, count, share) ? binomial(hits, count, share) : 0;
    for (uint64_t run = 0; run < cell.runs; run++) {
        uint64_t hits = 0;

        for (uint64_t i = 0; i < count; i++)
            hits += draw_unit(&draw) < share;
        cell.held += wilson_holds(hits, count, share);
    }
    report(&cell);
}

static void quantiles(size_t count, double share)
{
    struct draw draw = { 5 };
    const double truth = -log1p(-share);
    struct cell cell = { .runs = runs_wanted, .given = runs_wanted };
    const struct quantile_ranks ranks =
        quantile_interval_ranks(count, share, LEVEL);

    (void) snprintf(cell.name, sizeof(cell.name),
                    "p%.0f (order statistics) of %zu", 100 * share, count);
    /* The truth lies below so many values with a binomial's probability. */
    for (size_t below = ranks.low; below < ranks.high && below <= count;
         below++)
        cell.exact += binomial(below, count, share);
    for (uint64_t run = 0; run < cell.runs; run++) {
        for (size_t i = 0; i < count; i++)
            values[i] = -log1p(-draw_unit(&draw));
        quantile_sort(values, count);
        const struct estimate estimate =
            quantile_estimate(values, count, share, LEVEL);

        cell.held += !(estimate.low > truth) && !(estimate.high < truth);
    }
    report(&cell);
}

/* --- rounds ----------------------------------------------------------------
 */

/* Both halves of a round share what the channel does in it. */
static void rounds(size_t pairs, double spread)
{
    struct draw draw = { 6 };
    double after[64], before[64];
    struct cell gain = { .runs = runs_wanted,
                         .given = runs_wanted,
                         .exact = LEVEL };
    struct cell same = { .runs = runs_wanted,
                         .given = runs_wanted,
                         .exact = (double) NAN,
                         .least = 0.94,
                         .most = 1 };

    (void) snprintf(gain.name, sizeof(gain.name),
                    "gain over %zu rounds, spread %.0f %%", pairs,
                    100 * spread);
    (void) snprintf(same.name, sizeof(same.name),
                    "no false \"no change\", %zu rounds, spread %.0f %%", pairs,
                    100 * spread);
    for (uint64_t run = 0; run < gain.runs; run++) {
        for (size_t i = 0; i < pairs; i++) {
            const double round = exp(0.3 * normal(&draw));

            before[i] = round * exp(spread * normal(&draw) / sqrt(2));
            after[i] = 1.1 * round * exp(spread * normal(&draw) / sqrt(2));
        }
        /* The true gain is the margin: "no change" would be wrong. */
        const struct rounds_gain found =
            comparison_rounds(after, before, pairs, LEVEL, 0.1);

        gain.held += found.ratio.low <= 1.1 && 1.1 <= found.ratio.high;
        same.held +=
            found.change != CHANGE_NONE && found.change != CHANGE_SMALL;
    }
    report(&gain);
    report(&same);
}

int main(int count, char **arguments)
{
    static const double correlations[] = { 0, 0.3, 0.6, 0.9 };
    static const double lengths[] = { 30, 60, 120 };
    static const double slow[] = { 0.5, 0.8, 0.95 };
    static const double short_lengths[] = { 5, 10, 20 };
    static const double spreads[] = { 0.05, 0.15, 0.4 };
    static const uint64_t counts[] = { 12, 60, 400 };
    static const double hit_shares[] = { 0.01, 0.1, 0.5 };

    if (count > 1)
        runs_wanted = strtoull(arguments[1], NULL, 10);
    if (runs_wanted < 100) {
        (void) fprintf(stderr, "runs: found '%s', expected at least 100\n",
                       arguments[1]);
        return 2;
    }
    statistics_prepare();
    (void) printf("| record | interval given | truth held | wanted | so |\n"
                  "|---|---|---|---|---|\n");
    for (size_t i = 0; i < COUNT_OF(correlations); i++) {
        for (size_t k = 0; k < COUNT_OF(lengths); k++)
            means(correlations[i], lengths[k], false);
        means(correlations[i], 60, true);
    }
    for (size_t i = 0; i < COUNT_OF(slow); i++) {
        for (size_t k = 0; k < COUNT_OF(short_lengths); k++)
            means(slow[i], short_lengths[k], false);
    }
    for (size_t i = 0; i < 3; i++) {
        for (size_t k = 0; k < COUNT_OF(spreads); k++)
            sequential_means(correlations[i], spreads[k]);
    }
    sequential_median(5, 0);
    sequential_median(20, 0.1);
    sequential_median(60, 0.1);
    for (size_t i = 0; i < COUNT_OF(counts); i++) {
        for (size_t k = 0; k < COUNT_OF(hit_shares); k++)
            shares(counts[i], hit_shares[k]);
        quantiles(counts[i], 0.5);
        quantiles(counts[i], 0.9);
        quantiles(counts[i], 0.95);
    }
    rounds(5, 0.02);
    rounds(5, 0.1);
    rounds(10, 0.1);
    (void) printf("\n%llu runs a cell; %llu of %llu cells as wanted\n",
                  (unsigned long long) runs_wanted,
                  (unsigned long long) (cell_count - bad_count),
                  (unsigned long long) cell_count);
    return bad_count ? 1 : 0;
}
