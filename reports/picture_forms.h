/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_PICTURE_FORMS_H
#define REPORTS_PICTURE_FORMS_H

#include "reports/drawing.h"

/* The forms of the air's picture.  They differ as well as their hues, so that
 * it can be read in grey. */
struct box {
    double left, top, right, bottom;
};

typedef void form_fn(cairo_t *page, const struct box *box);

form_fn form_sent;     /* full */
form_fn form_hollow;   /* white, with a thin rim: a turn with nothing to send */
form_fn form_round;    /* grey: such turns of all, in a row */
form_fn form_collided; /* striped */
form_fn form_others;   /* grey, striped: other users of the channel */
form_fn form_queue;    /* as a queue looks: it grows, and is emptied */

/* A text in the box, of that size at most, if it has room there. */
void form_text(cairo_t *page, const struct box *box, double most_size,
               const char *text);

#endif
