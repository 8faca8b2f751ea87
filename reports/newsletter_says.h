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

/* newsletter_verdict.c: what came out, and why it is short. */
void newsletter_say_verdict(const struct newsletter_facts *facts, FILE *out);
void newsletter_say_cause(const struct newsletter_facts *facts, FILE *out);

/* newsletter_uses.c: what it is good for, alone and shared. */
void newsletter_say_uses(const struct newsletter_facts *facts, FILE *out);
void newsletter_say_shared(const struct newsletter_facts *facts, FILE *out);
void newsletter_say_photo(const struct newsletter_facts *facts, FILE *out);

/* newsletter_timing.c: which direction is the weaker one. */
void newsletter_say_each_way(const struct newsletter_facts *facts, FILE *out);

/* "*brisk*"; "from mill to quay"; a number as its interval allows. */
void newsletter_say_step(const char *step, FILE *out);
void newsletter_say_way(const struct finding *way, FILE *out);
void newsletter_say_number(double value, double low, double high, FILE *out);

void newsletter_say_title(const struct newsletter_facts *facts, FILE *out);

#endif
