/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef SUPPORT_REPORT_STRUCTURE_H
#define SUPPORT_REPORT_STRUCTURE_H

#include <stddef.h>

/* A whole file, ended by a NUL; aborts when there is none.  The caller frees.
 */
char *report_read(const char *folder, const char *name);

/*
 * The shape of a markdown text, without its figures: headings, the head and
 * the number of rows of each table, the charts.  A line each; the caller frees.
 */
char *report_structure(const char *markdown);

/*
 * What is broken in it, "" for nothing: HTML, links, code, pictures that are
 * not in the folder, tables whose rows have another number of cells than their
 * heads.  By a CommonMark parser, and by counting cells, which it does not
 * know.
 */
void report_objection(const char *markdown, const char *folder, char *ret_text,
                      size_t size);

#endif
