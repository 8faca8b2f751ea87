/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/together.h"

#include "reports/quantiles.h"

/* A shorter span than this says nothing. */
static const double span_least_s = 1;
/* Two intervals at 95 % hold together at 90 % at least (Bonferroni). */
static const double ratio_level_ratio = 0.90;

/* --- times under load ------------------------------------------------------
 */

static uint64_t idle_key(const struct finding *finding, const char *measure,
                         uint64_t round)
{
    uint64_t key = lookup_number(lookup_text(LOOKUP_KEY, measure), round);

    key = lookup_text(key, finding->step);
    key = lookup_text(key, finding->from);
    return lookup_text(key, finding->to);
}

static void find_idle(const struct reduction *reduction, struct lookup *idle)
{
    for (size_t i = 0; i < reduction->findings.count; i++) {
        const struct finding *finding = rows_at(&reduction->findings, i);

        if (strcmp(finding->condition, "idle") == 0 && finding->value > 0)
            lookup_add(idle,
                       idle_key(finding, finding->measure, finding->round), i);
    }
    lookup_sort(idle);
}

static const struct finding *idle_of_round(const struct reduction *reduction,
                                           const struct lookup *idle,
                                           const struct finding *loaded,
                                           const char *measure, uint64_t round)
{
    const struct lookup_found found =
        lookup_find(idle, idle_key(loaded, measure, round));

    for (size_t i = found.count; i-- > 0;) {
        const struct finding *finding =
            rows_at(&reduction->findings, found.entries[i].index);

        if (finding->round == round && strcmp(finding->measure, measure) == 0
            && strcmp(finding->step, loaded->step) == 0
            && strcmp(finding->from, loaded->from) == 0
            && strcmp(finding->to, loaded->to) == 0)
            return finding;
    }
    return NULL;
}

/* The same figure idle, between the same ends on the same step: of that round,
 * else of all rounds. */
static const struct finding *idle_finding(const struct reduction *reduction,
                                          const struct lookup *idle,
                                          const struct finding *loaded,
                                          const char *measure)
{
    const struct finding *found =
        idle_of_round(reduction, idle, loaded, measure, loaded->round);

    return found ? found : idle_of_round(reduction, idle, loaded, measure, 0);
}

static struct finding *add_named(struct reduction *reduction,
                                 const struct exchange_record *record, int way,
                                 const char *measure, const char *unit)
{
    struct finding *finding =
        reduction_add_finding(reduction, record, measure, unit);

    if (way) {
        (void) snprintf(finding->from, sizeof(finding->from), "%s", record->to);
        (void) snprintf(finding->to, sizeof(finding->to), "%s", record->from);
    }
    return finding;
}

static void add_ratio(struct reduction *reduction, const struct lookup *idles,
                      const struct exchange_record *record, int way,
                      const char *measure, const struct estimate *loaded,
                      size_t samples, const char *idle_measure)
{
    struct finding *finding =
        add_named(reduction, record, way, measure, "ratio");
    const struct finding *idle =
        idle_finding(reduction, idles, finding, idle_measure);

    finding->samples_count = samples;
    finding->level_ratio = ratio_level_ratio;
    if (!idle || isinf(idle->value)) {
        finding_set_why(finding, "the same was not measured idle");
        return;
    }
    finding->value = loaded->value / idle->value;
    finding->low = loaded->low / idle->high;
    finding->high = loaded->high / idle->low;
    if (isnan(finding->low) || isnan(finding->high))
        finding_set_why(finding, "one of the two has no interval");
}

static void add_times(struct reduction *reduction,
                      const struct together *together,
                      const struct member *member, int way)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, member->exchange);
    const struct member_kind *kind = member_kind_of(record);
    double *sorted_s = calloc(member->trips.count + 1, sizeof(*sorted_s));
    size_t count = 0;

    if (!sorted_s)
        abort();
    for (size_t i = 0; i < member->trips.count; i++) {
        const struct trip *trip = rows_at(&member->trips, i);

        if (trip->way == way && trip->at_s >= together->from_s
            && trip->at_s <= together->until_s)
            sorted_s[count++] = trip->took_s;
    }
    quantile_sort(sorted_s, count);
    const struct estimate estimate =
        quantile_estimate(sorted_s, count, 0.5, CONFIDENCE_LEVEL);
    struct finding *finding =
        add_named(reduction, record, way, kind->loaded, "s");

    free(sorted_s);
    finding->samples_count = count;
    if (count < quantile_least_count(0.5, CONFIDENCE_LEVEL)) {
        finding_set_why(finding, "needs %zu, %zu were sent while all ran",
                        quantile_least_count(0.5, CONFIDENCE_LEVEL), count);
        return;
    }
    finding_set(finding, &estimate, count);
    add_ratio(reduction, &together->idle, record, way, kind->ratio, &estimate,
              count, kind->idle);
}

/* --- one group --------------------------------------------------------------
 */

static bool find_span(struct together *together)
{
    together->from_s = -(double) INFINITY;
    together->until_s = (double) INFINITY;
    for (size_t i = 0; i < together->count; i++) {
        together->from_s = fmax(together->from_s, together->members[i].from_s);
        together->until_s =
            fmin(together->until_s, together->members[i].until_s);
    }
    return together->until_s - together->from_s >= span_least_s;
}

static void tell_span(struct reduction *reduction,
                      const struct together *together, bool is_long_enough)
{
    const struct exchange_record *record =
        reduction_exchange(reduction, together->members[0].exchange);

    if (is_long_enough)
        reduction_add_sentence(
            &reduction->methods,
            "On step %s, round %llu: %zu exchanges ran together; what is said "
            "of them under load is from the %.1f s in which all were active "
            "(%.1f to %.1f s after their common start).",
            record->step, (unsigned long long) record->round, together->count,
            together->until_s - together->from_s, together->from_s,
            together->until_s);
    else
        reduction_add_sentence(
            &reduction->doubts,
            "The %zu exchanges that should have run together on step %s in "
            "round %llu were not all active at once for as long as %.0f s: "
            "nothing is said of them under load.",
            together->count, record->step, (unsigned long long) record->round,
            span_least_s);
}

static void add_group(struct reduction *reduction, struct together *together)
{
    const bool is_long_enough = find_span(together);

    tell_span(reduction, together, is_long_enough);
    if (!is_long_enough)
        return;
    for (size_t i = 0; i < together->count; i++) {
        const struct member *member = &together->members[i];
        const struct exchange_record *record =
            reduction_exchange(reduction, member->exchange);

        for (int way = 0; way < member_kind_of(record)->way_count; way++)
            add_times(reduction, together, member, way);
    }
    together_share(reduction, together);
}

static bool is_of_group(const struct exchange_record *a,
                        const struct exchange_record *b)
{
    return a->started_unix_ns == b->started_unix_ns && a->round == b->round
           && strcmp(a->step, b->step) == 0;
}

static void together_clear(struct together *together)
{
    for (size_t i = 0; i < together->count; i++) {
        rows_clear(&together->members[i].trips);
        rows_clear(&together->members[i].pieces);
    }
}

/* The group that begins with that exchange. */
static int read_group(const struct reduction *reduction, size_t first,
                      struct together *together, struct fault *fault)
{
    const struct exchange_record *record = reduction_exchange(reduction, first);
    int code = 0;

    together->count = 0;
    for (size_t i = first;
         !code && i < reduction->exchanges.count
         && together->count < PLAN_GROUP_MAX
         && is_of_group(reduction_exchange(reduction, i), record);
         i++)
        code = member_read(reduction, i, &together->members[together->count++],
                           fault);
    return code;
}

int together_add(struct reduction *reduction, struct fault *fault)
{
    struct together *together = calloc(1, sizeof(*together));
    int code = 0;

    if (!together)
        abort();
    lookup_init(&together->idle);
    find_idle(reduction, &together->idle);
    for (size_t i = 0; !code && i < reduction->exchanges.count; i++) {
        if (i
            && is_of_group(reduction_exchange(reduction, i),
                           reduction_exchange(reduction, i - 1)))
            continue;
        if (strcmp(reduction_exchange(reduction, i)->condition, "idle") == 0)
            continue;
        code = read_group(reduction, i, together, fault);
        if (!code && together->count > 1)
            add_group(reduction, together);
        together_clear(together);
    }
    lookup_clear(&together->idle);
    free(together);
    return code;
}
