/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/group.h"

#include "agent/wire/messages.h"

#include <stdlib.h>

/* So often a group is told anew where ends began at different starts. */
static const uint64_t astray_most = 2;

static bool has_accounts(const struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        if (group->parts[i][0].account || group->parts[i][1].account)
            return true;
    }
    return false;
}

static void forget_accounts(struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        for (size_t k = 0; k < 2; k++) {
            struct part *part = &group->parts[i][k];

            if (part->account)
                account_clear(part->account);
            free(part->account);
            part->account = NULL;
        }
    }
}

/* Who refused has said why; the rest of the run may still be worth its air. */
static int give_up_refused(struct group *group, struct fault *fault)
{
    group_cancel_all(group);
    group->is_refused = true;
    group->conductor->has_troubles = true;
    display_clear_live(group->conductor->display);
    group_show_refusal(group);
    return group_store(group, fault);
}

static bool all_are_ended(const struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        for (size_t k = 0; k < group->exchanges[i].part_count; k++) {
            if (group->parts[i][k].is_told && !group->parts[i][k].account)
                return false;
        }
    }
    return true;
}

/* What has begun without the others is ended, and has measured nothing of the
 * link: of this try the control traffic counts, and that it was made. */
static int leave_astray(struct group *group, bool is_last, struct fault *fault)
{
    group_cancel_all(group);
    if (is_last || !all_are_ended(group)) {
        (void) snprintf(group->refusal, sizeof(group->refusal),
                        "the ends were told of a start too late to begin at "
                        "once, so nothing was measured: is the link losing "
                        "much, or is other traffic on it?");
        return give_up_refused(group, fault);
    }
    group_note(group, "control",
               "An end had begun already when the start was put off, for its "
               "answer was late: it was ended, and all were told anew");
    group_acknowledge(group);
    forget_accounts(group);
    group->exchange_count = 0;
    group->is_cut = true;
    return group_store(group, fault);
}

static int carry_out(struct group *group, bool is_last, struct fault *fault)
{
    group_ask_readings(group, READING_BEFORE);
    int code = group_tell_ends(group, fault);

    if (!code && group->is_refused)
        return give_up_refused(group, fault);
    if (!code && group->is_astray)
        return leave_astray(group, is_last, fault);
    const bool all_are_told = code == 0;
    if (!code)
        code = group_keep_silent(group, fault);
    if (!code)
        code = group_fetch_accounts(group, fault);
    if (code) {
        ends_finish_up(group->conductor->ends);
        display_clear_live(group->conductor->display);
        if (code == UV_ECANCELED)
            display_say(group->conductor->display, "ending", TONE_DOUBT,
                        "ending what runs, keeping what was measured; Ctrl-C "
                        "again leaves at once");
        group->is_cut = code == UV_ECANCELED;
        group_cancel_all(group);
    }
    if (!code)
        group_ask_readings(group, READING_AFTER);
    /* Whoever was told alone has measured nothing. */
    if (!code || (all_are_told && has_accounts(group))) {
        struct fault storing = { 0 };
        const int stored = group_store(group, &storing);

        if (stored) {
            group->conductor->is_resumable = true;
            *fault = storing;
            return stored;
        }
        group_show(group);
    }
    return code;
}

static void clear(struct group *group)
{
    forget_accounts(group);
    for (size_t i = 0; i < PLAN_ENDS_MAX; i++)
        rows_clear(&group->typed[i]);
    free(group->exchanges);
    free(group->parts);
}

static int open_group(struct conductor *conductor,
                      const struct order_place *place, struct group *ret_group,
                      struct fault *fault)
{
    *ret_group = (struct group){
        .conductor = conductor,
        .place = place,
        .exchanges = calloc(PLAN_GROUP_MAX, sizeof(struct ordered_exchange)),
        .parts = calloc(PLAN_GROUP_MAX, sizeof(struct part[2])),
        .started_unix_ns = conductor_unix_ns(),
    };
    for (size_t i = 0; i < PLAN_ENDS_MAX; i++)
        ret_group->typed[i].row_size = sizeof(struct radio_reading);
    ends_traffic(conductor->ends, &ret_group->sent_bytes,
                 &ret_group->received_bytes);
    if (!ret_group->exchanges || !ret_group->parts)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    return orders_make(&conductor->site, place, ret_group->exchanges,
                       &ret_group->exchange_count, fault);
}

/* Told anew under new ids, so that nothing of the old orders is taken up. */
static int try_group(struct conductor *conductor,
                     const struct order_place *place, uint64_t again,
                     bool *ret_is_astray, struct fault *fault)
{
    struct order_place again_place = *place;
    struct group group;

    again_place.attempt += again * ORDER_ATTEMPTS_AGAIN;
    int code = open_group(conductor, &again_place, &group, fault);
    if (!code)
        code = carry_out(&group, again == astray_most, fault);
    *ret_is_astray =
        group.is_astray && again < astray_most && !group.is_refused;
    clear(&group);
    return code;
}

int conductor_group(struct conductor *conductor,
                    const struct order_place *place, struct fault *fault)
{
    bool is_astray = true;
    int code = 0;

    for (uint64_t again = 0; is_astray && !code; again++)
        code = try_group(conductor, place, again, &is_astray, fault);
    return code;
}

/* --- what was cut off ----------------------------------------------------- */

/* The order as it was told is gone with the controller that told it; its start
 * is read from the account. */
static void recover_starts(struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        for (size_t k = 0; k < group->exchanges[i].part_count; k++) {
            struct part *part = &group->parts[i][k];
            struct order_part *ordered = &group->exchanges[i].parts[k];

            if (!part->account)
                continue;
            ordered->order.start_ns = part->account->begun_ns;
            (void) ends_clock(group->conductor->ends, ordered->end,
                              &part->clock);
        }
    }
}

static bool is_whole(const struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        for (size_t k = 0; k < group->exchanges[i].part_count; k++) {
            const struct part *part = &group->parts[i][k];

            if (!part->account || part->account->state != ACCOUNT_DONE)
                return false;
        }
    }
    return true;
}

int conductor_salvage_group(struct conductor *conductor,
                            const struct order_place *place, bool *ret_is_whole,
                            struct fault *fault)
{
    struct group group;
    int code = open_group(conductor, place, &group, fault);

    *ret_is_whole = false;
    for (size_t i = 0; i < group.exchange_count && !code; i++) {
        for (size_t k = 0; k < group.exchanges[i].part_count; k++)
            group_cancel_part(&group, i, k);
    }
    /* Ends that know nothing of it are no news. */
    group.note_count = 0;
    if (!code && has_accounts(&group)) {
        recover_starts(&group);
        *ret_is_whole = is_whole(&group);
        group.is_cut = !*ret_is_whole;
        group_note(
            &group, "control",
            "fetched by a later controller, for the one that ordered it was "
            "cut off");
        code = group_store(&group, fault);
        if (!code)
            group_show(&group);
    }
    clear(&group);
    return code;
}
