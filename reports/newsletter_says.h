/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_NEWSLETTER_SAYS_H
#define REPORTS_NEWSLETTER_SAYS_H

#include "reports/newsletter_facts.h"

/*
 * The paragraphs of the newsletter.  Each writes itself, or nothing where the
 * run gives no ground for it.
 */
struct newsletter_paragraph {
    void (*say)(const struct newsletter_facts *facts, FILE *out);
    /* 0: must be there; else the order in which those that may be are taken,
     * as long as there is room. */
    int rank;
    bool follows_table; /* the table stands before the first of these */
};

/* In the order in which they are read; ended by a row without say. */
extern const struct newsletter_paragraph newsletter_paragraphs[];

void newsletter_say_title(const struct newsletter_facts *facts, FILE *out);

#endif
