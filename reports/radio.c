/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/radio.h"

#include "reports/bandwidth.h"
#include "reports/path.h"
#include "reports/power.h"

#include <bothends/position.h>
#include <string.h>

/* Circular to linear: half of the power (textbook). */
static const double circular_to_linear_db = 3;
static const double right_angle_deg = 90;

static double or_nought(double value)
{
    return isnan(value) ? 0 : value;
}

/* --- a site -------------------------------------------------------------- */

void radio_look_at_site(const struct plan *plan, size_t index,
                        struct radio_site *ret_site)
{
    const struct plan_end *end = &plan->ends[index];
    const struct plan_link *link = &plan->link;
    struct radio_site site = { .line_loss_db = or_nought(end->feed_loss_db) };

    if (end->antenna_swr >= 1)
        site.line_loss_db =
            power_line_loss_db(site.line_loss_db, end->antenna_swr);
    /* NaN where the power or the gain is not said. */
    const double eirp_dbm =
        power_eirp_dbm(end->power_w, site.line_loss_db, end->antenna_gain_dbi);
    site.eirp_w = power_w(eirp_dbm);
    site.erp_w = power_w(power_erp_of_eirp_db(eirp_dbm));
    site.is_limit_default = isnan(link->limit_exposure_wpm2);
    site.density_limit_wpm2 = site.is_limit_default
                                  ? power_public_limit_wpm2(link->frequency_hz)
                                  : link->limit_exposure_wpm2;
    site.exposure_distance_m = power_exposure_distance_m(
        site.eirp_w, site.density_limit_wpm2, POWER_GROUND_FACTOR);
    site.is_over_power = end->power_w > link->limit_power_w;
    site.is_over_eirp = site.eirp_w > link->limit_eirp_w;
    *ret_site = site;
}

/* --- a way --------------------------------------------------------------- */

static size_t find_hub(const struct plan *plan)
{
    for (size_t i = 0; i < plan->end_count; i++) {
        if (plan->ends[i].role == ROLE_HUB && plan_end_is_site(&plan->ends[i]))
            return i;
    }
    return 0;
}

static void measure(const struct plan *plan, struct radio_path *path)
{
    const struct plan_end *hub = &plan->ends[path->hub];
    const struct plan_end *station = &plan->ends[path->station];
    struct position at_hub, at_station;

    path->positions_m = path->bearing_from_hub_deg =
        path->bearing_from_station_deg = (double) NAN;
    if (position_read(hub->position, &at_hub)
        && position_read(station->position, &at_station)) {
        path->positions_m = position_distance_m(&at_hub, &at_station);
        path->bearing_from_hub_deg = position_bearing_deg(&at_hub, &at_station);
        path->bearing_from_station_deg =
            position_bearing_deg(&at_station, &at_hub);
    }
    path->distance_m = !isnan(station->distance_m) ? station->distance_m
                       : !isnan(path->positions_m) ? path->positions_m
                                                   : plan->link.distance_m;
}

/* Height of the antenna above sea level, or above the ground where no end says
 * how high that is. */
static double antenna_m(const struct plan_end *end)
{
    return or_nought(end->ground_m) + end->antenna_height_m;
}

static void look_at_obstacle(const struct plan *plan, struct radio_path *path)
{
    const struct plan_end *station = &plan->ends[path->station];
    const double from_station_m = station->obstacle_distance_m;
    const double from_hub_m = path->distance_m - from_station_m;
    const double hub_m = antenna_m(&plan->ends[path->hub]);
    const double station_m = antenna_m(station);

    path->obstacle_above_m = path->fresnel_m = path->obstacle_db = (double) NAN;
    if (!(from_hub_m > 0))
        return;
    const double line_m =
        station_m + (hub_m - station_m) * from_station_m / path->distance_m;
    path->obstacle_above_m = station->obstacle_height_m
                             + path_bulge_m(from_station_m, from_hub_m)
                             - line_m;
    path->fresnel_m =
        path_fresnel_m(1, plan->link.frequency_hz, from_station_m, from_hub_m);
    path->obstacle_db = path_edge_db(path_edge_v(plan->link.frequency_hz,
                                                 path->obstacle_above_m,
                                                 from_station_m, from_hub_m));
}

static bool is_circular(int polarisation)
{
    return polarisation == POLARISATION_RIGHT
           || polarisation == POLARISATION_LEFT;
}

static double polarisation_loss_db(int a, int b)
{
    if (a == POLARISATION_UNSAID || b == POLARISATION_UNSAID || a == b)
        return 0;
    if (is_circular(a) != is_circular(b))
        return circular_to_linear_db;
    return path_polarisation_db(right_angle_deg);
}

void radio_look_at_path(const struct plan *plan, size_t station,
                        struct radio_path *ret_path)
{
    struct radio_path path = { .station = station, .hub = find_hub(plan) };
    const struct plan_end *hub = &plan->ends[path.hub];
    const struct plan_end *end = &plan->ends[station];
    const double frequency_hz = plan->link.frequency_hz;

    measure(plan, &path);
    path.delay_ns = path_delay_ns(path.distance_m);
    path.guard_least_ns = path_guard_least_ns(path.distance_m, 0);
    path.free_space_db = path_free_space_db(frequency_hz, path.distance_m);
    path.flat_ground_db =
        isnan(hub->antenna_height_m) || isnan(end->antenna_height_m)
            ? (double) NAN
            : path_flat_ground_db(frequency_hz, path.distance_m,
                                  hub->antenna_height_m, end->antenna_height_m);
    /* Above the lower ground, if grounds are known: what a hill adds. */
    const double lower_m =
        fmin(or_nought(hub->ground_m), or_nought(end->ground_m));
    path.horizon_m = isnan(hub->antenna_height_m + end->antenna_height_m)
                         ? (double) NAN
                         : path_horizon_m(antenna_m(hub) - lower_m)
                               + path_horizon_m(antenna_m(end) - lower_m);
    path.polarisation_db = polarisation_loss_db(hub->antenna_polarisation,
                                                end->antenna_polarisation);
    look_at_obstacle(plan, &path);
    *ret_path = path;
}

/* --- a budget ------------------------------------------------------------ */

/* What the receiver needs: the stated level, or so much above its noise; both
 * rise with the noise that comes from outside. */
static double needed_dbm(const struct plan_step *step,
                         const struct plan_end *receiver, double noise_dbm)
{
    if (!isnan(step->sensitivity_dbm))
        return step->sensitivity_dbm + or_nought(receiver->noise_rise_db);
    return noise_dbm + step->signal_to_noise_db;
}

static struct range less(struct range range, double value)
{
    return (struct range){ range.low - value, range.high - value };
}

void radio_budget(const struct plan *plan, const struct plan_step *step,
                  const struct radio_path *path, bool to_hub,
                  struct radio_budget *ret_budget)
{
    const size_t from = to_hub ? path->station : path->hub;
    const size_t to = to_hub ? path->hub : path->station;
    const struct plan_end *receiver = &plan->ends[to];
    struct radio_site sender_site, receiver_site;
    struct bandwidth bandwidth;

    radio_look_at_site(plan, from, &sender_site);
    radio_look_at_site(plan, to, &receiver_site);
    bandwidth_of(step, &bandwidth);
    const double best_dbm =
        power_dbm(sender_site.eirp_w) - path->free_space_db
        - path->polarisation_db - or_nought(path->obstacle_db)
        + receiver->antenna_gain_dbi - receiver_site.line_loss_db;
    const double ground_db =
        or_nought(path->flat_ground_db - path->free_space_db);

    ret_budget->received_dbm = (struct range){ best_dbm - ground_db, best_dbm };
    ret_budget->noise_dbm =
        power_noise_floor_dbm(bandwidth.hz, receiver->noise_figure_db)
        + or_nought(receiver->noise_rise_db);
    ret_budget->needed_dbm = needed_dbm(step, receiver, ret_budget->noise_dbm);
    ret_budget->margin_db =
        less(ret_budget->received_dbm, ret_budget->needed_dbm);
    ret_budget->signal_to_noise_db =
        less(ret_budget->received_dbm, ret_budget->noise_dbm);
}

struct range radio_least_margin_db(const struct plan *plan,
                                   const struct plan_step *step,
                                   size_t *ret_station)
{
    struct range least_db = range_unsaid();

    for (size_t i = 0; i < 2 * plan->end_count; i++) {
        const size_t station = i / 2;
        struct radio_budget budget;
        struct radio_path path;

        if (plan->ends[station].role != ROLE_STATION
            || !plan_end_is_site(&plan->ends[station]))
            continue;
        radio_look_at_path(plan, station, &path);
        radio_budget(plan, step, &path, i % 2, &budget);
        if (isnan(budget.margin_db.high)
            || budget.margin_db.high >= least_db.high)
            continue;
        least_db = budget.margin_db;
        if (ret_station)
            *ret_station = station;
    }
    return least_db;
}

/* --- on the bench -------------------------------------------------------- */

double radio_attenuation_db(const struct plan *plan, size_t from, size_t to,
                            double above_db)
{
    const struct plan_end *receiver = &plan->ends[to];
    double most_dbm = (double) NAN;

    for (size_t i = 0; i < plan->step_count; i++) {
        struct bandwidth bandwidth;

        bandwidth_of(&plan->steps[i], &bandwidth);
        /* Noise from outside stays outside. */
        const double noise_dbm =
            power_noise_floor_dbm(bandwidth.hz, receiver->noise_figure_db);
        const double needed =
            !isnan(plan->steps[i].sensitivity_dbm)
                ? plan->steps[i].sensitivity_dbm
                : noise_dbm + plan->steps[i].signal_to_noise_db;

        most_dbm = fmax(most_dbm, needed);
    }
    return power_dbm(plan->ends[from].power_w) - (most_dbm + above_db);
}

/* --- what is missing ----------------------------------------------------- */

struct list {
    char *text;
    size_t size, used;
};

static void add(struct list *list, const char *what, const char *whose)
{
    if (list->used >= list->size)
        return;
    list->used += (size_t) snprintf(
        list->text + list->used, list->size - list->used, "%s%s%s%s",
        list->used ? ", " : "", what, whose[0] ? " of " : "", whose);
}

/* "power of hilltop and boathouse", "power of 7 sites". */
static void add_of_sites(struct list *list, const char *what,
                         const struct plan *plan, size_t member)
{
    char whose[2 * NAME_SIZE + 8] = "";
    size_t count = 0;

    for (size_t i = 0; i < plan->end_count; i++) {
        const struct plan_end *end = &plan->ends[i];
        double value;

        memcpy(&value, (const char *) end + member, sizeof(value));
        if (!plan_end_is_site(end) || !isnan(value))
            continue;
        const size_t used = strlen(whose);

        if (++count <= 2)
            (void) snprintf(whose + used, sizeof(whose) - used, "%s%s",
                            used ? " and " : "", end->name);
    }
    if (count > 2)
        (void) snprintf(whose, sizeof(whose), "%zu sites", count);
    if (count)
        add(list, what, whose);
}

static bool is_without_distance(const struct plan *plan)
{
    for (size_t i = 0; i < plan->end_count; i++) {
        struct radio_path path;

        if (!plan_end_is_site(&plan->ends[i]) || plan->ends[i].role == ROLE_HUB)
            continue;
        radio_look_at_path(plan, i, &path);
        if (!(path.distance_m > 0))
            return true;
    }
    return false;
}

void radio_missing(const struct plan *plan, char *ret_text, size_t size)
{
    struct list list = { .text = ret_text, .size = size };
    bool needs_noise = false, is_known = true;

    ret_text[0] = '\0';
    if (isnan(plan->link.frequency_hz))
        add(&list, "link.frequency", "");
    for (size_t i = 0; i < plan->step_count; i++) {
        const struct plan_step *step = &plan->steps[i];

        needs_noise = needs_noise || isnan(step->sensitivity_dbm);
        is_known = is_known
                   && !(isnan(step->sensitivity_dbm)
                        && isnan(step->signal_to_noise_db));
    }
    if (!is_known)
        add(&list, "sensitivity", "the steps");
    add_of_sites(&list, "power", plan, offsetof(struct plan_end, power_w));
    add_of_sites(&list, "antenna.gain", plan,
                 offsetof(struct plan_end, antenna_gain_dbi));
    if (is_known && needs_noise)
        add_of_sites(&list, "noise.figure", plan,
                     offsetof(struct plan_end, noise_figure_db));
    if (is_without_distance(plan))
        add(&list, "link.distance", "");
}
