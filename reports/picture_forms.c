/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/picture_forms.h"

#include <math.h>

static const double least_text_size = 8;

static void form_fill(cairo_t *page, const struct box *box)
{
    drawing_rectangle(page, box->left, box->top, box->right, box->bottom);
}

void form_hollow(cairo_t *page, const struct box *box)
{
    cairo_set_source_rgb(page, 1, 1, 1);
    form_fill(page, box);
    drawing_ink(page, INK_TEXT);
    cairo_set_line_width(page, 0.8);
    cairo_rectangle(page, box->left, box->top, box->right - box->left,
                    box->bottom - box->top);
    cairo_stroke(page);
}

static void draw_stripes(cairo_t *page, const struct box *box, double apart,
                         double width)
{
    drawing_stripes(page, box->left, box->top, box->right, box->bottom, apart,
                    width);
}

void form_collided(cairo_t *page, const struct box *box)
{
    drawing_ink(page, INK_SECOND);
    form_fill(page, box);
    cairo_set_source_rgb(page, 1, 1, 1);
    draw_stripes(page, box, 6, 2);
}

void form_others(cairo_t *page, const struct box *box)
{
    drawing_ink(page, INK_BAND);
    form_fill(page, box);
    drawing_ink(page, INK_TEXT);
    draw_stripes(page, box, 9, 0.6);
}

void form_sent(cairo_t *page, const struct box *box)
{
    drawing_ink(page, INK_FIRST);
    form_fill(page, box);
}

void form_round(cairo_t *page, const struct box *box)
{
    drawing_ink(page, INK_FAINT);
    form_fill(page, box);
}

void form_queue(cairo_t *page, const struct box *box)
{
    drawing_ink(page, INK_THIRD);
    cairo_move_to(page, box->left, box->bottom);
    cairo_line_to(page, box->left + 8, box->top + 6);
    cairo_line_to(page, box->left + 16, box->top);
    cairo_line_to(page, box->left + 16, box->top + 7);
    cairo_line_to(page, box->right, box->bottom);
    cairo_close_path(page);
    cairo_fill(page);
}

void form_text(cairo_t *page, const struct box *box, double most_size,
               const char *text)
{
    const double size = fmin(most_size, (box->bottom - box->top) - 1);

    if (size < least_text_size
        || drawing_text_width(page, size, false, text) + 4
               > box->right - box->left)
        return;
    drawing_text(page, (box->left + box->right) / 2,
                 (box->top + box->bottom) / 2 + size * 0.36, size, false,
                 ANCHOR_MIDDLE, text);
}
