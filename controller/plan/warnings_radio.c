/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/warnings.h"

#include "reports/path.h"
#include "reports/radio.h"

#include <bothends/position.h>

#define SHOWN_SIZE WARNING_SHOWN_SIZE

/* A typed distance and two positions may differ by so much before it is worth
 * a word, and an antenna may point so far beside. */
static const double distance_tolerance_ratio = 0.1;
static const double azimuth_tolerance_deg = 45;
/* P.526: free of the first zone's inner six tenths a way is as good as free. */
static const double clearance_ratio = 0.6;

/* --- sites --------------------------------------------------------------- */

static void look_at_power(struct preview *preview, size_t index)
{
    const struct plan *plan = preview->plan;
    const struct plan_end *end = &plan->ends[index];
    char is[SHOWN_SIZE], limit[SHOWN_SIZE];
    struct radio_site site;

    radio_look_at_site(plan, index, &site);
    if (site.is_over_power) {
        warning_show(UNIT_WATT, end->power_w, is);
        warning_show(UNIT_WATT, plan->link.limit_power_w, limit);
        warnings_add(preview, "power-above-limit", PLAN_STEPS_MAX,
                     "%s transmits %s: link.limits.power is %s", end->name, is,
                     limit);
    }
    if (site.is_over_eirp) {
        warning_show(UNIT_WATT, site.eirp_w, is);
        warning_show(UNIT_WATT, plan->link.limit_eirp_w, limit);
        warnings_add(preview, "eirp-above-limit", PLAN_STEPS_MAX,
                     "%s radiates %s EIRP: link.limits.eirp is %s", end->name,
                     is, limit);
    }
}

/* --- ways ---------------------------------------------------------------- */

static void look_at_guard(struct preview *preview,
                          const struct radio_path *path)
{
    const struct plan_link *link = &preview->plan->link;
    const bool has_guard = range_is_said(link->guard_ns);
    const double guard_ns =
        has_guard ? link->guard_ns.low : link->slot_overhead_ns.low;
    char guard[SHOWN_SIZE], way[SHOWN_SIZE], least[SHOWN_SIZE];
    char reach[SHOWN_SIZE];

    /* Without a word about overhead nothing is known of the guard either. */
    if (link->access == ACCESS_FULL_DUPLEX || (!has_guard && !(guard_ns > 0))
        || !(path->guard_least_ns > guard_ns))
        return;
    warning_show(UNIT_DURATION, guard_ns, guard);
    warning_show(UNIT_DURATION, path->guard_least_ns, least);
    warning_show(UNIT_METRE, path->distance_m, way);
    warning_show(UNIT_METRE, path_guard_reach_m(guard_ns, 0), reach);
    warnings_add(preview, "guard-too-short", PLAN_STEPS_MAX,
                 "%s of %s is too short for %s, %s away: what it sends comes "
                 "up to %s late (there and back); it does for %s, unless the "
                 "radios advance their timing",
                 has_guard ? "a guard" : "a slot_overhead", guard,
                 preview->plan->ends[path->station].name, way, least, reach);
}

static void look_at_line_of_sight(struct preview *preview,
                                  const struct radio_path *path)
{
    const char *name = preview->plan->ends[path->station].name;
    char way[SHOWN_SIZE], horizon[SHOWN_SIZE], loss[SHOWN_SIZE];

    warning_show(UNIT_METRE, path->distance_m, way);
    if (path->distance_m > path->horizon_m) {
        warning_show(UNIT_METRE, path->horizon_m, horizon);
        warnings_add(preview, "over-horizon", PLAN_STEPS_MAX,
                     "%s is %s away, and the antennas see no farther than %s "
                     "over a smooth Earth: expect much less signal",
                     name, way, horizon);
    }
    if (preview->plan->ends[path->station].obstacle_distance_m
        >= path->distance_m) {
        warnings_add(preview, "obstacle-beyond-hub", PLAN_STEPS_MAX,
                     "the obstacle of %s lies beyond the hub, %s away: its "
                     "distance counts from the station",
                     name, way);
    } else if (path->obstacle_above_m > -clearance_ratio * path->fresnel_m) {
        warning_show(UNIT_DB, path->obstacle_db, loss);
        warnings_add(preview, "obstacle-in-the-way", PLAN_STEPS_MAX,
                     "the obstacle of %s stands %.0f m %s the line of sight, "
                     "where 0.6 of the first Fresnel zone, %.0f m, should be "
                     "free: about %s are lost (counted in the margin)",
                     name, fabs(path->obstacle_above_m),
                     path->obstacle_above_m > 0 ? "above" : "below",
                     clearance_ratio * path->fresnel_m, loss);
    }
}

static void look_at_positions(struct preview *preview,
                              const struct radio_path *path)
{
    const struct plan *plan = preview->plan;
    const char *name = plan->ends[path->station].name;
    struct position at_hub = { 0 }, at_station = { 0 };
    char way[SHOWN_SIZE], other[SHOWN_SIZE];

    if (isnan(path->positions_m))
        return;
    (void) position_read(plan->ends[path->hub].position, &at_hub);
    (void) position_read(plan->ends[path->station].position, &at_station);
    if (fabs(path->positions_m - path->distance_m)
        <= distance_tolerance_ratio * path->distance_m + at_hub.within_m
               + at_station.within_m)
        return;
    warning_show(UNIT_METRE, path->distance_m, way);
    warning_show(UNIT_METRE, path->positions_m, other);
    warnings_add(preview, "distance-not-of-positions", PLAN_STEPS_MAX,
                 "%s is said to be %s from the hub, but by the positions it is "
                 "%s",
                 name, way, other);
}

static void look_at_azimuth(struct preview *preview, size_t end, size_t other,
                            double bearing_deg)
{
    const struct plan *plan = preview->plan;
    const double beside_deg =
        fabs(remainder(plan->ends[end].antenna_azimuth_deg - bearing_deg, 360));

    if (beside_deg > azimuth_tolerance_deg)
        warnings_add(preview, "antenna-points-away", PLAN_STEPS_MAX,
                     "the antenna of %s points to %.0f deg, but %s lies at "
                     "%.0f deg",
                     plan->ends[end].name, plan->ends[end].antenna_azimuth_deg,
                     plan->ends[other].name, bearing_deg);
}

static void look_at_polarisation(struct preview *preview,
                                 const struct radio_path *path)
{
    const struct plan *plan = preview->plan;

    if (path->polarisation_db > 0)
        warnings_add(
            preview, "polarisation-differs", PLAN_STEPS_MAX,
            "%s is polarised %s and %s %s: about %.0f dB are lost "
            "(counted in the margin)",
            plan->ends[path->hub].name,
            polarisations[plan->ends[path->hub].antenna_polarisation],
            plan->ends[path->station].name,
            polarisations[plan->ends[path->station].antenna_polarisation],
            path->polarisation_db);
}

static void look_at_path(struct preview *preview, size_t station)
{
    struct radio_path path;

    radio_look_at_path(preview->plan, station, &path);
    look_at_guard(preview, &path);
    look_at_line_of_sight(preview, &path);
    look_at_positions(preview, &path);
    look_at_azimuth(preview, station, path.hub, path.bearing_from_station_deg);
    look_at_azimuth(preview, path.hub, station, path.bearing_from_hub_deg);
    look_at_polarisation(preview, &path);
}

/* --- margins ------------------------------------------------------------- */

static void look_at_margin(struct preview *preview, size_t step)
{
    const struct plan *plan = preview->plan;
    const double wanted_db = plan->link.fade_margin_db;
    size_t station = 0;
    const struct range margin_db =
        radio_least_margin_db(plan, &plan->steps[step], &station);

    if (margin_db.high < 0)
        warnings_add(preview, "no-margin", step,
                     "what arrives at or from %s is %.0f dB below what the "
                     "step needs, even in free space",
                     plan->ends[station].name, -margin_db.high);
    else if (margin_db.high < wanted_db)
        warnings_add(preview, "margin-below-wanted", step,
                     "a margin of %.0f dB at the most for %s: fade_margin is "
                     "%.0f dB",
                     margin_db.high, plan->ends[station].name, wanted_db);
    else if (margin_db.low < fmax(0, isnan(wanted_db) ? 0 : wanted_db))
        warnings_add(preview, "margin-needs-free-space", step,
                     "enough margin for %s only if the way is as good as free "
                     "space: %.0f dB over flat ground",
                     plan->ends[station].name, margin_db.low);
}

void warnings_find_radio(struct preview *preview)
{
    const struct plan *plan = preview->plan;

    for (size_t i = 0; i < plan->end_count; i++) {
        if (!plan_end_is_site(&plan->ends[i]))
            continue;
        look_at_power(preview, i);
        if (plan->ends[i].role == ROLE_STATION)
            look_at_path(preview, i);
    }
    for (size_t i = 0; i < plan->step_count; i++)
        look_at_margin(preview, i);
}
