/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/salvage.h"

#include "agent/wire/messages.h"

#include <stdlib.h>
#include <string.h>

/* A group that an end may still keep. */
struct lost_group {
    uint64_t position, attempt;
};

static void remember(struct rows *lost, const struct lost_group *group)
{
    for (size_t i = 0; i < lost->count; i++) {
        const struct lost_group *known = rows_at(lost, i);

        if (known->position == group->position
            && known->attempt == group->attempt)
            return;
    }
    *(struct lost_group *) rows_add(lost) = *group;
}

/* An account of an exchange that the logbook has, but without it. */
static int bring_in(struct conductor *conductor, int end, const char *id,
                    struct fault *fault)
{
    struct exchange_account account = { 0 };
    struct ends_answer answer = { 0 };
    struct ends_clock clock = { 0 };
    char target[64];

    (void) snprintf(target, sizeof(target), "/exchanges/%s", id);
    const struct ends_question question = {
        .method = "GET",
        .target = target,
        .timeout_ms = conductor_timeout_ms(conductor, 200000),
    };
    int code = ends_ask(conductor->ends, end, &question, &answer, fault);
    if (code)
        return code;
    if (answer.status == 200) {
        code = account_decode(answer.body, &account, fault);
        (void) ends_clock(conductor->ends, end, &clock);
        const struct logbook_account row = {
            .end = conductor->plan->ends[end].name,
            .start_ns = account.begun_ns,
            .start_uncertainty_ns = clock.uncertainty_ns,
            .offset_ns = clock.offset_ns,
            .account = &account,
        };
        if (!code)
            code =
                logbook_add_account(conductor->wish->logbook, id, &row, fault);
        if (!code) {
            ends_acknowledge(conductor->ends, end, id);
            display_say(conductor->display, "fetched", TONE_PLAIN,
                        "the account of %s that was missing (%s)", row.end, id);
        }
        account_clear(&account);
    }
    ends_answer_clear(&answer);
    return code;
}

static int look_at(struct conductor *conductor, int end, const char *id,
                   struct rows *lost, struct fault *fault)
{
    enum logbook_presence presence;
    struct lost_group group;
    struct order_id read;

    if (!id || !orders_read_id(id, conductor->site.tag, &read))
        return 0;
    group = (struct lost_group){ read.position, read.attempt };
    const int code = logbook_look_for_account(conductor->wish->logbook, id,
                                              conductor->plan->ends[end].name,
                                              &presence, fault);
    if (code)
        return code;
    switch (presence) {
    case LOGBOOK_THERE:
        ends_acknowledge(conductor->ends, end, id);
        return 0;
    case LOGBOOK_NO_ACCOUNT:
        return bring_in(conductor, end, id, fault);
    case LOGBOOK_UNKNOWN:
        remember(lost, &group);
        return 0;
    }
    return 0;
}

static int look_through(struct conductor *conductor, int end, struct rows *lost,
                        struct fault *fault)
{
    const struct ends_question question = {
        .method = "GET",
        .target = "/exchanges",
        .timeout_ms = conductor_timeout_ms(conductor, 2000),
    };
    struct ends_answer answer = { 0 };
    const json_t *id;
    size_t i;
    int code = ends_ask(conductor->ends, end, &question, &answer, fault);

    if (code)
        return code;
    json_array_foreach(json_object_get(answer.body, "ids"), i, id)
    {
        if (!code)
            code = look_at(conductor, end, json_string_value(id), lost, fault);
    }
    ends_answer_clear(&answer);
    return code;
}

/* Where the run was cut off: exchanges may still be under way there, which the
 * lists of finished ones don't show. */
static int remember_front(struct conductor *conductor, struct rows *lost,
                          struct fault *fault)
{
    const uint64_t count = orders_position_count(conductor->plan);
    struct lost_group group = { 0 };
    bool is_done = true;

    while (is_done && group.position < count) {
        const int code = logbook_has_group(conductor->wish->logbook,
                                           conductor->wish->run->run,
                                           group.position, &is_done, fault);
        if (code)
            return code;
        group.position += is_done;
    }
    if (group.position == count)
        return 0;
    group.attempt = conductor->attempt - 1;
    remember(lost, &group);
    return 0;
}

static int salvage_group(struct conductor *conductor,
                         const struct lost_group *group, struct fault *fault)
{
    struct order_place place;
    bool is_done = false, is_whole;

    if (group->position >= orders_position_count(conductor->plan))
        return 0;
    const int code =
        logbook_has_group(conductor->wish->logbook, conductor->wish->run->run,
                          group->position, &is_done, fault);
    if (code || is_done)
        return code;
    orders_place_of(conductor->plan, group->position, &place);
    place.attempt = group->attempt;
    return conductor_salvage_group(conductor, &place, &is_whole, fault);
}

int salvage_accounts(struct conductor *conductor, struct fault *fault)
{
    struct rows lost = { .row_size = sizeof(struct lost_group) };
    int code = 0;

    for (size_t i = 0; i < conductor->plan->end_count && !code; i++) {
        if (plan_has_agent(conductor->plan, (int) i))
            code = look_through(conductor, (int) i, &lost, fault);
    }
    if (!code)
        code = remember_front(conductor, &lost, fault);
    for (size_t i = 0; i < lost.count && !code; i++)
        code = salvage_group(conductor, rows_at(&lost, i), fault);
    rows_clear(&lost);
    return code;
}
