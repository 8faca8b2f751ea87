/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/contact_inside.h"

#include <reports/ladder.h>
#include <stdio.h>

/* From our own end, which can be asked also when nothing crosses the air. */
static int climb(struct conductor *conductor, int landmark_end,
                 const json_t *known_ways, struct rung *ret_rung)
{
    const struct plan *plan = conductor->plan;
    const struct plan_end *end = &plan->ends[landmark_end];
    const json_t *known = contact_find_way(known_ways, end->name);
    struct fault ignored = { 0 };
    struct contact_way way = { 0 };
    json_t *body = NULL;
    int code = 0;

    if (!known) {
        const struct way_partner to = contact_partner(conductor, landmark_end);

        code = contact_ask_way(conductor, plan->controller_end, &to, &body,
                               &ignored);
    }
    if (!code)
        code = contact_read_way(known ? known : body, &way, &ignored);
    json_decref(body);
    *ret_rung = (struct rung){ .landmark = end->landmark,
                               .sent_count = way.echo_count,
                               .answered_count = way.answered_count };
    (void) snprintf(ret_rung->name, sizeof(ret_rung->name), "%s", end->name);
    return code;
}

void contact_show_ladder(struct conductor *conductor, const json_t *known_ways,
                         bool asks_more)
{
    const struct plan *plan = conductor->plan;
    struct rung rungs[PLAN_ENDS_MAX];
    struct fault ignored = { 0 };
    char text[400];
    size_t count = 0;

    for (size_t i = 0; i < plan->end_count; i++) {
        if (plan->ends[i].landmark == LANDMARK_NONE
            || (int) i == plan->controller_end
            || (!asks_more
                && !contact_find_way(known_ways, plan->ends[i].name)))
            continue;
        const int code = climb(conductor, (int) i, known_ways, &rungs[count]);
        if (code == UV_ECANCELED)
            return;
        /* Without a route nothing is sent, and that is no answer either. */
        if (code)
            rungs[count].sent_count = 1;
        count++;
    }
    ladder_sort(rungs, count);
    if (ladder_tell(rungs, count, plan->ends[plan->controller_end].name, text,
                    sizeof(text)))
        (void) conductor_note(conductor, "ladder", &ignored, "%s", text);
}
