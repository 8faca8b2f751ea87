/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_WRITER_H
#define CONTROLLER_PLAN_WRITER_H

#include <bothends/plan.h>
#include <stdio.h>

/* Write a plan as YAML that reads back as an equal plan.  What is as preset is
 * left out.  Whether the writing went well, ferror(out) tells. */
void plan_write(FILE *out, const struct plan *plan);

#endif
