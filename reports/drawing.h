/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_DRAWING_H
#define REPORTS_DRAWING_H

#include "reports/ticks.h"

#include <bothends/fault.h>
#include <cairo.h>
#include <stdbool.h>

/*
 * What every chart is drawn with: a page of that size, dark on white, once as
 * SVG and once as PNG.  Two hues that colour-blind readers tell apart and that
 * differ in grey; marks differ in form as well.
 */
enum ink {
    INK_TEXT,
    INK_FAINT,  /* grid */
    INK_BAND,   /* what was expected */
    INK_FIRST,  /* dark blue */
    INK_SECOND, /* orange */
    INK_THIRD,  /* grey-green */
    INK_FOURTH, /* magenta */
    INK_COUNT
};
#define INK_SERIES (INK_COUNT - INK_FIRST)

enum anchor {
    ANCHOR_LEFT,
    ANCHOR_MIDDLE,
    ANCHOR_RIGHT
};

typedef void drawing_fn(cairo_t *page, const void *chart);

/* Writes path.svg and path.png. */
int drawing_write(const char *path, double width, double height,
                  drawing_fn *draw, const void *chart, struct fault *fault);

void drawing_ink(cairo_t *page, enum ink ink);
void drawing_text(cairo_t *page, double x, double y, double size, bool is_bold,
                  enum anchor anchor, const char *text);
/* The same in less room: smaller if need be, and cut off if that is not enough.
 */
void drawing_text_within(cairo_t *page, double x, double y, double size,
                         bool is_bold, enum anchor anchor, double width,
                         const char *text);
double drawing_text_width(cairo_t *page, double size, bool is_bold,
                          const char *text);
/* Slanting lines in that rectangle, so far apart, in the ink that is set. */
void drawing_stripes(cairo_t *page, double x1, double y1, double x2, double y2,
                     double apart, double width);
/* A text with a white rim, to be read over lines. */
void drawing_label(cairo_t *page, double x, double y, enum ink ink,
                   enum anchor anchor, const char *text);
void drawing_line(cairo_t *page, double x1, double y1, double x2, double y2,
                  double width);
void drawing_rectangle(cairo_t *page, double x1, double y1, double x2,
                       double y2);
/* Marks of series number n: disc, square, diamond, triangle. */
void drawing_mark(cairo_t *page, double x, double y, size_t series);

/* A plot: values to places on the page, with its two axes. */
struct plot {
    double left, right, top, bottom;
    struct ticks x, y;
};
double plot_x(const struct plot *plot, double value);
double plot_y(const struct plot *plot, double value);
/* The lines of the x axis alone. */
void plot_grid_x(cairo_t *page, const struct plot *plot);
void plot_axis_x(cairo_t *page, const struct plot *plot, const char *name);
void plot_axis_y(cairo_t *page, const struct plot *plot, const char *name);

#endif
