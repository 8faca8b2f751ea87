/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_cells.h"

#include "reports/reach.h"

#include <bothends/kinds.h>
#include <inttypes.h>

const struct finding *markdown_like(const struct reduction *reduction,
                                    const struct finding *finding,
                                    const char *measure)
{
    for (size_t i = 0; i < reduction->findings.count; i++) {
        const struct finding *other = rows_at(&reduction->findings, i);

        if (strcmp(other->measure, measure) == 0
            && wording_is_alike(finding, other))
            return other;
    }
    return NULL;
}

void markdown_cell_way(const struct finding *finding, FILE *out)
{
    (void) fputs("| ", out);
    wording_escape(out, finding->step);
    (void) fputs(" | ", out);
    wording_escape(out, finding->from);
    (void) fputs(" → ", out);
    wording_escape(out, finding->to);
}

static void write_condition(const char *condition, FILE *out)
{
    char text[CONDITION_SIZE];

    wording_condition(condition, text, sizeof(text));
    wording_escape(out, text);
}

static uint64_t echo_bytes_of(const struct plan *plan, size_t exchange)
{
    const struct plan_exchange *planned = &plan->exchanges[exchange];
    const struct ping_spec *spec = (const void *) planned->spec.bytes;

    return strcmp(planned->kind->name, ping_kind.name) == 0 ? spec->size_bytes
                                                            : 0;
}

/* The size tells a plan's pings apart only where they have several. */
static bool has_several_sizes(const struct plan *plan)
{
    uint64_t size_bytes = 0;

    for (size_t i = 0; i < plan->exchange_count; i++) {
        const uint64_t next_bytes = echo_bytes_of(plan, i);

        if (size_bytes && next_bytes && next_bytes != size_bytes)
            return true;
        size_bytes = next_bytes ? next_bytes : size_bytes;
    }
    return false;
}

static void write_size(const struct plan *plan, const struct finding *finding,
                       FILE *out)
{
    if (finding->plan_index >= plan->exchange_count
        || strcmp(finding->kind, ping_kind.name) != 0
        || !has_several_sizes(plan))
        return;
    (void) fprintf(out, ", %" PRIu64 " B",
                   echo_bytes_of(plan, (size_t) finding->plan_index));
}

void markdown_cell_names(const struct reduction *reduction,
                         const struct finding *finding, FILE *out)
{
    markdown_cell_way(finding, out);
    write_size(reduction->plan, finding, out);
    if (!reach_is_both_ended(reduction->plan, finding->to))
        (void) fputs(" (seen from one end only)", out);
    if (!wording_is_alone(finding->condition)) {
        (void) fputs(", beside ", out);
        write_condition(finding->condition, out);
    }
}

void markdown_cell_condition(const char *condition, FILE *out)
{
    (void) fputs(" | ", out);
    write_condition(condition, out);
}

void markdown_cell_figure(const struct finding *finding, double unit,
                          int most_decimals, FILE *out)
{
    char figure[FIGURE_SIZE] = "–";

    if (finding)
        wording_figure(finding, unit, most_decimals, figure);
    (void) fprintf(out, " | %s", figure);
}
