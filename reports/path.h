/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_PATH_H
#define REPORTS_PATH_H

/*
 * The way through the air: losses, obstacles, horizon and travel time.  Lengths
 * in m, frequencies in Hz, losses in dB.
 */

/* Free space: ITU-R P.525, 32.4 + 20 log f(MHz) + 20 log d(km).  Sources print
 * 32.4, 32.44 or 32.45: this is P.525's. */
double path_free_space_db(double frequency_hz, double distance_m);

/* Over flat ground, where the reflected wave meets the direct one: the far
 * limit 40 log d - 20 log ht - 20 log hr, or free space if that is more. */
double path_flat_ground_db(double frequency_hz, double distance_m,
                           double height_a_m, double height_b_m);

double path_wavelength_m(double frequency_hz);

/* Radius of the n-th Fresnel zone at a point of the way: ITU-R P.526-8
 * equation (3), with its constant 550. */
double path_fresnel_m(int zone, double frequency_hz, double from_a_m,
                      double from_b_m);

/* A single knife edge that stands h above the line (h < 0: below): ITU-R P.526
 * section 4.1, v and J(v), equation (31). */
double path_edge_v(double frequency_hz, double height_m, double from_a_m,
                   double from_b_m);
double path_edge_db(double v);

/* With the standard atmosphere the Earth looks 4/3 as large: how far a place at
 * that height sees, and how high the Earth stands between two points. */
double path_horizon_m(double height_m);
double path_bulge_m(double from_a_m, double from_b_m);

/* Between waves polarised in straight lines at that angle (cosine squared of
 * the power); crossed ones are told apart by about 20 dB in practice. */
double path_polarisation_db(double angle_deg);

double path_delay_ns(double distance_m);

/*
 * A station that times itself by what it hears from the hub answers two
 * delays late: guard >= 2 d/c + what else eats of it (clock drift since it
 * heard the hub, jitter, ramps).
 */
double path_guard_least_ns(double distance_m, double eaten_ns);
double path_guard_reach_m(double guard_ns, double eaten_ns);
/* What two clocks of that accuracy drift apart meanwhile. */
double path_drift_ns(double accuracy_ppm, double meanwhile_ns);

#endif
