/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_site.h"

#include "reports/radio.h"
#include "reports/wording.h"

#include <bothends/position.h>
#include <inttypes.h>

static const double k = 1e3;

/* --- the ends ------------------------------------------------------------- */

#define CELL_SIZE 160

/* One column of the table of ends; "" where that end has nothing to say. */
struct end_column {
    const char *heading, *rule;
    void (*tell)(const struct plan_end *end, char ret_text[CELL_SIZE]);
};

static void tell_text(char ret_text[CELL_SIZE], const char *text)
{
    (void) snprintf(ret_text, CELL_SIZE, "%s", text);
}

static void tell_number(char ret_text[CELL_SIZE], double value,
                        const char *unit)
{
    char number[FIGURE_SIZE];

    if (isnan(value))
        return;
    wording_significant(value, 4, number);
    (void) snprintf(ret_text, CELL_SIZE, "%s %s", number, unit);
}

static void tell_name(const struct plan_end *end, char ret_text[CELL_SIZE])
{
    tell_text(ret_text, end->name);
}

static void tell_role(const struct plan_end *end, char ret_text[CELL_SIZE])
{
    (void) snprintf(ret_text, CELL_SIZE, "%s%s", end_roles[end->role],
                    end->agent == AGENT_NONE ? ", no agent" : "");
}

static void tell_call(const struct plan_end *end, char ret_text[CELL_SIZE])
{
    tell_text(ret_text, end->call);
}

static void tell_address(const struct plan_end *end, char ret_text[CELL_SIZE])
{
    tell_text(ret_text, end->address);
}

static void tell_position(const struct plan_end *end, char ret_text[CELL_SIZE])
{
    tell_text(ret_text, end->position);
}

static void tell_radio(const struct plan_end *end, char ret_text[CELL_SIZE])
{
    tell_text(ret_text, end->radio);
}

static void tell_power(const struct plan_end *end, char ret_text[CELL_SIZE])
{
    tell_number(ret_text, end->power_w, "W");
}

static void tell_antenna(const struct plan_end *end, char ret_text[CELL_SIZE])
{
    tell_text(ret_text, end->antenna_type);
}

static void tell_gain(const struct plan_end *end, char ret_text[CELL_SIZE])
{
    tell_number(ret_text, end->antenna_gain_dbi, "dBi");
}

static void tell_height(const struct plan_end *end, char ret_text[CELL_SIZE])
{
    tell_number(ret_text, end->antenna_height_m, "m");
}

static void tell_ground(const struct plan_end *end, char ret_text[CELL_SIZE])
{
    tell_number(ret_text, end->ground_m, "m");
}

static void tell_azimuth(const struct plan_end *end, char ret_text[CELL_SIZE])
{
    tell_number(ret_text, end->antenna_azimuth_deg, "°");
}

static void tell_supply(const struct plan_end *end, char ret_text[CELL_SIZE])
{
    tell_text(ret_text, end->supply);
}

static const struct end_column columns[] = {
    { "end", "---", tell_name },
    { "role", "---", tell_role },
    { "call", "---", tell_call },
    { "address", "---", tell_address },
    { "position", "---", tell_position },
    { "radio", "---", tell_radio },
    { "power", "---:", tell_power },
    { "supply", "---", tell_supply },
    { "antenna", "---", tell_antenna },
    { "gain", "---:", tell_gain },
    { "points to", "---:", tell_azimuth },
    { "above ground", "---:", tell_height },
    { "ground above sea", "---:", tell_ground },
};

static bool is_told(const struct plan *plan, const struct end_column *column)
{
    for (size_t i = 0; i < plan->end_count; i++) {
        char text[CELL_SIZE] = "";

        column->tell(&plan->ends[i], text);
        if (text[0])
            return true;
    }
    return false;
}

static void write_end(const struct plan_end *end,
                      const bool is_shown[COUNT_OF(columns)], FILE *out)
{
    for (size_t i = 0; i < COUNT_OF(columns); i++) {
        char text[CELL_SIZE] = "";

        if (!is_shown[i])
            continue;
        columns[i].tell(end, text);
        (void) fputs("| ", out);
        wording_escape(out, text);
        (void) fputc(' ', out);
    }
    (void) fputs("|\n", out);
}

/* Only the columns in which some end says something. */
static void write_ends(const struct plan *plan, FILE *out)
{
    bool is_shown[COUNT_OF(columns)];

    if (!plan->end_count)
        return;
    for (size_t i = 0; i < COUNT_OF(columns); i++) {
        is_shown[i] = is_told(plan, &columns[i]);
        if (is_shown[i])
            (void) fprintf(out, "| %s ", columns[i].heading);
    }
    (void) fputs("|\n", out);
    for (size_t i = 0; i < COUNT_OF(columns); i++) {
        if (is_shown[i])
            (void) fprintf(out, "|%s", columns[i].rule);
    }
    (void) fputs("|\n", out);
    for (size_t i = 0; i < plan->end_count; i++)
        write_end(&plan->ends[i], is_shown, out);
    (void) fputc('\n', out);
}

/* --- the ways ------------------------------------------------------------- */

static double within_m(const struct plan_end *end)
{
    struct position position;

    return position_read(end->position, &position) ? position.within_m : 0;
}

static void write_distance(const struct reduction *reduction, double distance_m,
                           double error_m, FILE *out)
{
    const bool is_short = distance_m < 1e3;
    const double unit_m = is_short ? 1 : 1e3;
    char number[FIGURE_SIZE];

    if (error_m > 0)
        (void) snprintf(number, sizeof(number), "%.*f",
                        wording_decimals(error_m / unit_m, 2),
                        distance_m / unit_m);
    else
        wording_significant(distance_m / unit_m, 3, number);
    (void) fprintf(out, "%s%s %s",
                   reduction->is_public ? "at most "
                   : error_m > 0        ? "about "
                                        : "",
                   number, is_short ? "m" : "km");
}

/* Rounded to what the squares of the locators allow; beyond 15 degrees a
 * bearing says nothing. */
static double bearing_step_deg(const struct radio_path *path, double error_m)
{
    const double error_deg =
        atan2(error_m, path->positions_m) / position_radians(1);

    return error_deg < 1 ? 1 : error_deg < 5 ? 5 : error_deg < 15 ? 15 : 0;
}

static void write_bearing(double bearing_deg, double step_deg, FILE *out)
{
    const double rounded_deg = round(bearing_deg / step_deg) * step_deg;

    (void) fprintf(out, "%s%.0f°", step_deg > 1 ? "about " : "",
                   fmod(rounded_deg, 360));
}

static void write_way(const struct reduction *reduction,
                      const struct radio_path *path, FILE *out)
{
    const struct plan_end *hub = &reduction->plan->ends[path->hub];
    const struct plan_end *station = &reduction->plan->ends[path->station];
    const double error_m = within_m(hub) + within_m(station);
    const double step_deg = bearing_step_deg(path, error_m);

    (void) fputs("- ", out);
    wording_escape(out, hub->name);
    (void) fputs(" to ", out);
    wording_escape(out, station->name);
    (void) fputs(": ", out);
    write_distance(reduction, path->distance_m,
                   isnan(station->distance_m) ? error_m : 0, out);
    if (!isnan(path->positions_m) && step_deg > 0) {
        (void) fputs(", bearing ", out);
        write_bearing(path->bearing_from_hub_deg, step_deg, out);
        (void) fputs(" from true north, and back ", out);
        write_bearing(path->bearing_from_station_deg, step_deg, out);
    }
    (void) fputs("\n", out);
}

/* A station's own way to the hub, told by a distance or by positions. */
static bool has_way(const struct plan *plan, size_t index,
                    struct radio_path *ret_path)
{
    const struct plan_end *end = &plan->ends[index];

    if (end->role != ROLE_STATION || !plan_end_is_site(end))
        return false;
    radio_look_at_path(plan, index, ret_path);
    return !isnan(end->distance_m) || !isnan(ret_path->positions_m);
}

static bool write_ways(const struct reduction *reduction, FILE *out)
{
    const struct plan *plan = reduction->plan;
    struct radio_path path;
    bool has_any = false;

    for (size_t i = 0; i < plan->end_count; i++) {
        if (!has_way(plan, i, &path))
            continue;
        if (!has_any)
            (void) fputs("The ways from the hub, in a straight line:\n\n", out);
        write_way(reduction, &path, out);
        has_any = true;
    }
    if (has_any)
        (void) fputc('\n', out);
    return has_any;
}

/* --- conditions ----------------------------------------------------------- */

/* What was said with the run comes before what the plan says. */
static const char *said(const char *with_run, const char *in_plan)
{
    return with_run[0] ? with_run : in_plan;
}

static void write_note(const char *label, const char *text, bool *has_any,
                       FILE *out)
{
    if (!text[0])
        return;
    if (!*has_any)
        (void) fputs("Conditions and notes:\n\n", out);
    *has_any = true;
    (void) fputs("- ", out);
    wording_escape(out, label);
    (void) fputs(": ", out);
    wording_escape(out, text);
    (void) fputc('\n', out);
}

static void write_notes(const struct reduction *reduction, FILE *out)
{
    const struct plan *plan = reduction->plan;
    bool has_any = false;

    write_note("Weather", said(reduction->run.weather, plan->weather), &has_any,
               out);
    write_note("Note", said(reduction->run.note, plan->note), &has_any, out);
    for (size_t i = 0; i < plan->end_count; i++)
        write_note(plan->ends[i].name, plan->ends[i].note, &has_any, out);
    if (has_any)
        (void) fputc('\n', out);
}

/* --- the channel ---------------------------------------------------------- */

static void write_range(FILE *out, struct range range, double unit,
                        const char *word)
{
    char low[FIGURE_SIZE], high[FIGURE_SIZE];

    wording_significant(range.low / unit, 6, low);
    wording_significant(range.high / unit, 6, high);
    if (range.low == range.high)
        (void) fprintf(out, "%s %s", low, word);
    else
        (void) fprintf(out, "%s–%s %s", low, high, word);
}

static void write_link(const struct reduction *reduction, bool has_ways,
                       FILE *out)
{
    const struct plan_link *link = &reduction->plan->link;
    char number[FIGURE_SIZE];

    (void) fprintf(out, "The channel: %s access", link_accesses[link->access]);
    if (!isnan(link->frequency_hz)) {
        wording_significant(link->frequency_hz / 1e6, 7, number);
        (void) fprintf(out, ", %s MHz", number);
    }
    if (!has_ways && !isnan(link->distance_m)) {
        (void) fputs(", ", out);
        write_distance(reduction, link->distance_m, 0, out);
    }
    if (range_is_said(link->slot_overhead_ns)) {
        (void) fputs(", slot overhead ", out);
        write_range(out, link->slot_overhead_ns, 1e6, "ms");
    }
    if (range_is_said(link->slot_limit_ns)) {
        (void) fputs(", slot limit ", out);
        write_range(out, link->slot_limit_ns, 1e6, "ms");
    }
    if (link->frame_payload_bytes)
        (void) fprintf(out, ", frames of %" PRIu64 " + %" PRIu64 " B",
                       link->frame_payload_bytes, link->frame_overhead_bytes);
    (void) fprintf(out, ", MTU %" PRIu64 " B.\n\n", link->mtu_bytes);
}

/* --- the steps ------------------------------------------------------------ */

static void write_typed(const struct plan_step *step, FILE *out)
{
    char number[FIGURE_SIZE];

    if (range_is_said(step->symbol_rate_bd)) {
        write_range(out, step->symbol_rate_bd, 1e3, "kBd");
        wording_significant(step->code_rate_ratio, 4, number);
        (void) fprintf(out, ", %" PRIu64 " levels, code rate %s", step->levels,
                       number);
    } else if (range_is_said(step->usable_rate_bps)) {
        write_range(out, step->usable_rate_bps, 1e3, "kbit/s");
        (void) fprintf(out, " usable (%s)", rate_scopes[step->usable_rate_is]);
    }
}

static void write_cell(FILE *out, double value, const char *unit)
{
    char text[CELL_SIZE] = "";

    tell_number(text, value, unit);
    (void) fprintf(out, " | %s", text);
}

/* What no step of the plan says has no column. */
struct step_table {
    bool has_bandwidth, has_sensitivity;
};

static void write_step(const struct reduction *reduction, size_t index,
                       const struct step_table *table, FILE *out)
{
    const struct plan_step *step = &reduction->plan->steps[index];
    const struct expectation *expectation = &reduction->expectations[index];
    const struct finding range = {
        .value = (double) NAN,
        .expected_low = expectation->goodput_bps.low,
        .expected_high = expectation->goodput_bps.high,
    };
    char goodput[FIGURE_SIZE];

    wording_expected(&range, k, goodput);
    (void) fputs("| ", out);
    wording_escape(out, step->name);
    (void) fputs(" | ", out);
    write_typed(step, out);
    if (table->has_bandwidth)
        write_cell(out, capacity_bandwidth_hz(step) / 1e3, "kHz");
    if (table->has_sensitivity)
        write_cell(out, step->sensitivity_dbm, "dBm");
    (void) fprintf(out, " | %s | %s |\n", goodput,
                   expectation->source[0] ? expectation->source : "–");
}

static void write_steps(const struct reduction *reduction, FILE *out)
{
    const struct plan *plan = reduction->plan;
    struct step_table table = { .has_bandwidth = false };

    for (size_t i = 0; i < plan->step_count; i++) {
        table.has_bandwidth |= !isnan(capacity_bandwidth_hz(&plan->steps[i]));
        table.has_sensitivity |= !isnan(plan->steps[i].sensitivity_dbm);
    }
    if (!plan->step_count)
        return;
    (void) fprintf(
        out,
        "| step | as typed |%s%s expected goodput, kbit/s | source |\n"
        "|---|---|%s%s---:|---|\n",
        table.has_bandwidth ? " bandwidth |" : "",
        table.has_sensitivity ? " sensitivity |" : "",
        table.has_bandwidth ? "---:|" : "",
        table.has_sensitivity ? "---:|" : "");
    for (size_t i = 0; i < plan->step_count; i++)
        write_step(reduction, i, &table, out);
    (void) fputc('\n', out);
}

void markdown_site(const struct reduction *reduction, FILE *out)
{
    (void) fputs("## The site\n\n", out);
    if (reduction->is_public)
        (void) fputs("Addresses were left out of this public report; places "
                     "and distances are told only roughly.\n\n",
                     out);
    write_ends(reduction->plan, out);
    const bool has_ways = write_ways(reduction, out);

    write_notes(reduction, out);
    write_link(reduction, has_ways, out);
    write_steps(reduction, out);
}
