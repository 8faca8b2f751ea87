/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/ready_plans.h"

#include <stdio.h>
#include <string.h>

const struct ready_plan *ready_plan_find(const char *name)
{
    for (size_t i = 0; i < ready_plan_count; i++) {
        if (strcmp(ready_plans[i].name, name) == 0)
            return &ready_plans[i];
    }
    return NULL;
}

void ready_plan_lesson(const struct ready_plan *plan,
                       char ret_text[READY_LESSON_SIZE])
{
    size_t used = 0;

    ret_text[0] = '\0';
    for (const char *line = plan->text; line[0] == '#' && line[1] == ' ';) {
        const char *text = line + 2;
        const int length = (int) strcspn(text, "\n");

        if (used < READY_LESSON_SIZE)
            used += (size_t) snprintf(ret_text + used, READY_LESSON_SIZE - used,
                                      "%s%.*s", used ? " " : "", length, text);
        line = text + length + (text[length] == '\n');
    }
}
