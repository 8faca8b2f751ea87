/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_PREVIEW_PARTS_H
#define CONTROLLER_PLAN_PREVIEW_PARTS_H

#include "controller/plan/preview.h"

/*
 * What the files of the printed preview share.
 */
#define STEP_COLUMNS_MAX 4 /* with more steps: the slowest and the fastest */

/* Which steps get a column, or a line. */
struct step_columns {
    size_t steps[STEP_COLUMNS_MAX];
    size_t count;
};

void preview_choose_columns(const struct preview *preview,
                            struct step_columns *ret_columns);

/* "1 min 56 s": what is about needs no more figures. */
void preview_show_duration(uint64_t duration_ns, char *text, size_t size);

void preview_print_steps(FILE *out, const struct preview *preview);
void preview_print_sequence(FILE *out, const struct preview *preview);
/* Sites, airtime and duty. */
void preview_print_air(FILE *out, const struct preview *preview);

#endif
