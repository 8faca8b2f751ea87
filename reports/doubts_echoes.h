/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_DOUBTS_ECHOES_H
#define REPORTS_DOUBTS_ECHOES_H

#include "reports/reduction.h"

/*
 * What the times and the losses of idle pings say of the link by themselves:
 * packets that overtake each other, losses in one gap; and where no download
 * ran beside them, which would show it better, that they take too long.
 */
void doubts_add_echoes(struct reduction *reduction);

#endif
