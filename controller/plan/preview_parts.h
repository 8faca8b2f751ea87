/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_PREVIEW_PARTS_H
#define CONTROLLER_PLAN_PREVIEW_PARTS_H

#include "controller/plan/preview.h"

/*
 * What the files of the printed preview share.
 */
/* Room for the exchanges' rates on all steps; and those of one step. */
double *preview_rates_new(const struct plan *plan);
void preview_expect_exchanges(struct preview *preview, size_t step);
/* The latest end of a group, if everything goes as badly as it may. */
uint64_t preview_group_limit_ns(const struct plan *plan, size_t group);

/* Which steps get a column, or a line. */
struct step_columns {
    size_t steps[PLAN_STEPS_MAX];
    size_t count;
};

/* All of them if there are no more than that, else the slowest and the fastest.
 * preview_columns_most(): so many columns of that width stand beside others on
 * a line; two at the least. */
void preview_choose_columns(const struct preview *preview, size_t most,
                            struct step_columns *ret_columns);
size_t preview_columns_most(int left_width, int column_width);

/* Each reason once, with the steps that it holds for; "": none.  before stands
 * in front of each. */
void preview_print_reasons(
    FILE *out, const struct preview *preview, const char *before,
    const char *(*reason_of)(const struct preview *preview, size_t step));

/* Is what the step carries said so loosely that nothing follows from it? */
bool preview_is_vague(const struct preview *preview, size_t step);

/* The unit that all rates are printed in, and one of them. */
const char *preview_rate_unit(const struct preview *preview);
void preview_print_rate(FILE *out, const struct preview *preview, double bps,
                        int width);

/* "1 min 56 s": what is about needs no more figures. */
void preview_show_duration(uint64_t duration_ns, char *text, size_t size);

void preview_print_steps(FILE *out, const struct preview *preview);
void preview_print_layers(FILE *out, const struct preview *preview, int width);
void preview_print_sequence(FILE *out, const struct preview *preview);
/* Sites, airtime and duty. */
void preview_print_air(FILE *out, const struct preview *preview);

#endif
