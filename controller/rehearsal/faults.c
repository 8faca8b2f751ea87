/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/faults.h"

#include <assert.h>
#include <bothends/draw.h>
#include <bothends/practice.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum stream {
    STREAM_LOSS,
    STREAM_FADING,
    STREAM_DUPLICATES,
    STREAM_REORDERING,
    STREAM_CORRUPTION,
    STREAM_FIRST_COUNT,
    STREAM_IN_STATE = STREAM_FIRST_COUNT, /* is it lost in the chain's state? */
    STREAM_COUNT
};

/* Of a chain. */
enum chain_state {
    CHAIN_NEW, /* no frame yet: the first one finds it as often bad as any */
    CHAIN_GOOD,
    CHAIN_BAD
};

struct direction {
    struct faults_config config;
    enum chain_state chain;
    struct draw streams[STREAM_COUNT];
};

struct faults {
    size_t end_count;
    uint64_t began_ns;
    struct direction directions[]; /* from x end_count + to */
};

const struct faults_config faults_none = {
    .loss_burst = (double) NAN,
    .loss_within_ratio = 1,
    .fading_period_ns = UINT64_C(60000000000),
};

double faults_most_loss_ratio(const struct faults_config *config)
{
    return config->loss_burst >= 1
               ? loss_most_ratio(config->loss_burst, config->loss_within_ratio,
                                 config->loss_between_ratio)
               : 1;
}

static struct direction *direction_at(struct faults *faults, size_t from,
                                      size_t to)
{
    assert(from < faults->end_count && to < faults->end_count);
    return &faults->directions[from * faults->end_count + to];
}

struct faults *faults_new(size_t end_count, uint64_t seed, uint64_t began_ns,
                          const struct faults_config *all)
{
    const size_t direction_count = end_count * end_count;
    struct faults *faults =
        calloc(1, sizeof(*faults) + direction_count * sizeof(struct direction));
    /* Streams begin at states drawn from the seed: states that lie near each
     * other would give the same numbers, a few draws apart. */
    struct draw seeds = { seed };

    if (!faults) {
        (void) fputs("out of memory\n", stderr);
        abort();
    }
    faults->end_count = end_count;
    faults->began_ns = began_ns;
    for (size_t i = 0; i < direction_count; i++) {
        faults->directions[i].config = *all;
        for (size_t k = 0; k < STREAM_FIRST_COUNT; k++)
            faults->directions[i].streams[k].state = draw_next(&seeds);
    }
    /* What was added later has its seeds behind all others: a seed gives what
     * it has always given. */
    for (size_t i = 0; i < direction_count; i++)
        faults->directions[i].streams[STREAM_IN_STATE].state =
            draw_next(&seeds);
    return faults;
}

void faults_free(struct faults *faults)
{
    free(faults);
}

static bool is_same(double a, double b)
{
    return (isnan(a) && isnan(b)) || (a <= b && a >= b);
}

static bool is_same_loss(const struct faults_config *a,
                         const struct faults_config *b)
{
    return is_same(a->loss_ratio, b->loss_ratio)
           && is_same(a->loss_burst, b->loss_burst)
           && is_same(a->loss_within_ratio, b->loss_within_ratio)
           && is_same(a->loss_between_ratio, b->loss_between_ratio);
}

void faults_set(struct faults *faults, size_t from, size_t to,
                const struct faults_config *config)
{
    struct direction *direction = direction_at(faults, from, to);

    if (!is_same_loss(&direction->config, config))
        direction->chain = CHAIN_NEW;
    direction->config = *config;
}

const struct faults_config *faults_get(const struct faults *faults, size_t from,
                                       size_t to)
{
    assert(from < faults->end_count && to < faults->end_count);
    return &faults->directions[from * faults->end_count + to].config;
}

/* One draw, taken also when nothing can come of it. */
static bool happens(struct direction *direction, enum stream stream,
                    double ratio)
{
    return draw_unit(&direction->streams[stream]) < ratio;
}

static bool has_periods(const struct faults_config *config)
{
    return config->loss_burst >= 1;
}

static double chance_of_bad(const struct direction *direction)
{
    const struct faults_config *config = &direction->config;
    const double between = config->loss_between_ratio;
    const double burst = config->loss_burst;

    if (!has_periods(config))
        return config->loss_ratio;
    assert(config->loss_within_ratio > between);
    assert(config->loss_ratio >= between);
    assert(config->loss_ratio <= faults_most_loss_ratio(config));
    /* Shares that differ by their last bit leave rounding room above it. */
    const double bad = fmin((config->loss_ratio - between)
                                / (config->loss_within_ratio - between),
                            burst / (burst + 1));
    if (direction->chain == CHAIN_NEW)
        return bad;
    return direction->chain == CHAIN_BAD ? 1 - 1 / burst
                                         : bad / (burst * (1 - bad));
}

static bool is_lost_in_chain(struct direction *direction)
{
    const struct faults_config *config = &direction->config;
    const bool is_bad =
        happens(direction, STREAM_LOSS, chance_of_bad(direction));
    const bool is_lost_in_state = happens(direction, STREAM_IN_STATE,
                                          is_bad ? config->loss_within_ratio
                                                 : config->loss_between_ratio);

    direction->chain = is_bad ? CHAIN_BAD : CHAIN_GOOD;
    /* Without periods what is bad is the frame. */
    return has_periods(config) ? is_lost_in_state : is_bad;
}

static double fading_chance(const struct faults_config *config,
                            uint64_t since_ns)
{
    if (!config->fading_period_ns)
        return 0;
    const double turn = (double) (since_ns % config->fading_period_ns)
                        / (double) config->fading_period_ns;

    return config->fading_ratio * (1 - cos(2 * acos(-1.0) * turn)) / 2;
}

enum faults_frame faults_frame(struct faults *faults, size_t from, size_t to,
                               uint64_t over_ns)
{
    struct direction *direction = direction_at(faults, from, to);
    const bool is_lost = is_lost_in_chain(direction);
    const bool is_faded =
        happens(direction, STREAM_FADING,
                fading_chance(&direction->config, over_ns - faults->began_ns));

    if (direction->config.is_out)
        return FRAME_OUT;
    return is_lost || is_faded ? FRAME_LOST : FRAME_HEARD;
}

struct faults_packet faults_packet(struct faults *faults, size_t from,
                                   size_t to)
{
    struct direction *direction = direction_at(faults, from, to);
    const struct faults_config *config = &direction->config;
    const bool is_doubled =
        happens(direction, STREAM_DUPLICATES, config->duplicates_ratio);
    const bool is_held =
        happens(direction, STREAM_REORDERING, config->reordering_ratio);

    return (struct faults_packet){
        .copies_count = is_doubled ? 2 : 1,
        .is_corrupted =
            happens(direction, STREAM_CORRUPTION, config->corruption_ratio),
        .held_ns = is_held ? config->reordering_by_ns : 0,
    };
}
