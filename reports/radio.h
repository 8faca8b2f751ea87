/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_RADIO_H
#define REPORTS_RADIO_H

#include <bothends/plan.h>

/*
 * What the plan says of sites and of the ways between them, worked out: what a
 * site radiates, what a way costs, and what level arrives.  Everything is an
 * expectation for the record, not a survey: a real way over ground often loses
 * tens of dB more than free space.  What can't be said stays NaN.
 */

struct radio_site {
    double line_loss_db; /* line and mismatch; 0 when nothing is said */
    double eirp_w, erp_w;
    double density_limit_wpm2;
    bool is_limit_default; /* 47 CFR 1.1310, general public */
    /* Where people are within the limit, the transmitter always on and the
     * ground reflecting. */
    double exposure_distance_m;
    bool is_over_power, is_over_eirp; /* ... the plan's limits */
};

/* The way from a station to the hub. */
struct radio_path {
    size_t station, hub; /* ends of the plan */
    double distance_m;
    double positions_m; /* by the positions; NaN: not both said */
    double bearing_from_hub_deg, bearing_from_station_deg;
    double delay_ns;
    double free_space_db;
    double flat_ground_db; /* at least free space */
    double horizon_m;      /* of both antennas together */
    /* The stated obstacle: how far its top stands above the line of sight
     * (below: negative), the radius of the first Fresnel zone there, and what
     * a knife edge of that height costs. */
    double obstacle_above_m, fresnel_m, obstacle_db;
    double polarisation_db; /* 0 when not both are said */
    double guard_least_ns;  /* 2 d/c */
};

/* One direction of a way on a step. */
struct radio_budget {
    struct range received_dbm; /* flat ground .. free space */
    double noise_dbm;          /* in the step's bandwidth, with its rise */
    double needed_dbm;         /* sensitivity, or noise and signal to noise */
    struct range margin_db;
    struct range signal_to_noise_db;
};

void radio_look_at_site(const struct plan *plan, size_t index,
                        struct radio_site *ret_site);
/* The way from the station to the plan's hub. */
void radio_look_at_path(const struct plan *plan, size_t station,
                        struct radio_path *ret_path);
void radio_budget(const struct plan *plan, const struct plan_step *step,
                  const struct radio_path *path, bool to_hub,
                  struct radio_budget *ret_budget);

/* The least margin of all ways and both directions; NaN where no way has one.
 * ret_station (may be NULL): whose it is. */
struct range radio_least_margin_db(const struct plan *plan,
                                   const struct plan_step *step,
                                   size_t *ret_station);

/*
 * On the bench: the loss between the radios of two ends that leaves the
 * receiver so much above what the most demanding step needs; NaN where that is
 * not known. The antennas are off, so only power and need count.
 */
double radio_attenuation_db(const struct plan *plan, size_t from, size_t to,
                            double above_db);

/* "no margin: frequency, power of hilltop and sensitivity are not said"; ""
 * when nothing is missing. */
void radio_missing(const struct plan *plan, char *ret_text, size_t size);

#endif
