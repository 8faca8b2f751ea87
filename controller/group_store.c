/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/group.h"
#include "controller/operator.h"

#include <stdlib.h>

/* --- readings that the operator types ------------------------------------- */

static bool takes_part(const struct group *group, size_t exchange, int end)
{
    const struct plan_exchange *planned = group->exchanges[exchange].planned;

    return planned->from_end == end || planned->to_end == end;
}

/* Of each site of the group whose radio no agent reads. */
void group_ask_readings(struct group *group, enum reading_moment moment)
{
    struct conductor *conductor = group->conductor;
    const struct plan *plan = conductor->plan;

    for (size_t end = 0;
         conductor->wish->manner.asks_readings && end < plan->end_count;
         end++) {
        bool is_asked = false;

        for (size_t i = 0; i < group->exchange_count; i++)
            is_asked = is_asked || takes_part(group, i, (int) end);
        if (is_asked && plan_end_is_site(&plan->ends[end])
            && !conductor->reads_radio[end])
            operator_ask_readings(conductor, (int) end, moment,
                                  &group->typed[end]);
    }
}

/* With the group's first exchange in which the end takes part. */
static void fill_typed(const struct group *group, size_t exchange,
                       struct logbook_exchange *row)
{
    for (size_t end = 0; end < PLAN_ENDS_MAX; end++) {
        size_t first = 0;

        if (!group->typed[end].count)
            continue;
        while (first < exchange && !takes_part(group, first, (int) end))
            first++;
        if (first != exchange || !takes_part(group, exchange, (int) end)
            || row->typed_count == COUNT_OF(row->typed))
            continue;
        row->typed[row->typed_count++] = (struct logbook_typed){
            .end = group_end_name(group, (int) end),
            .readings = &group->typed[end],
        };
    }
}

/* --- the logbook ---------------------------------------------------------- */

static void fill_exchange(const struct group *group, size_t exchange,
                          struct logbook_exchange *ret_row)
{
    const struct ordered_exchange *ordered = &group->exchanges[exchange];
    const struct exchange_order *order = &ordered->parts[0].order;

    *ret_row = (struct logbook_exchange){
        .id = order->id,
        .from = ordered->planned->from,
        .to = ordered->planned->to,
        .condition = ordered->condition,
        .kind = ordered->planned->kind,
        .spec = ordered->planned->spec.bytes,
        .seed = order->seed,
        .plan_index = ordered->plan_index,
    };
    for (size_t k = 0; k < ordered->part_count; k++) {
        const struct part *part = &group->parts[exchange][k];

        if (!part->account)
            continue;
        ret_row->accounts[ret_row->account_count++] = (struct logbook_account){
            .end = group_end_name(group, ordered->parts[k].end),
            .start_ns = ordered->parts[k].order.start_ns,
            .start_uncertainty_ns = part->clock.uncertainty_ns,
            .offset_ns = part->clock.offset_ns,
            .account = part->account,
        };
    }
    fill_typed(group, exchange, ret_row);
}

void group_acknowledge(struct group *group)
{
    for (size_t i = 0; i < group->exchange_count; i++) {
        for (size_t k = 0; k < group->exchanges[i].part_count; k++) {
            const struct order_part *ordered = &group->exchanges[i].parts[k];

            if (group->parts[i][k].account)
                ends_acknowledge(group->conductor->ends, ordered->end,
                                 ordered->order.id);
        }
    }
}

int group_store(struct group *group, struct fault *fault)
{
    struct conductor *conductor = group->conductor;
    struct logbook_exchange *rows =
        calloc(group->exchange_count + 1, sizeof(*rows));
    uint64_t sent_bytes, received_bytes;

    if (!rows)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    for (size_t i = 0; i < group->exchange_count; i++)
        fill_exchange(group, i, &rows[i]);
    ends_traffic(conductor->ends, &sent_bytes, &received_bytes);
    const struct logbook_group row = {
        .position = group->place->position,
        .is_cut = group->is_cut,
        .round =
            group->place->position
                / (conductor->plan->group_count * conductor->plan->step_count)
            + 1,
        .place = group->place->group,
        .step = conductor->plan->steps[group->place->step].name,
        .started_unix_ns = group->started_unix_ns,
        .ended_unix_ns = conductor_unix_ns(),
        .control_sent_bytes = sent_bytes - group->sent_bytes,
        .control_received_bytes = received_bytes - group->received_bytes,
        .exchanges = rows,
        .exchange_count = group->exchange_count,
        .notes = group->notes,
        .note_count = group->note_count,
    };
    const int code = logbook_store_group(
        conductor->wish->logbook, conductor->wish->run->run, &row, fault);
    free(rows);
    if (code)
        return code;
    conductor->has_groups = true;
    group_acknowledge(group);
    return 0;
}
