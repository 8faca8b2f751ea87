/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_STARTER_H
#define CONTROLLER_PLAN_STARTER_H

#include <stdio.h>

/* Print a starter plan: an invented example that passes 'check', every key
 * explained by its row's help. */
void starter_print(FILE *out);

#endif
