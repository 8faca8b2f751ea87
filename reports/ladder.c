/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/ladder.h"

#include "reports/append.h"

void ladder_sort(struct rung *rungs, size_t count)
{
    for (size_t i = 1; i < count; i++) {
        const struct rung moved = rungs[i];
        size_t place = i;

        for (; place > 0 && rungs[place - 1].landmark > moved.landmark; place--)
            rungs[place] = rungs[place - 1];
        rungs[place] = moved;
    }
}

/* "own-radio" for own radio. */
static bool is_named_after_landmark(const struct rung *rung)
{
    char name[NAME_SIZE];

    (void) snprintf(name, sizeof(name), "%s", rung->name);
    for (char *at = strpbrk(name, "-_"); at; at = strpbrk(at, "-_"))
        *at = ' ';
    return strcmp(name, landmarks[rung->landmark]) == 0;
}

/* "router (gate)" */
static void append_rung(char *text, size_t size, const struct rung *rung)
{
    append(text, size, "%s", landmarks[rung->landmark]);
    if (!is_named_after_landmark(rung))
        append(text, size, " (%s)", rung->name);
}

/* The last rung that answers is whole; what comes next is not. */
static void append_break(char *text, size_t size, const struct rung *whole,
                         const struct rung *broken, const char *from)
{
    const int below = whole ? whole->landmark : LANDMARK_NONE;

    if (below == LANDMARK_OWN_RADIO && broken->landmark == LANDMARK_FAR_RADIO) {
        append(text, size, "the break is on the air, between the two radios");
    } else if (below == LANDMARK_FAR_RADIO
               && broken->landmark == LANDMARK_ROUTER) {
        append(text, size, "the break is between the far radio and its LAN");
    } else if (whole) {
        append(text, size, "the break is between the %s and the %s",
               landmarks[below], landmarks[broken->landmark]);
    } else {
        append(text, size, "the break is between %s and the %s", from,
               landmarks[broken->landmark]);
    }
}

bool ladder_tell(const struct rung *rungs, size_t count, const char *from,
                 char *ret_text, size_t size)
{
    const struct rung *whole = NULL, *broken = NULL;
    bool has_hole = false; /* one that is silent, with life behind it */

    ret_text[0] = '\0';
    for (size_t i = 0; i < count; i++) {
        const struct rung *rung = &rungs[i];

        if (!rung->sent_count)
            continue;
        if (rung->answered_count) {
            whole = rung;
            has_hole = has_hole || broken;
            broken = NULL;
        } else if (!broken) {
            broken = rung;
        }
        const bool is_first = !ret_text[0];

        append(ret_text, size, "%s", is_first ? "" : ", ");
        append_rung(ret_text, size, rung);
        append(ret_text, size, "%s",
               rung->answered_count ? " answers"
               : is_first           ? " does not answer"
                                    : " does not");
    }
    if (!ret_text[0])
        return false;
    append(ret_text, size, ": ");
    if (broken)
        append_break(ret_text, size, whole, broken, from);
    else
        append(ret_text, size, "no break was seen from %s", from);
    if (has_hole)
        append(ret_text, size,
               " (what is silent with answers from behind it may not answer "
               "pings at all)");
    return broken != NULL;
}

bool ladder_tell_farthest(const struct rung *rungs, size_t count,
                          char *ret_text, size_t size)
{
    ret_text[0] = '\0';
    for (size_t i = count; i > 0; i--) {
        if (!rungs[i - 1].answered_count)
            continue;
        append_rung(ret_text, size, &rungs[i - 1]);
        return true;
    }
    return false;
}
