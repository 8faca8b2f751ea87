/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_PLAN_READING_H
#define CONTROLLER_PLAN_READING_H

#include "controller/plan/walk.h"

/*
 * One plan being read: what the files reader.c (sections), sequence.c
 * (exchanges), practice.c (the practice link) and rules.c (what contradicts
 * what) hand to each other.
 */
struct reading {
    struct walk walk;
    struct plan *plan;
    const yaml_node_t *root;
    /* Where each part stands, and whether it was read without a mistake:
     * contradictions are looked for only among what was understood. */
    const yaml_node_t *link; /* NULL: not said */
    bool is_link_sound;
    const yaml_node_t *steps[PLAN_STEPS_MAX];
    bool is_step_sound[PLAN_STEPS_MAX];
    bool step_said[PLAN_STEPS_MAX][FIELDS_MAX];
    const yaml_node_t *ends[PLAN_ENDS_MAX];
    bool is_end_sound[PLAN_ENDS_MAX];
    struct rows exchanges; /* of struct plan_exchange */
    struct rows groups;    /* of struct plan_group */
};

/* Index of the end of that name, or -1. */
int reading_find_end(const struct plan *plan, const char *name);
/* "harbour or skerry" */
void reading_list_ends(const struct plan *plan, char *ret_text, size_t size);

/* The value of "a.b" or "a", or the mapping where it is not said. */
const yaml_node_t *reading_place(struct reading *reading,
                                 const yaml_node_t *mapping, const char *key);

/* After the steps and ends are known. */
void reading_sequence(struct reading *reading);
void reading_practice(struct reading *reading);
/* After all else. */
void reading_check_rules(struct reading *reading);
void reading_check_radio(struct reading *reading);

#endif
