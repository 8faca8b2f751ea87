/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_CSV_H
#define REPORTS_CSV_H

#include <stdio.h>

/* RFC 4180: lines end with CRLF; a text is quoted where it must be, and its
 * control characters are blanks.  What a spreadsheet would take for a formula
 * gets an apostrophe in front. */
void csv_text(FILE *out, const char *text);
#define CSV_LINE_END "\r\n"

/* Significant digits: enough for any figure measured in nanoseconds or bits. */
#define CSV_DIGITS 12

#endif
