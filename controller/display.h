/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_DISPLAY_H
#define CONTROLLER_DISPLAY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

/*
 * What the operator sees while a run goes on: a line for each thing that is
 * done, and on a terminal one live line below, which is written over.  Texts
 * may come from outside: control characters never reach the terminal.
 */
struct display {
    FILE *out;       /* borrowed */
    bool is_live;    /* a terminal: the live line is shown */
    bool has_colour; /* and NO_COLOR is not set */
    int width;       /* columns; 0: not known, lines are not cut */
    int step_columns, who_columns; /* wider than usual, if not 0 */
    bool line_is_up;               /* a live line stands there now */
};

void display_init(struct display *display, FILE *out);

/* Room for a step's name, or for who sends to whom, so that what stands behind
 * it is one column. */
void display_make_room(struct display *display, const char *step,
                       const char *who);

enum display_tone {
    TONE_PLAIN,
    TONE_GOOD,
    TONE_DOUBT,
    TONE_BAD
};

/* A line in columns: "breeze    ping        skerry > harbour    text". */
struct display_row {
    const char *step, *kind, *who;
};

void display_done(struct display *display, const struct display_row *row,
                  enum display_tone tone, const char *text);
/* Write the live line anew; nothing where there is no terminal. */
void display_live(struct display *display, const struct display_row *row,
                  const char *text);
void display_clear_live(struct display *display);
/* A line with one word in front: "contact   text". */
void display_say(struct display *display, const char *word,
                 enum display_tone tone, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* "0:20", "1:02:03" */
void display_time(uint64_t ns, char *ret_text, size_t size);

/* Printable and at most `columns` wide (0: no limit); cut with an ellipsis. */
void display_clean(const char *text, size_t columns, char *ret_text,
                   size_t size);

#endif
