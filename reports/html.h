/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_HTML_H
#define REPORTS_HTML_H

#include <bothends/fault.h>

/*
 * report.html beside a folder's report.md: the same text as one file for
 * handing around, its charts within it, readable on a telephone and in print.
 * Nothing in it is fetched from anywhere.
 */
int html_write(const char *folder, const char *title, struct fault *fault);

#endif
