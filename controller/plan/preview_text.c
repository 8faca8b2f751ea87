/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/preview.h"

#include "controller/options.h"
#include "controller/plan/preview_parts.h"
#include "controller/quantity.h"

#include <bothends/cautions.h>
#include <string.h>

#define CELL_SIZE 96
#define WIDE_ENDS 8 /* more ends than these are told in fewer words */

static void print_count(FILE *out, size_t count, const char *thing,
                        const char *behind)
{
    (void) fprintf(out, "%zu %s%s%s", count, thing, count == 1 ? "" : "s",
                   behind);
}

static void print_title(FILE *out, const struct plan *plan)
{
    (void) fprintf(out, "%s: ", plan->title);
    print_count(out, 1, "hub", ", ");
    print_count(out, plan_site_count(plan) - 1, "station", ", ");
    print_count(out, plan->step_count, "step", ", ");
    print_count(out, plan->rounds, "round", ".\n");
    (void) fputs("Nothing is sent by this command.\n", out);
}

/* --- the link and the ends ---------------------------------------------- */

/* " slots up to 250 ms": words around a said value. */
static void print_said(FILE *out, const char *before, const char *key,
                       const char *behind, const struct plan_link *link)
{
    for (size_t i = 0; i < COUNT_OF(link_fields); i++) {
        const struct field *field = &link_fields[i];
        char text[QUANTITY_TEXT_SIZE];

        if (strcmp(field->key, key) != 0)
            continue;
        quantity_write(field, link, text, sizeof(text));
        if (text[0])
            (void) fprintf(out, "%s%s%s", before, text, behind);
    }
}

/* What the access adds to turns and their limit, as one sentence. */
static void describe_access(const struct plan *plan, char *text, size_t size)
{
    const struct plan_link *link = &plan->link;
    const bool is_contended = link->access == ACCESS_CONTENTION;
    char slot[CELL_SIZE];
    int used = 0;

    text[0] = '\0';
    quantity_show(UNIT_DURATION, (double) link->contention_slot_ns, slot,
                  sizeof(slot));
    if (is_contended && link->carrier_sense)
        used += snprintf(text, size, ", back-off of 0 to %llu slots of %s",
                         (unsigned long long) link->contention_window_count - 1,
                         slot);
    else if (is_contended)
        used += snprintf(text, size, ", without carrier sense%s%s",
                         link->contention_slotted ? ", from the edges of " : "",
                         link->contention_slotted ? slot : "");
    if (link->slots == SLOTS_FIXED)
        used += snprintf(text + used, size - (size_t) used, ", fixed slots");
    if (link->stations_count > plan_site_count(plan) - 1)
        used += snprintf(text + used, size - (size_t) used,
                         ", %llu stations registered",
                         (unsigned long long) link->stations_count);
    if (link->frame_payload_bytes)
        used += snprintf(text + used, size - (size_t) used,
                         ", frames of %llu B and %llu B of their own",
                         (unsigned long long) link->frame_payload_bytes,
                         (unsigned long long) link->frame_overhead_bytes);
    if (link->repeats_limit_count)
        (void) snprintf(text + used, size - (size_t) used,
                        ", lost ones repeated up to %llu times",
                        (unsigned long long) link->repeats_limit_count);
}

static void print_link(FILE *out, const struct plan *plan)
{
    const struct plan_link *link = &plan->link;
    char access[4 * CELL_SIZE];

    (void) fprintf(out, "\nlink    %s", link_accesses[link->access]);
    print_said(out, ", ", "frequency", "", link);
    print_said(out, ", ", "distance", "", link);
    print_said(out, ", MTU ", "mtu", "", link);
    print_said(out, ", window ", "window", "", link);
    (void) fputs("\n", out);
    if (range_is_said(link->slot_limit_ns)) {
        print_said(out, "        transmissions up to ", "slot_limit", "", link);
        print_said(out, ", of which ", "slot_overhead", " overhead\n", link);
    }
    describe_access(plan, access, sizeof(access));
    if (access[0]) {
        (void) fputs("        ", out);
        options_print_wrapped(out, 8, access + 2);
    }
    if (!plan->on_air)
        (void) fputs("        on the bench: nothing goes on the air\n", out);
}

static int widest_name(const struct plan *plan)
{
    size_t width = 4;

    for (size_t i = 0; i < plan->end_count; i++) {
        if (strlen(plan->ends[i].name) > width)
            width = strlen(plan->ends[i].name);
    }
    return (int) width;
}

static void print_ends(FILE *out, const struct plan *plan)
{
    const int width = widest_name(plan);

    for (size_t i = 0; i < plan->end_count; i++) {
        const struct plan_end *end = &plan->ends[i];

        if (i == WIDE_ENDS && plan->end_count > WIDE_ENDS + 1) {
            (void) fprintf(out, "        and %zu more\n",
                           plan->end_count - WIDE_ENDS);
            return;
        }
        const bool is_six = strchr(end->address, ':') != NULL;

        (void) fprintf(out, "%-8s%-*s  %-7s  %-8s  %s%s%s",
                       i == 0 ? "ends" : "", width, end->name,
                       end_roles[end->role],
                       end->call[0] ? end->call : "no call", is_six ? "[" : "",
                       end->address, is_six ? "]" : "");
        if (end->agent == AGENT_RUNS)
            (void) fprintf(out, " port %llu", (unsigned long long) end->port);
        else
            (void) fputs(", no agent", out);
        if (end->landmark != LANDMARK_NONE)
            (void) fprintf(out, ", landmark: %s", landmarks[end->landmark]);
        if (end->control[0])
            (void) fprintf(out, ", spoken to at %s", end->control);
        if (end->interface[0])
            (void) fprintf(out, ", by %s only", end->interface);
        if ((size_t) plan->controller_end == i)
            (void) fputs(", you sit here", out);
        (void) fputs("\n", out);
    }
}

/* --- what to look at ----------------------------------------------------- */

static void print_warnings(FILE *out, const struct preview *preview)
{
    if (!preview->warnings.count)
        return;
    (void) fputs("\nLook at this first:\n", out);
    for (size_t i = 0; i < preview->warnings.count; i++) {
        const struct warning *warning = rows_at(&preview->warnings, i);
        char text[sizeof(warning->steps) + WARNING_SIZE + 4];

        (void) snprintf(text, sizeof(text), "%s%s%s.", warning->steps,
                        warning->steps[0] ? ": " : "", warning->text);
        (void) fputs("  ! ", out);
        options_print_wrapped(out, 4, text);
    }
}

static void print_cautions(FILE *out)
{
    (void) fputs("\nBefore you transmit:\n", out);
    for (size_t i = 0; cautions[i]; i++) {
        (void) fputs("  - ", out);
        options_print_wrapped(out, 4, cautions[i]);
    }
}

void preview_print(FILE *out, const struct preview *preview)
{
    print_title(out, preview->plan);
    print_link(out, preview->plan);
    print_ends(out, preview->plan);
    preview_print_steps(out, preview);
    preview_print_sequence(out, preview);
    preview_print_air(out, preview);
    print_warnings(out, preview);
    print_cautions(out);
}
