/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WIRE_READINGS_H
#define WIRE_READINGS_H

#include <bothends/exchange.h>
#include <bothends/fault.h>

/*
 * What a radio tells, as lines of name=value: from the owner's command at the
 * agent, or typed by the operator at the controller.
 *
 *     signal_dbm=-87
 *     registered=skerry, holm
 *
 * A name is 1 to 24 of a-z 0-9 _; a value is what follows the '=', blanks
 * around it taken off, up to 48 bytes of printable UTF-8.  Empty lines are
 * passed over; anything else is a mistake.
 */

/* One line, which need not end; UV_EINVAL, and the fault says what was found.
 */
int readings_parse_line(const char *line, size_t line_bytes,
                        struct radio_reading *ret_reading, struct fault *fault);

/* All lines, added to rows with that moment and source; a name that comes
 * twice is a mistake.  On failure the rows are as they were. */
int readings_parse(const char *text, size_t text_bytes,
                   enum reading_moment moment, enum reading_source source,
                   struct rows *readings, struct fault *fault);

#endif
