/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_OPERATOR_H
#define CONTROLLER_OPERATOR_H

#include "controller/conductor_state.h"

/* What the operator types, while the loop goes on running. */

/* One line without its end, cut when it is long; false when there is none any
 * more, or when the operator wants to end. */
bool operator_read_line(struct conductor *conductor, char *ret_line,
                        size_t size);

/*
 * What the radio at a site shows, typed as lines of name=value up to an empty
 * one, added to readings.  A line that is wrong is said and left out.
 */
void operator_ask_readings(struct conductor *conductor, int end,
                           enum reading_moment moment, struct rows *readings);

#endif
