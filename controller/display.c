/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/display.h"

#include <bothends/characters.h>
#include <bothends/units.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <uv.h>

#define LINE_SIZE     1024
#define USUAL_COLUMNS 80

/* Of a line's parts, two blanks behind each included. */
#define STEP_COLUMNS 9 /* "contact" */
#define KIND_COLUMNS 10
#define WHO_COLUMNS  16
#define COLUMN_MOST  32 /* longer names push theirs to the right */

/* A line erased: to its begin, and delete to its end (ECMA-48, EL). */
static const char erase_line[] = "\r\033[K";

static const char *const tone_starts[] = {
    [TONE_PLAIN] = "",
    [TONE_GOOD] = "\033[32m",
    [TONE_DOUBT] = "\033[33m",
    [TONE_BAD] = "\033[31m",
};
static const char tone_end[] = "\033[0m";

static int columns_of_terminal(int descriptor)
{
    uv_loop_t loop;
    uv_tty_t tty;
    int width = 0, height = 0;

    if (uv_loop_init(&loop) != 0)
        return 0;
    if (uv_tty_init(&loop, &tty, descriptor, 0) == 0) {
        if (uv_tty_get_winsize(&tty, &width, &height) != 0)
            width = 0;
        uv_close((uv_handle_t *) &tty, NULL);
    }
    (void) uv_run(&loop, UV_RUN_DEFAULT);
    (void) uv_loop_close(&loop);
    return width;
}

void display_init(struct display *display, FILE *out)
{
    const int descriptor = fileno(out);
    const char *no_colour = getenv("NO_COLOR");
    const char *terminal = getenv("TERM");
    const bool is_dumb = terminal && strcmp(terminal, "dumb") == 0;

    *display = (struct display){ .out = out };
    if (uv_guess_handle(descriptor) != UV_TTY || is_dumb)
        return;
    display->is_live = true;
    display->has_colour = !no_colour || !no_colour[0];
    display->width = columns_of_terminal(descriptor);
    if (display->width <= 0)
        display->width = USUAL_COLUMNS; /* it does not say */
}

/* --- clean text --------------------------------------------------------- */

void display_clean(const char *text, size_t columns, char *ret_text,
                   size_t size)
{
    static const char ellipsis[] = "…";
    size_t used = 0, shown = 0, cut_at = 0;

    /* cut_at: where the ellipsis goes, if what follows turns out too wide. */
    while (*text && used + sizeof(ellipsis) + 4 < size) {
        size_t length;
        const bool is_clean = character_is_clean(character_at(text, &length));

        if (columns && shown + 1 == columns)
            cut_at = used;
        if (columns && shown == columns) {
            memcpy(ret_text + cut_at, ellipsis, sizeof(ellipsis));
            return;
        }
        memcpy(ret_text + used, is_clean ? text : "?", is_clean ? length : 1);
        used += is_clean ? length : 1;
        text += length;
        shown++;
    }
    ret_text[used] = '\0';
}

/* --- lines -------------------------------------------------------------- */

/* Columns that a clean text takes: its characters. */
static int columns_of(const char *text)
{
    int columns = 0;

    for (; *text; text++)
        columns += ((unsigned char) *text & 0xc0) != 0x80;
    return columns;
}

/* The text in a column so wide, and at least two blanks after it. */
static void add_column(char *line, size_t size, const char *text, int width)
{
    const size_t used = strlen(line);
    char clean[256];

    display_clean(text, 0, clean, sizeof(clean));
    const int rest = width - columns_of(clean);
    (void) snprintf(line + used, size - used, "%s%*s", clean,
                    rest > 2 ? rest : 2, "");
}

static int wider(int one, int other)
{
    return one > other ? one : other;
}

static void make_row(const struct display *display,
                     const struct display_row *row, char *line, size_t size)
{
    line[0] = '\0';
    add_column(line, size, row->step,
               wider(display->step_columns, STEP_COLUMNS));
    if (row->kind)
        add_column(line, size, row->kind, KIND_COLUMNS);
    if (row->who)
        add_column(line, size, row->who,
                   wider(display->who_columns, WHO_COLUMNS));
}

static void widen(int *columns, const char *text)
{
    const int wanted = columns_of(text) + 2;

    *columns = wider(*columns, wanted < COLUMN_MOST ? wanted : COLUMN_MOST);
}

void display_make_room(struct display *display, const char *step,
                       const char *who)
{
    widen(&display->step_columns, step);
    widen(&display->who_columns, who);
}

static void erase_live(struct display *display)
{
    if (display->line_is_up)
        (void) fputs(erase_line, display->out);
    display->line_is_up = false;
}

/* Breaks a clean text at blanks so that it fits the terminal behind an indent
 * of so many columns; the lines that follow get the same indent. */
static void print_folded(struct display *display, const char *text, int indent)
{
    int column = indent;

    while (*text) {
        const int blanks = (int) strspn(text, " ");
        const int bytes = (int) strcspn(text + blanks, " ");
        char word[LINE_SIZE];

        (void) snprintf(word, sizeof(word), "%.*s", bytes, text + blanks);
        const int columns = columns_of(word);
        if (column > indent && column + blanks + columns > display->width - 1) {
            (void) fprintf(display->out, "\n%*s%s", indent, "", word);
            column = indent + columns;
        } else {
            (void) fprintf(display->out, "%*s%s", blanks, "", word);
            column += blanks + columns;
        }
        text += blanks + bytes;
    }
}

static void print_line(struct display *display, const char *head,
                       enum display_tone tone, const char *text)
{
    const bool has_tone = display->has_colour && tone != TONE_PLAIN;
    char clean[LINE_SIZE];

    display_clean(text, 0, clean, sizeof(clean));
    erase_live(display);
    const int indent = 1 + columns_of(head);
    (void) fprintf(display->out, " %s%s", head,
                   has_tone ? tone_starts[tone] : "");
    if (display->is_live && indent < display->width / 2)
        print_folded(display, clean, indent);
    else
        (void) fputs(clean, display->out);
    (void) fprintf(display->out, "%s\n", has_tone ? tone_end : "");
    (void) fflush(display->out);
}

void display_done(struct display *display, const struct display_row *row,
                  enum display_tone tone, const char *text)
{
    char head[LINE_SIZE];

    make_row(display, row, head, sizeof(head));
    print_line(display, head, tone, text);
}

void display_live(struct display *display, const struct display_row *row,
                  const char *text)
{
    char head[LINE_SIZE], line[2 * LINE_SIZE], clean[2 * LINE_SIZE];

    if (!display->is_live)
        return;
    make_row(display, row, head, sizeof(head));
    (void) snprintf(line, sizeof(line), " %s%s", head, text);
    /* It must not wrap, for then only its last part could be written over;
     * the last column stays free, where some terminals wrap early. */
    display_clean(line, display->width > 1 ? (size_t) display->width - 1 : 0,
                  clean, sizeof(clean));
    erase_live(display);
    (void) fputs(clean, display->out);
    (void) fflush(display->out);
    display->line_is_up = true;
}

void display_clear_live(struct display *display)
{
    erase_live(display);
    (void) fflush(display->out);
}

void display_say(struct display *display, const char *word,
                 enum display_tone tone, const char *format, ...)
{
    const struct display_row row = { .step = word };
    char head[LINE_SIZE], text[LINE_SIZE];
    va_list arguments;

    make_row(display, &row, head, sizeof(head));
    va_start(arguments, format);
    /* It is initialized, whatever clang-tidy 14 says.
     * NOLINTNEXTLINE(clang-analyzer-valist.Uninitialized) */
    (void) vsnprintf(text, sizeof(text), format, arguments);
    va_end(arguments);
    print_line(display, head, tone, text);
}

void display_time(uint64_t ns, char *ret_text, size_t size)
{
    const unsigned long long s = (ns + NS_PER_S / 2) / NS_PER_S;

    if (s >= 3600)
        (void) snprintf(ret_text, size, "%llu:%02llu:%02llu", s / 3600,
                        s / 60 % 60, s % 60);
    else
        (void) snprintf(ret_text, size, "%llu:%02llu", s / 60, s % 60);
}
