/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/preview.h"

#include "controller/quantity.h"

#include <bothends/cautions.h>
#include <jansson.h>

#define PREVIEW_SCHEMA_VERSION 1

/* null for what is not known. */
static json_t *real_or_null(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *range_or_null(struct range range)
{
    return range_is_said(range) ? json_pack("[f, f]", range.low, range.high)
                                : json_null();
}

static json_t *pack_step(const struct preview *preview, size_t index)
{
    const struct preview_step *step = &preview->steps[index];
    const struct expectation *expectation = &step->expectation;

    return json_pack(
        "{s:s, s:o, s:b, s:b, s:s, s:s, s:o, s:o, s:o, s:o, s:o, s:I, s:I}",
        "name", preview->plan->steps[index].name, "bandwidth_hz",
        real_or_null(step->bandwidth.hz), "is_over_limit", step->is_over_limit,
        "is_run", step->is_run, "expected_source", expectation->source, "why",
        expectation->why, "goodput_bps",
        range_or_null(expectation->goodput_bps), "cycle_ns",
        range_or_null(expectation->cycle_ns), "idle_cycle_ns",
        range_or_null(expectation->idle_cycle_ns), "least_rtt_ns",
        range_or_null(expectation->least_rtt_ns), "mean_rtt_ns",
        range_or_null(expectation->mean_rtt_ns), "planned_ns",
        (json_int_t) step->planned_ns, "longest_ns",
        (json_int_t) step->longest_ns);
}

/* What is most likely, what keeps it from being more, and how a receiver
 * acknowledges. */
static void pack_course(const struct expectation *expectation, json_t *into)
{
    const struct acknowledging *acks = &expectation->acks;
    const struct carried *down = &expectation->ways[WAY_TO_STATION];
    const struct carried *up = &expectation->ways[WAY_TO_HUB];

    (void) json_object_set_new(
        into, "likely_goodput",
        json_pack("{s:o, s:o}", "to_station_bps",
                  real_or_null(down->likely_bps[LAYER_FILE]), "to_hub_bps",
                  real_or_null(up->likely_bps[LAYER_FILE])));
    (void) json_object_set_new(into, "held_by",
                               json_pack("{s:s, s:s}", "to_station",
                                         capacity_terms[down->binds], "to_hub",
                                         capacity_terms[up->binds]));
    (void) json_object_set_new(
        into, "acknowledgements",
        json_pack("{s:o, s:o, s:o}", "segments_each",
                  real_or_null(acks->likely_segments), "segment_spacing_ns",
                  real_or_null(acks->spacing_ns), "timer_ns",
                  range_or_null(acks->timer_ns)));
}

/* Of echoes, by their size: the ping's preset, half a kilobyte, full packets.
 */
static json_t *pack_trips(const struct preview *preview, size_t index)
{
    const struct plan *plan = preview->plan;
    const double full_bytes =
        (double) plan->link.mtu_bytes - IPV4_HEADER_BYTES - ECHO_HEADER_BYTES;
    const double sizes_bytes[] = { 56, 500, full_bytes };
    json_t *list = json_array();

    for (size_t i = 0; i < COUNT_OF(sizes_bytes); i++) {
        const struct situation situation = { .echo_bytes = sizes_bytes[i] };
        struct expectation of_size;

        capacity_expect_when(plan, &plan->steps[index], &situation, &of_size);
        (void) json_array_append_new(
            list,
            json_pack("{s:f, s:o, s:o, s:o}", "echo_bytes", sizes_bytes[i],
                      "least_ns", range_or_null(of_size.least_rtt_ns),
                      "mean_ns", range_or_null(of_size.mean_rtt_ns),
                      "spread_ns", range_or_null(of_size.spread_rtt_ns)));
    }
    return list;
}

/* Beside what pack_step() began with. */
static void pack_step_more(const struct preview *preview, size_t index,
                           json_t *into)
{
    const struct preview_step *step = &preview->steps[index];
    json_t *ways = json_object(), *airtime_s = json_object();
    json_t *uses = json_object();

    for (int way = 0; way < WAY_COUNT; way++) {
        json_t *layers = json_object();

        for (int layer = 0; layer < LAYER_COUNT; layer++)
            (void) json_object_set_new(
                layers, capacity_layers[layer],
                range_or_null(step->expectation.ways[way].layers_bps[layer]));
        (void) json_object_set_new(
            ways, way == WAY_TO_HUB ? "to_hub_bps" : "to_station_bps", layers);
    }
    for (size_t i = 0; i < preview->plan->end_count; i++)
        (void) json_object_set_new(airtime_s, preview->plan->ends[i].name,
                                   real_or_null(step->airtime_s[i]));
    for (int i = 0; i < USE_COUNT; i++)
        (void) json_object_set_new(uses, uses_name((enum use_task) i),
                                   json_string(step->uses[i].words));
    (void) json_object_set_new(into, "designator",
                               json_string(step->bandwidth.designator));
    const enum capacity_said allowed = preview_is_allowed(preview, index);

    (void) json_object_set_new(into, "is_allowed",
                               allowed == SAID_NOTHING
                                   ? json_null()
                                   : json_boolean(allowed == SAID_YES));
    (void) json_object_set_new(into, "bandwidth_by",
                               json_string(step->bandwidth.how));
    (void) json_object_set_new(into, "round_trips", pack_trips(preview, index));
    (void) json_object_set_new(into, "margin_db",
                               range_or_null(step->margin_db));
    (void) json_object_set_new(into, "text_message_ns",
                               range_or_null(step->text_ns));
    (void) json_object_set_new(into, "layers", ways);
    pack_course(&step->expectation, into);
    (void) json_object_set_new(into, "airtime_s_by_end", airtime_s);
    (void) json_object_set_new(into, "uses", uses);
}

static json_t *pack_warnings(const struct preview *preview)
{
    json_t *list = json_array();

    for (size_t i = 0; i < preview->warnings.count; i++) {
        const struct warning *warning = rows_at(&preview->warnings, i);

        (void) json_array_append_new(
            list, json_pack("{s:s, s:s, s:s}", "code", warning->code, "steps",
                            warning->steps, "text", warning->text));
    }
    return list;
}

/* As a plan would write it: what programs do with it is up to them. */
static json_t *pack_spec(const struct plan_exchange *exchange)
{
    json_t *spec = json_object();

    for (size_t i = 0; i < exchange->kind->spec_field_count; i++) {
        const struct field *field = &exchange->kind->spec_fields[i];
        char text[QUANTITY_TEXT_SIZE];

        quantity_write(field, exchange->spec.bytes, text, sizeof(text));
        if (field->key && text[0])
            (void) json_object_set_new(spec, field->key, json_string(text));
    }
    return spec;
}

static json_t *pack_exchange(const struct preview *preview, size_t index)
{
    const struct plan_exchange *exchange = &preview->plan->exchanges[index];
    json_t *planned_ns = json_array();

    for (size_t i = 0; i < preview->plan->step_count; i++)
        (void) json_array_append_new(
            planned_ns,
            json_integer((json_int_t) preview_exchange_ns(preview, index, i)));
    return json_pack("{s:s, s:s, s:s, s:i, s:o, s:o}", "kind",
                     exchange->kind->name, "from", exchange->from, "to",
                     exchange->to, "line", exchange->line, "spec",
                     pack_spec(exchange), "planned_ns_by_step", planned_ns);
}

static json_t *pack_group(const struct preview *preview, size_t index)
{
    const struct plan_group *group = &preview->plan->groups[index];
    json_t *exchanges = json_array();

    for (size_t i = 0; i < group->count; i++)
        (void) json_array_append_new(exchanges,
                                     pack_exchange(preview, group->first + i));
    return exchanges;
}

static json_t *pack_end(const struct plan *plan, size_t index)
{
    const struct plan_end *end = &plan->ends[index];

    return json_pack("{s:s, s:s, s:s, s:s, s:I, s:b}", "name", end->name,
                     "role", end_roles[end->role], "call", end->call, "address",
                     end->address, "port", (json_int_t) end->port,
                     "is_controller", (size_t) plan->controller_end == index);
}

void preview_print_json(FILE *out, const struct preview *preview)
{
    const struct plan *plan = preview->plan;
    json_t *steps = json_array(), *groups = json_array();
    json_t *ends = json_array(), *mind = json_array();

    for (size_t i = 0; i < plan->end_count; i++)
        (void) json_array_append_new(ends, pack_end(plan, i));
    for (size_t i = 0; i < plan->step_count; i++) {
        json_t *step = pack_step(preview, i);

        pack_step_more(preview, i, step);
        (void) json_array_append_new(steps, step);
    }
    for (size_t i = 0; i < plan->group_count; i++)
        (void) json_array_append_new(groups, pack_group(preview, i));
    for (size_t i = 0; cautions[i]; i++)
        (void) json_array_append_new(mind, json_string(cautions[i]));

    json_t *all = json_pack(
        "{s:i, s:s, s:b, s:I, s:o, s:o, s:o, s:I, s:I, s:o}", "schema",
        PREVIEW_SCHEMA_VERSION, "title", plan->title, "on_air", plan->on_air,
        "rounds", (json_int_t) plan->rounds, "ends", ends, "steps", steps,
        "sequence", groups, "planned_ns", (json_int_t) preview->planned_ns,
        "longest_ns", (json_int_t) preview->longest_ns, "cautions", mind);
    (void) json_object_set_new(all, "warnings", pack_warnings(preview));
    if (!all) {
        (void) fputs("out of memory\n", stderr);
        abort();
    }
    (void) json_dumpf(all, out, JSON_INDENT(2) | JSON_REAL_PRECISION(9));
    (void) fputs("\n", out);
    json_decref(all);
}
