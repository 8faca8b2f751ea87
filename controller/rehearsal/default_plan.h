/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_DEFAULT_PLAN_H
#define REHEARSAL_DEFAULT_PLAN_H

/* The plan of a rehearsal for which none is named: YAML. */
extern const char default_plan_text[];
#define DEFAULT_PLAN_NAME "the built-in plan"

#endif
