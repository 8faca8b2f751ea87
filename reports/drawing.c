/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/drawing.h"

#include <cairo-svg.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SURFACES_MAX 32 /* in one chart; there is one */

static const double png_scale = 2;
static const double text_size = 13;

/* Luminances lie apart, so that a grey print still tells them. */
static const double inks[INK_COUNT][3] = {
    [INK_TEXT] = { 0.13, 0.13, 0.13 },   [INK_FAINT] = { 0.86, 0.86, 0.86 },
    [INK_BAND] = { 0.80, 0.84, 0.80 },   [INK_FIRST] = { 0.00, 0.27, 0.50 },
    [INK_SECOND] = { 0.90, 0.50, 0.05 }, [INK_THIRD] = { 0.25, 0.50, 0.40 },
    [INK_FOURTH] = { 0.60, 0.20, 0.50 },
};

/* The font library under cairo keeps its configuration until the program ends,
 * in a way that the leak sanitizer takes for a leak. */
#if defined(__SANITIZE_ADDRESS__)
#define HAS_LEAK_SANITIZER
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
#define HAS_LEAK_SANITIZER
#endif
#endif
#ifdef HAS_LEAK_SANITIZER
/* NOLINTBEGIN(bugprone-reserved-identifier): the sanitizer's name for it */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
    return "leak:libfontconfig\n";
}
const char *__lsan_default_options(void);
const char *__lsan_default_options(void)
{
    return "print_suppressions=0";
}
/* NOLINTEND(bugprone-reserved-identifier) */
#endif

static int draw_on(cairo_surface_t *surface, double scale, double width,
                   double height, drawing_fn *draw, const void *chart)
{
    cairo_t *page = cairo_create(surface);

    cairo_scale(page, scale, scale);
    cairo_set_source_rgb(page, 1, 1, 1);
    cairo_rectangle(page, 0, 0, width, height);
    cairo_fill(page);
    draw(page, chart);
    const cairo_status_t status = cairo_status(page);

    cairo_destroy(page);
    return status == CAIRO_STATUS_SUCCESS ? 0 : -EIO;
}

static cairo_status_t write_chunk(void *stream, const unsigned char *bytes,
                                  unsigned length)
{
    return fwrite(bytes, 1, length, stream) == length
               ? CAIRO_STATUS_SUCCESS
               : CAIRO_STATUS_WRITE_ERROR;
}

/* The number of that surface in this file, in the order they come up; new ones
 * are added while there is room. */
static size_t number_in_file(long number, long *numbers, size_t *count)
{
    for (size_t i = 0; i < *count; i++) {
        if (numbers[i] == number)
            return i + 1;
    }
    if (*count < SURFACES_MAX)
        numbers[(*count)++] = number;
    return *count;
}

/* cairo counts its surfaces over the whole process and uses the numbers as
 * names: counted anew in each file, the same chart has the same bytes. */
static void copy_with_own_numbers(const char *svg, FILE *out)
{
    static const char word[] = "surface";
    long numbers[SURFACES_MAX];
    size_t count = 0;

    for (const char *at = svg; *at;) {
        const char *found = strstr(at, word);
        char *end;

        if (!found) {
            (void) fputs(at, out);
            return;
        }
        found += sizeof(word) - 1;
        (void) fwrite(at, 1, (size_t) (found - at), out);
        const long number = strtol(found, &end, 10);

        if (end != found)
            (void) fprintf(out, "%zu", number_in_file(number, numbers, &count));
        at = end;
    }
}

static int draw_svg(FILE *stream, double width, double height, drawing_fn *draw,
                    const void *chart)
{
    cairo_surface_t *surface =
        cairo_svg_surface_create_for_stream(write_chunk, stream, width, height);
    int code = draw_on(surface, 1, width, height, draw, chart);

    cairo_surface_finish(surface);
    if (cairo_surface_status(surface) != CAIRO_STATUS_SUCCESS)
        code = -EIO;
    cairo_surface_destroy(surface);
    return code;
}

static int write_svg(const char *path, double width, double height,
                     drawing_fn *draw, const void *chart)
{
    char *svg = NULL;
    size_t size = 0;
    FILE *memory = open_memstream(&svg, &size);
    int code = memory ? draw_svg(memory, width, height, draw, chart) : -ENOMEM;

    if (memory && fclose(memory) != 0)
        code = -EIO;
    FILE *out = code ? NULL : fopen(path, "w");

    if (out) {
        errno = 0;
        copy_with_own_numbers(svg, out);
        const bool is_broken = ferror(out) != 0;

        code = fclose(out) != 0 || is_broken ? -(errno ? errno : EIO) : 0;
    } else if (!code) {
        code = -errno;
    }
    free(svg);
    return code;
}

static int write_png(const char *path, double width, double height,
                     drawing_fn *draw, const void *chart)
{
    cairo_surface_t *surface = cairo_image_surface_create(
        CAIRO_FORMAT_RGB24, (int) (width * png_scale),
        (int) (height * png_scale));
    int code = draw_on(surface, png_scale, width, height, draw, chart);

    errno = 0;
    if (cairo_surface_write_to_png(surface, path) != CAIRO_STATUS_SUCCESS)
        code = -(errno ? errno : EIO);
    cairo_surface_destroy(surface);
    return code;
}

int drawing_write(const char *path, double width, double height,
                  drawing_fn *draw, const void *chart, struct fault *fault)
{
    char file[4200];
    int code;

    (void) snprintf(file, sizeof(file), "%s.svg", path);
    code = write_svg(file, width, height, draw, chart);
    if (!code) {
        (void) snprintf(file, sizeof(file), "%s.png", path);
        code = write_png(file, width, height, draw, chart);
    }
    return code ? fault_set(fault, code, "cannot write the chart '%s': %s",
                            file, strerror(-code))
                : 0;
}

void drawing_ink(cairo_t *page, enum ink ink)
{
    cairo_set_source_rgb(page, inks[ink][0], inks[ink][1], inks[ink][2]);
}

/* Moves to where the text begins; the font is set. */
static void place_text(cairo_t *page, double x, double y, double size,
                       bool is_bold, enum anchor anchor, const char *text)
{
    cairo_text_extents_t extents;

    cairo_select_font_face(page, "sans-serif", CAIRO_FONT_SLANT_NORMAL,
                           is_bold ? CAIRO_FONT_WEIGHT_BOLD
                                   : CAIRO_FONT_WEIGHT_NORMAL);
    cairo_set_font_size(page, size);
    cairo_text_extents(page, text, &extents);
    if (anchor == ANCHOR_MIDDLE)
        x -= extents.x_advance / 2;
    else if (anchor == ANCHOR_RIGHT)
        x -= extents.x_advance;
    cairo_move_to(page, x, y);
}

void drawing_text(cairo_t *page, double x, double y, double size, bool is_bold,
                  enum anchor anchor, const char *text)
{
    place_text(page, x, y, size, is_bold, anchor, text);
    cairo_show_text(page, text);
}

double drawing_text_width(cairo_t *page, double size, bool is_bold,
                          const char *text)
{
    cairo_text_extents_t extents;

    place_text(page, 0, 0, size, is_bold, ANCHOR_LEFT, text);
    cairo_text_extents(page, text, &extents);
    return extents.x_advance;
}

/* By one character, and the dots behind it. */
static void shorten(char *text)
{
    static const char dots[] = "…";
    size_t length = strlen(text);

    if (length >= sizeof(dots) - 1
        && strcmp(text + length - (sizeof(dots) - 1), dots) == 0)
        length -= sizeof(dots) - 1;
    while (length && (text[--length] & 0xc0) == 0x80)
        ;
    (void) memcpy(text + length, dots, sizeof(dots));
}

void drawing_text_within(cairo_t *page, double x, double y, double size,
                         bool is_bold, enum anchor anchor, double width,
                         const char *text)
{
    static const double smaller_ratio = 0.98;
    const double least_size = 0.75 * size;
    char cut[1024];

    /* Step by step: hinted glyphs do not shrink as their size does. */
    while (size * smaller_ratio > least_size
           && drawing_text_width(page, size, is_bold, text) > width)
        size *= smaller_ratio;
    (void) snprintf(cut, sizeof(cut) - sizeof("…"), "%s", text);
    while (strcmp(cut, "…") != 0
           && drawing_text_width(page, size, is_bold, cut) > width + 0.5)
        shorten(cut);
    drawing_text(page, x, y, size, is_bold, anchor, cut);
}

void drawing_stripes(cairo_t *page, double x1, double y1, double x2, double y2,
                     double apart, double width)
{
    const double height = y2 - y1;
    const size_t count = (size_t) ((x2 - x1 + height) / apart) + 1;

    cairo_save(page);
    cairo_rectangle(page, x1, y1, x2 - x1, height);
    cairo_clip(page);
    cairo_set_line_width(page, width);
    cairo_new_path(page);
    for (size_t i = 0; i < count; i++) {
        const double x = x1 - height + apart * (double) i;

        cairo_move_to(page, x, y2);
        cairo_line_to(page, x + height, y1);
    }
    cairo_stroke(page);
    cairo_restore(page);
}

void drawing_label(cairo_t *page, double x, double y, enum ink ink,
                   enum anchor anchor, const char *text)
{
    place_text(page, x, y, text_size, false, anchor, text);
    cairo_text_path(page, text);
    cairo_set_source_rgb(page, 1, 1, 1);
    cairo_set_line_width(page, 4);
    cairo_set_line_join(page, CAIRO_LINE_JOIN_ROUND);
    cairo_stroke_preserve(page);
    drawing_ink(page, ink);
    cairo_fill(page);
}

void drawing_line(cairo_t *page, double x1, double y1, double x2, double y2,
                  double width)
{
    cairo_set_line_width(page, width);
    cairo_move_to(page, x1, y1);
    cairo_line_to(page, x2, y2);
    cairo_stroke(page);
}

void drawing_rectangle(cairo_t *page, double x1, double y1, double x2,
                       double y2)
{
    cairo_rectangle(page, x1, y1, x2 - x1, y2 - y1);
    cairo_fill(page);
}

static void polygon(cairo_t *page, double x, double y, double radius,
                    int corners, double turn)
{
    for (int i = 0; i < corners; i++) {
        const double angle = turn + 2 * M_PI * i / corners;

        cairo_line_to(page, x + radius * cos(angle), y + radius * sin(angle));
    }
    cairo_close_path(page);
    cairo_fill(page);
}

void drawing_mark(cairo_t *page, double x, double y, size_t series)
{
    switch (series % INK_SERIES) {
    case 0:
        cairo_new_path(page);
        cairo_arc(page, x, y, 5, 0, 2 * M_PI);
        cairo_fill(page);
        return;
    case 1:
        drawing_rectangle(page, x - 4.5, y - 4.5, x + 4.5, y + 4.5);
        return;
    case 2:
        polygon(page, x, y, 6.5, 4, 0);
        return;
    default:
        polygon(page, x, y, 6.5, 3, -M_PI / 2);
        return;
    }
}

/* --- plots ---------------------------------------------------------------- */

double plot_x(const struct plot *plot, double value)
{
    return plot->left
           + (value - plot->x.low) / (plot->x.high - plot->x.low)
                 * (plot->right - plot->left);
}

double plot_y(const struct plot *plot, double value)
{
    return plot->bottom
           - (value - plot->y.low) / (plot->y.high - plot->y.low)
                 * (plot->bottom - plot->top);
}

void plot_grid_x(cairo_t *page, const struct plot *plot)
{
    drawing_ink(page, INK_FAINT);
    for (size_t i = 0; i < plot->x.count; i++) {
        const double x = plot_x(plot, ticks_at(&plot->x, i));

        drawing_line(page, x, plot->top, x, plot->bottom, 1);
    }
    drawing_ink(page, INK_TEXT);
    drawing_line(page, plot->left, plot->bottom, plot->right, plot->bottom, 1);
}

void plot_axis_x(cairo_t *page, const struct plot *plot, const char *name)
{
    plot_grid_x(page, plot);
    for (size_t i = 0; i < plot->x.count; i++) {
        const double x = plot_x(plot, ticks_at(&plot->x, i));
        char number[32];

        (void) snprintf(number, sizeof(number), "%.*f", plot->x.decimals,
                        ticks_at(&plot->x, i));
        drawing_text(page, x, plot->bottom + 18, text_size, false,
                     ANCHOR_MIDDLE, number);
    }
    drawing_text(page, (plot->left + plot->right) / 2, plot->bottom + 38,
                 text_size, false, ANCHOR_MIDDLE, name);
}

/* The name stands above the axis, to be read without turning the head. */
void plot_axis_y(cairo_t *page, const struct plot *plot, const char *name)
{
    for (size_t i = 0; i < plot->y.count; i++) {
        const double y = plot_y(plot, ticks_at(&plot->y, i));
        char number[32];

        (void) snprintf(number, sizeof(number), "%.*f", plot->y.decimals,
                        ticks_at(&plot->y, i));
        drawing_ink(page, INK_FAINT);
        drawing_line(page, plot->left, y, plot->right, y, 1);
        drawing_ink(page, INK_TEXT);
        drawing_text(page, plot->left - 8, y + 4.5, text_size, false,
                     ANCHOR_RIGHT, number);
    }
    drawing_ink(page, INK_TEXT);
    drawing_text(page, plot->left - 44, plot->top - 14, text_size, false,
                 ANCHOR_LEFT, name);
}
