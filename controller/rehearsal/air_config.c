/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/air.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>

#define LIGHT_M_PER_S 299792458.0

/* Information bits per second of a step; 0: the plan does not say. */
static double step_rate_bps(const struct plan_step *step)
{
    if (range_is_said(step->symbol_rate_bd) && step->levels >= 2)
        return range_middle(step->symbol_rate_bd) * log2((double) step->levels)
               * step->code_rate_ratio;
    if (range_is_said(step->usable_rate_bps))
        return range_middle(step->usable_rate_bps);
    return 0;
}

static int take_steps(const struct plan *plan, struct air_config *config,
                      struct fault *fault)
{
    for (size_t i = 0; i < plan->step_count; i++) {
        /* The small addition mends 80 kBd x 1 x 0.75 = 59 999.999... */
        const double rate_bps = floor(step_rate_bps(&plan->steps[i]) + 1e-6);

        if (rate_bps < 1 || rate_bps > (double) AIR_RATE_MAX_BPS)
            return fault_set(
                fault, -EINVAL,
                "steps: '%s': found %g bit/s, expected a rate from "
                "1 bit/s to 10 Gbit/s for the practice link",
                plan->steps[i].name, rate_bps);
        config->step_bps[i] = (uint64_t) rate_bps;
    }
    config->step_count = plan->step_count;
    return 0;
}

/* What the plan's own rules leave open and this channel can't do without. */
static int check_access(const struct plan *plan, struct fault *fault)
{
    const struct plan_link *link = &plan->link;
    const bool has_limit = range_is_said(link->slot_limit_ns);

    if (link->access == ACCESS_ALTERNATING && plan_site_count(plan) != 2)
        return fault_set(fault, -EINVAL,
                         "link: access: found alternating with %zu ends, "
                         "expected 2: they transmit in turn",
                         plan_site_count(plan));
    if (link->slots == SLOTS_FIXED && !has_limit)
        return fault_set(fault, -EINVAL,
                         "link: slots: found fixed without slot_limit, "
                         "expected slot_limit: how long each turn lasts");
    return 0;
}

/* At least one IP byte must fit into a slot, or nothing ever crosses. */
static int check_slot(const struct plan *plan, const struct air_config *config,
                      struct fault *fault)
{
    if (config->slot_limit_ns == AIR_NEVER)
        return 0;
    for (size_t i = 0; i < config->step_count; i++) {
        const double room_ns =
            (double) config->slot_limit_ns - (double) config->slot_overhead_ns;
        const double least_ns = (double) (BITS_PER_BYTE * NS_PER_S)
                                * (double) (config->frame_overhead_bytes + 1)
                                / (double) config->step_bps[i];

        if (room_ns < least_ns + 1)
            return fault_set(
                fault, -EINVAL,
                "link: slot_limit: found %.3f ms, expected at least %.3f ms: "
                "slot_overhead and one small frame on step '%s'",
                (double) config->slot_limit_ns / 1e6,
                ((double) config->slot_overhead_ns + least_ns + 1) / 1e6,
                plan->steps[i].name);
    }
    return 0;
}

size_t air_index(const struct plan *plan, size_t end)
{
    size_t index = 0;

    for (size_t i = 0; i < plan->end_count; i++) {
        const struct plan_end *other = &plan->ends[i];
        const bool is_before = other->role == plan->ends[end].role
                                   ? i < end
                                   : other->role == ROLE_HUB;

        index += plan_end_is_site(other) && is_before;
    }
    return index;
}

struct faults_config air_config_faults(const struct plan *plan)
{
    const struct plan_faults *faults = &plan->practice.faults;

    return (struct faults_config){
        .loss_ratio = faults->loss_ratio,
        .loss_burst = faults->loss_burst,
        .loss_within_ratio = faults->loss_within_ratio,
        .loss_between_ratio = faults->loss_between_ratio,
        .fading_ratio = faults->fading_ratio,
        .fading_period_ns = faults->fading_period_ns,
        .duplicates_ratio = faults->duplicates_ratio,
        .reordering_ratio = faults->reordering_ratio,
        .reordering_by_ns = faults->reordering_by_ns,
        .corruption_ratio = faults->corruption_ratio,
    };
}

static uint64_t further_stations_count(const struct plan *plan)
{
    const uint64_t present_count = plan_site_count(plan) - 1;
    const uint64_t stated_count = plan->link.stations_count > present_count
                                      ? plan->link.stations_count
                                      : present_count;

    return stated_count - present_count + plan->practice.further_stations_count;
}

/* A hub registers no more. */
static int check_stations(const struct plan *plan, struct fault *fault)
{
    const uint64_t count =
        plan_site_count(plan) - 1 + further_stations_count(plan);

    if (plan->practice.further_stations_count
        && (plan->link.access == ACCESS_ALTERNATING
            || plan->link.access == ACCESS_CONTENTION))
        return fault_set(fault, -EINVAL,
                         "practice: further_stations: found %" PRIu64
                         " with access: %s, expected none: stations have turns "
                         "with scheduled or full-duplex access only",
                         plan->practice.further_stations_count,
                         link_accesses[plan->link.access]);
    return count < PLAN_ENDS_MAX
               ? 0
               : fault_set(fault, -EINVAL,
                           "practice: further_stations: found %" PRIu64
                           " registered stations in all, expected at most %d",
                           count, PLAN_ENDS_MAX - 1);
}

int air_config_from_plan(const struct plan *plan, struct air_config *ret_config,
                         struct fault *fault)
{
    const struct plan_link *link = &plan->link;
    const size_t end_count = plan_site_count(plan);
    struct air_config config = {
        .end_count = end_count,
        .hub = 0,
        .slot_overhead_ns = (uint64_t) range_middle(link->slot_overhead_ns),
        .slot_limit_ns = range_is_said(link->slot_limit_ns)
                             ? (uint64_t) range_middle(link->slot_limit_ns)
                             : AIR_NEVER,
        .frame_payload_bytes = link->frame_payload_bytes,
        .frame_overhead_bytes = link->frame_overhead_bytes,
        .queue_bytes = plan->practice.queue_bytes,
        .propagation_ns =
            isnan(link->distance_m)
                ? 0
                : (uint64_t) (link->distance_m * 1e9 / LIGHT_M_PER_S),
        .access = link->access,
        .slots = link->slots,
        .slot_least_ns = range_is_said(link->slot_least_ns)
                             ? (uint64_t) range_middle(link->slot_least_ns)
                             : AIR_NEVER,
        .further_stations_count = further_stations_count(plan),
        .repeats_limit_count = link->repeats_limit_count,
        .repeats_delay_ns = link->repeats_delay_ns,
        .carrier_sense = link->carrier_sense,
        .contention_slotted = link->contention_slotted,
        .contention_slot_ns = link->contention_slot_ns,
        .contention_window_count = link->contention_window_count,
        .contention_window_most_count = link->contention_window_most_count,
        .seed = plan->practice.seed,
        .faults = air_config_faults(plan),
        .other_share_ratio = plan->practice.other.share_ratio,
        .other_length_ns = plan->practice.other.length_ns,
    };
    int status = check_access(plan, fault);

    if (!status)
        status = check_stations(plan, fault);
    if (!status)
        status = take_steps(plan, &config, fault);
    if (!status)
        status = check_slot(plan, &config, fault);
    if (!status && config.queue_bytes < link->mtu_bytes)
        status =
            fault_set(fault, -EINVAL,
                      "practice: queue: found %" PRIu64
                      " B, expected at least the link's mtu, %" PRIu64 " B",
                      config.queue_bytes, link->mtu_bytes);
    if (!status)
        *ret_config = config;
    return status;
}
