/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/jain.h"
#include "reports/together.h"

#include <bothends/kinds.h>

/* Downloads that ran at once, as shares of one channel. */
struct flow {
    const struct member *member;
    double parts_bps[SPAN_PARTS];
    struct mean_error level;
    struct capacity_share share;
};

/* --- rates ---------------------------------------------------------------- */

static void take_rates(const struct together *together, struct flow *flow)
{
    const double part_s = (together->until_s - together->from_s) / SPAN_PARTS;

    for (size_t i = 0; i < flow->member->pieces.count; i++) {
        const struct piece *piece = rows_at(&flow->member->pieces, i);
        const double place = (piece->at_s - together->from_s) / part_s;

        if (place >= 0 && place < SPAN_PARTS)
            flow->parts_bps[(size_t) place] +=
                piece->bytes * BITS_PER_BYTE / part_s;
    }
    flow->level =
        (struct mean_error){ statistics_mean(flow->parts_bps, SPAN_PARTS),
                             statistics_sd(flow->parts_bps, SPAN_PARTS)
                                 / sqrt(SPAN_PARTS),
                             SPAN_PARTS - 1 };
}

static size_t take_flows(const struct reduction *reduction,
                         const struct together *together, struct flow *flows)
{
    size_t count = 0;

    for (size_t i = 0; i < together->count; i++) {
        const struct member *member = &together->members[i];

        if (strcmp(reduction_exchange(reduction, member->exchange)->kind->name,
                   "download")
                != 0
            || !member->pieces.count)
            continue;
        flows[count].member = member;
        take_rates(together, &flows[count++]);
    }
    return count;
}

static void take_shares(const struct reduction *reduction, struct flow *flows,
                        size_t count)
{
    struct capacity_demand demands[PLAN_GROUP_MAX];
    struct capacity_share shares[PLAN_GROUP_MAX];
    const struct plan *plan = reduction->plan;
    size_t step = plan->step_count;

    for (size_t i = 0; i < count; i++) {
        const struct exchange_record *record =
            reduction_exchange(reduction, flows[i].member->exchange);

        flows[i].share.entitled_bps = range_unsaid();
        step = record->step_index;
        demands[i] =
            (struct capacity_demand){ .from = plan_find_end(plan, record->from),
                                      .to = plan_find_end(plan, record->to),
                                      .traffic = TRAFFIC_TCP };
        if (demands[i].from == plan->end_count
            || demands[i].to == plan->end_count)
            return;
    }
    if (step >= plan->step_count)
        return;
    capacity_shares(plan, &plan->steps[step], NULL, demands, count, shares);
    for (size_t i = 0; i < count; i++)
        flows[i].share = shares[i];
}

/* --- findings ------------------------------------------------------------- */

static struct finding *add_of_group(struct reduction *reduction,
                                    const struct flow *flow,
                                    const char *measure, const char *unit)
{
    struct finding *finding = reduction_add_finding(
        reduction, reduction_exchange(reduction, flow->member->exchange),
        measure, unit);

    finding->exchange[0] = finding->from[0] = finding->to[0] = '\0';
    (void) snprintf(finding->condition, sizeof(finding->condition), "together");
    return finding;
}

static void add_total(struct reduction *reduction, const struct flow *flows,
                      size_t count, double span_s)
{
    struct finding *finding =
        add_of_group(reduction, &flows[0], "goodput_total", "bit/s");
    double total_bps[SPAN_PARTS] = { 0 };
    struct range expected = { 0, 0 };
    char condition[sizeof(finding->condition)];

    for (size_t i = 0; i < count; i++) {
        for (size_t k = 0; k < SPAN_PARTS; k++)
            total_bps[k] += flows[i].parts_bps[k];
        expected.low += flows[i].share.entitled_bps.low;
        expected.high += flows[i].share.entitled_bps.high;
    }
    const struct estimate estimate =
        statistics_mean_interval(total_bps, SPAN_PARTS, CONFIDENCE_LEVEL);

    finding_set(finding, &estimate, SPAN_PARTS);
    /* This expectation is for those that ran beside each other. */
    (void) snprintf(condition, sizeof(condition), "%s", finding->condition);
    finding->condition[0] = '\0';
    finding_judge(finding, expected, "computed", span_s);
    (void) snprintf(finding->condition, sizeof(finding->condition), "%s",
                    condition);
}

/* Of what all got together; the interval takes the total as it was. */
static void add_share(struct reduction *reduction, const struct flow *flow,
                      const char *measure, double share, double expected,
                      double total_bps)
{
    struct finding *finding = reduction_add_finding(
        reduction, reduction_exchange(reduction, flow->member->exchange),
        measure, "ratio");
    const double half = share * statistics_t(0.975, flow->level.degrees)
                        * flow->level.error / flow->level.mean;

    finding->samples_count = SPAN_PARTS;
    if (!(total_bps > 0) || isnan(share)) {
        finding_set_why(finding, "nothing came, or no share can be said");
        return;
    }
    finding->value = share;
    finding->low = fmax(0, share - half);
    finding->high = fmin(1, share + half);
    if (!isnan(expected)) {
        finding->expected_low = finding->expected_high = expected;
        (void) snprintf(finding->expected_source,
                        sizeof(finding->expected_source), "computed");
    }
}

static double airtime_of(const struct flow *flow)
{
    return flow->level.mean * flow->share.airtime_ratio
           / flow->share.likely_bps;
}

static void add_shares(struct reduction *reduction, const struct flow *flows,
                       size_t count)
{
    double total_bps = 0;
    double airtime = 0;
    double entitled_bps = 0;

    for (size_t i = 0; i < count; i++) {
        total_bps += flows[i].level.mean;
        airtime += airtime_of(&flows[i]);
        entitled_bps += range_middle(flows[i].share.entitled_bps);
    }
    for (size_t i = 0; i < count; i++) {
        add_share(reduction, &flows[i], "share_goodput",
                  flows[i].level.mean / total_bps,
                  range_middle(flows[i].share.entitled_bps) / entitled_bps,
                  total_bps);
        add_share(reduction, &flows[i], "share_airtime",
                  airtime_of(&flows[i]) / airtime, (double) NAN, total_bps);
    }
}

/* One-sided: noise alone makes shares look unequal. */
static void add_fairness(struct reduction *reduction, const struct flow *flows,
                         size_t count)
{
    struct mean_error relative[PLAN_GROUP_MAX];
    double shares[PLAN_GROUP_MAX];
    struct finding *finding =
        add_of_group(reduction, &flows[0], "fairness", "ratio");

    for (size_t i = 0; i < count; i++) {
        const double entitled_bps = range_middle(flows[i].share.entitled_bps);

        relative[i] = (struct mean_error){ flows[i].level.mean / entitled_bps,
                                           flows[i].level.error / entitled_bps,
                                           flows[i].level.degrees };
        shares[i] = relative[i].mean;
    }
    finding->samples_count = count;
    finding->value = jain_index(shares, count);
    if (isnan(finding->value)) {
        finding_set_why(finding, "what each is entitled to is not known");
        return;
    }
    finding->low = jain_low_end(relative, count, CONFIDENCE_LEVEL);
    finding->high = 1;
}

void together_share(struct reduction *reduction,
                    const struct together *together)
{
    struct flow *flows = calloc(PLAN_GROUP_MAX, sizeof(*flows));

    if (!flows)
        abort();
    const size_t count = take_flows(reduction, together, flows);

    if (count) {
        take_shares(reduction, flows, count);
        add_total(reduction, flows, count,
                  together->until_s - together->from_s);
    }
    if (count > 1) {
        add_shares(reduction, flows, count);
        add_fairness(reduction, flows, count);
    }
    free(flows);
}
