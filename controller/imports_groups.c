/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/imports_inside.h"
#include "controller/plan/reader.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <uv.h>

/* Groups that were never stored: made again from the plan. */

/* A group as it was ordered, made again from the plan. */
struct remade {
    const struct logbook_run *run;
    struct plan plan;
    struct order_place place;
    struct ordered_exchange *exchanges; /* PLAN_GROUP_MAX */
    struct logbook_exchange *rows;
    size_t exchange_count;
    bool is_whole;
    uint64_t started_unix_ns, ended_unix_ns;
};

/* Addresses are no part of what is stored: the site is left without them. */
static int remake_orders(struct remade *remade, const struct orphan *orphan,
                         struct fault *fault)
{
    struct orders_site site = { .plan = &remade->plan,
                                .seed = remade->run->seed };
    char tag[LOGBOOK_TAG_SIZE];

    site.hosts = calloc(remade->plan.exchange_count + 1, sizeof(*site.hosts));
    remade->exchanges = calloc(PLAN_GROUP_MAX, sizeof(*remade->exchanges));
    remade->rows = calloc(PLAN_GROUP_MAX, sizeof(*remade->rows));
    if (!site.hosts || !remade->exchanges || !remade->rows) {
        free(site.hosts);
        return fault_set(fault, UV_ENOMEM, "out of memory");
    }
    logbook_tag(remade->run->started_unix_ns, tag);
    (void) snprintf(site.tag, sizeof(site.tag), "%s", tag);
    orders_place_of(&remade->plan, orphan->id.position, &remade->place);
    remade->place.attempt = orphan->id.attempt;
    const int code = orders_make(&site, &remade->place, remade->exchanges,
                                 &remade->exchange_count, fault);
    free(site.hosts);
    return code;
}

/* By that end's own wall clock, which may be wrong: never before the run. */
static void widen_times(struct remade *remade,
                        const struct exchange_account *account)
{
    const int64_t begun_ns =
        (int64_t) account->begun_ns + account->wall_minus_monotonic_begun_ns;
    const int64_t ended_ns =
        (int64_t) account->ended_ns + account->wall_minus_monotonic_ended_ns;

    if (begun_ns > (int64_t) remade->started_unix_ns)
        remade->started_unix_ns = (uint64_t) begun_ns;
    if (ended_ns > (int64_t) remade->ended_unix_ns)
        remade->ended_unix_ns = (uint64_t) ended_ns;
    if (remade->ended_unix_ns < remade->started_unix_ns)
        remade->ended_unix_ns = remade->started_unix_ns;
}

static struct orphan *find_orphan(const struct importing *importing,
                                  const struct order_part *part)
{
    for (size_t i = 0; i < importing->orphans.count; i++) {
        struct orphan *orphan = rows_at(&importing->orphans, i);

        if (!orphan->is_taken
            && strcmp(orphan->account->id, part->order.id) == 0
            && strcmp(orphan->account->kind, part->order.kind) == 0
            && strcmp(orphan->account->part, part->order.part) == 0)
            return orphan;
    }
    return NULL;
}

static void fill_exchange(struct importing *importing, struct remade *remade,
                          size_t index)
{
    const struct ordered_exchange *ordered = &remade->exchanges[index];
    struct logbook_exchange *row = &remade->rows[index];
    const struct plan_exchange *planned =
        &remade->plan.exchanges[ordered->plan_index];

    *row = (struct logbook_exchange){
        .id = ordered->parts[0].order.id,
        .from = planned->from,
        .to = planned->to,
        .condition = ordered->condition,
        .kind = planned->kind,
        .spec = planned->spec.bytes,
        .seed = ordered->parts[0].order.seed,
        .plan_index = ordered->plan_index,
    };
    for (size_t k = 0; k < ordered->part_count; k++) {
        const struct order_part *part = &ordered->parts[k];
        struct orphan *orphan = find_orphan(importing, part);

        remade->is_whole = remade->is_whole && orphan
                           && orphan->account->state == ACCOUNT_DONE;
        if (!orphan)
            continue;
        orphan->is_taken = true;
        row->accounts[row->account_count++] = (struct logbook_account){
            .end = remade->plan.ends[part->end].name,
            .start_ns = orphan->account->begun_ns,
            .account = orphan->account,
        };
        widen_times(remade, orphan->account);
    }
}

/* What isn't whole, or was done again by a later controller, is kept beside the
 * run: resuming does it anew. */
static int store_remade(struct importing *importing, struct remade *remade,
                        struct fault *fault)
{
    bool is_done_again = false;
    int code = logbook_has_group(importing->logbook, remade->run->run,
                                 remade->place.position, &is_done_again, fault);
    if (code)
        return code;
    const struct logbook_group group = {
        .position = remade->place.position,
        .is_cut = is_done_again || !remade->is_whole,
        .round = remade->place.position
                     / (remade->plan.group_count * remade->plan.step_count)
                 + 1,
        .place = remade->place.group,
        .step = remade->plan.steps[remade->place.step].name,
        .started_unix_ns = remade->started_unix_ns,
        .ended_unix_ns = remade->ended_unix_ns,
        .exchanges = remade->rows,
        .exchange_count = remade->exchange_count,
    };
    code = logbook_store_group(importing->logbook, remade->run->run, &group,
                               fault);
    for (size_t i = 0; i < remade->exchange_count && !code; i++) {
        for (size_t k = 0; k < remade->rows[i].account_count; k++)
            imports_count(importing, remade->run->run,
                          remade->rows[i].accounts[k].end,
                          remade->rows[i].accounts[k].account);
    }
    return code;
}

static void refuse_orphan(struct importing *importing, struct orphan *orphan,
                          const char *why)
{
    orphan->is_taken = true;
    importing->imports->foreign_count++;
    imports_say(importing, "foreign",
                "'%s' is named like an exchange of run %" PRId64 ", but %s",
                orphan->account->id, orphan->run->run, why);
}

static int store_group_of(struct importing *importing, struct orphan *orphan,
                          struct fault *fault)
{
    struct plan_mistakes mistakes = { 0 };
    struct remade remade = { .run = orphan->run, .is_whole = true };
    int code = 0;

    remade.started_unix_ns = remade.run->started_unix_ns;
    if (plan_read_text(remade.run->plan_text, strlen(remade.run->plan_text),
                       &remade.plan, &mistakes)
        != 0) {
        refuse_orphan(importing, orphan, "this version can't read its plan");
    } else if (orphan->id.position >= orders_position_count(&remade.plan)) {
        refuse_orphan(importing, orphan, "its plan has no such place");
    } else {
        code = remake_orders(&remade, orphan, fault);
        for (size_t i = 0; i < remade.exchange_count && !code; i++)
            fill_exchange(importing, &remade, i);
        if (!code && !orphan->is_taken)
            refuse_orphan(importing, orphan,
                          "its plan has another exchange "
                          "there");
        else if (!code)
            code = store_remade(importing, &remade, fault);
    }
    free(remade.exchanges);
    free(remade.rows);
    plan_clear(&remade.plan);
    plan_mistakes_clear(&mistakes);
    return code;
}

int imports_store_groups(struct importing *importing, struct fault *fault)
{
    int code = 0;

    for (size_t i = 0; i < importing->orphans.count && !code; i++) {
        struct orphan *orphan = rows_at(&importing->orphans, i);

        if (!orphan->is_taken)
            code = store_group_of(importing, orphan, fault);
    }
    return code;
}
