/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_USES_H
#define REPORTS_USES_H

#include <bothends/fields.h>

/*
 * What a link is good for, in plain words: how long the things take that
 * people do with it, held against published figures of what they put up with.
 * A pure function of the figures: expected ones (check) or measured ones (the
 * report, the newsletter).
 */
struct uses_figures {
    /* Content bytes hub > station and station > hub, one way at a time; NaN:
     * not known, then the other one stands for it. */
    struct range down_bps, up_bps;
    struct range rtt_ns;       /* of a small echo: mean or median; NaN */
    struct range confirmed_ns; /* of a small message; NaN: from the others */
    double loss_ratio;         /* of small packets; NaN: not known */
    double loss_least_ratio;   /* its interval's low end: so many are shown */
    bool is_half_duplex;       /* both ways share the air */
};

enum use_verdict {
    USE_UNKNOWN,
    USE_GOOD,       /* within the figure */
    USE_BORDERLINE, /* the range straddles it */
    USE_PATIENCE,   /* works, but takes longer than people like */
    USE_POOR        /* not for this */
};

enum use_task {
    USE_TEXT_MESSAGES,
    USE_EMAIL,
    USE_PICTURES,
    USE_WEB,
    USE_FILES,
    USE_TERMINAL,
    USE_VOICE,
    USE_COUNT
};

struct use {
    enum use_task task;
    enum use_verdict verdict;
    /* How long it takes; of a terminal and of voice the way there: in s. */
    struct range takes_s;
    char words[256];    /* "a picture of 100 kB takes 17 s: ..." */
    const char *source; /* of the figure that it was held against */
};

/* "text messages" */
const char *uses_name(enum use_task task);

void uses_judge(const struct uses_figures *figures,
                struct use ret_uses[USE_COUNT]);

/* "Good for text messages and e-mail, with patience for pictures and web
 * pages, not for voice calls."  "" when nothing is known. */
void uses_sentence(const struct use uses[USE_COUNT], char *ret_text,
                   size_t size);

#endif
