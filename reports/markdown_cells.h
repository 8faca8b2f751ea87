/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_MARKDOWN_CELLS_H
#define REPORTS_MARKDOWN_CELLS_H

#include "reports/wording.h"

#include <stdio.h>

/* Cells that many tables have. */

/* That measure of what the finding is about; NULL: none. */
const struct finding *markdown_like(const struct reduction *reduction,
                                    const struct finding *finding,
                                    const char *measure);

/* "| step | quay → mill"; the cell is left open. */
void markdown_cell_way(const struct finding *finding, FILE *out);
/* The same, and how it was seen and what ran beside it. */
void markdown_cell_names(const struct reduction *reduction,
                         const struct finding *finding, FILE *out);
/* " | beside", in words, escaped. */
void markdown_cell_condition(const char *condition, FILE *out);
/* " | 49.1 (48.6–49.6)"; "–" where there is no such finding. */
void markdown_cell_figure(const struct finding *finding, double unit,
                          int most_decimals, FILE *out);

#endif
