/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/path.h"

#include <math.h>

static const double pi = 3.14159265358979323846;
static const double light_mps = 299792458.0;
static const double earth_radius_m = 6371e3;
static const double refraction_ratio = 4.0 / 3; /* standard atmosphere */
static const double crossed_db = 20;            /* at the most, in practice */

double path_free_space_db(double frequency_hz, double distance_m)
{
    return 32.4 + 20 * log10(frequency_hz / 1e6) + 20 * log10(distance_m / 1e3);
}

double path_flat_ground_db(double frequency_hz, double distance_m,
                           double height_a_m, double height_b_m)
{
    const double far_db = 40 * log10(distance_m) - 20 * log10(height_a_m)
                          - 20 * log10(height_b_m);

    return fmax(far_db, path_free_space_db(frequency_hz, distance_m));
}

double path_wavelength_m(double frequency_hz)
{
    return light_mps / frequency_hz;
}

double path_fresnel_m(int zone, double frequency_hz, double from_a_m,
                      double from_b_m)
{
    const double a_km = from_a_m / 1e3, b_km = from_b_m / 1e3;

    return 550
           * sqrt(zone * a_km * b_km / ((a_km + b_km) * frequency_hz / 1e6));
}

double path_edge_v(double frequency_hz, double height_m, double from_a_m,
                   double from_b_m)
{
    return height_m
           * sqrt(2 / path_wavelength_m(frequency_hz)
                  * (1 / from_a_m + 1 / from_b_m));
}

double path_edge_db(double v)
{
    if (v <= -0.78)
        return 0;
    return 6.9 + 20 * log10(sqrt((v - 0.1) * (v - 0.1) + 1) + v - 0.1);
}

double path_horizon_m(double height_m)
{
    return sqrt(2 * refraction_ratio * earth_radius_m * fmax(height_m, 0));
}

double path_bulge_m(double from_a_m, double from_b_m)
{
    return from_a_m * from_b_m / (2 * refraction_ratio * earth_radius_m);
}

double path_polarisation_db(double angle_deg)
{
    const double loss_db = -20 * log10(fabs(cos(angle_deg * pi / 180)));

    return fmin(loss_db, crossed_db);
}

double path_delay_ns(double distance_m)
{
    return distance_m / light_mps * 1e9;
}

double path_guard_least_ns(double distance_m, double eaten_ns)
{
    return 2 * path_delay_ns(distance_m) + eaten_ns;
}

double path_guard_reach_m(double guard_ns, double eaten_ns)
{
    return fmax(0, (guard_ns - eaten_ns) * 1e-9 * light_mps / 2);
}

double path_drift_ns(double accuracy_ppm, double meanwhile_ns)
{
    return 2 * accuracy_ppm * 1e-6 * meanwhile_ns;
}
