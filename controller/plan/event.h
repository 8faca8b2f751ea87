/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_EVENT_H
#define CONTROLLER_PLAN_EVENT_H

#include <bothends/fault.h>
#include <bothends/plan.h>

/*
 * One event of the practice link, whether it stands in a plan or comes as
 * words while the link runs: the same keys, the same rules, the same errors.
 */
struct event_mistake {
    const char *key; /* of plan_event_fields */
    char found[128];
    char expected[256];
};

/* Is it all there, and nothing else?  said tells which rows of
 * plan_event_fields were said.  The plan's link, steps and ends are known. */
bool event_is_right(const struct plan *plan, const struct plan_event *event,
                    const bool said[], struct event_mistake *ret_mistake);

/* Bad periods of that kind leave room for that much loss, or a mistake. */
bool event_loss_is_right(const struct plan_faults *loss,
                         struct event_mistake *ret_mistake);

/* "loss chance=10% from=skerry": what, then the keys of a plan's event but for
 * `at`.  It begins at_ns.  0 or UV_EINVAL; then *ret_event is left alone. */
int event_read(const struct plan *plan, const char *words, uint64_t at_ns,
               struct plan_event *ret_event, struct fault *fault);
/* The same words; ret_text holds EVENT_TEXT_SIZE. */
#define EVENT_TEXT_SIZE 512
void event_write(const struct plan_event *event, char *ret_text);

/* The row in plan_event_fields of a key of so many characters; one too far: it
 * is no key. */
size_t event_row(const char *key, size_t length);
/* Those that it takes beside at and what: "for, chance, end, from or to". */
void event_list_keys(int what, char *ret_text, size_t size);

/* "'skerry' perhaps; known ends: harbour or skerry": instead of a name that
 * no site has.  Landmarks are no sites. */
void event_expect_end(const struct plan *plan, const char *name, char *ret_text,
                      size_t size);
/* Index of the site of that name, or -1. */
int event_find_end(const struct plan *plan, const char *name);

#endif
