/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/power.h"

#include <math.h>

static const double pi = 3.14159265358979323846;
static const double dipole_gain_db = 2.15;
static const double thermal_dbm_per_hz = -174;
static const double wpm2_per_mwpcm2 = 10;

double power_dbm(double power_w)
{
    return 30 + 10 * log10(power_w);
}

double power_w(double power_dbm)
{
    return pow(10, power_dbm / 10) / 1000;
}

double power_eirp_dbm(double power_w, double line_loss_db, double gain_dbi)
{
    return power_dbm(power_w) - line_loss_db + gain_dbi;
}

double power_erp_of_eirp_db(double eirp_db)
{
    return eirp_db - dipole_gain_db;
}

double power_reflection(double swr)
{
    return (swr - 1) / (swr + 1);
}

double power_return_loss_db(double swr)
{
    return -20 * log10(power_reflection(swr));
}

double power_mismatch_loss_db(double swr)
{
    const double reflection = power_reflection(swr);

    return -10 * log10(1 - reflection * reflection);
}

double power_line_loss_db(double matched_loss_db, double load_swr)
{
    const double reflected =
        power_reflection(load_swr) * power_reflection(load_swr);
    const double ratio = pow(10, matched_loss_db / 10);

    return 10 * log10((ratio * ratio - reflected) / (ratio * (1 - reflected)));
}

double power_swr_at_radio(double line_loss_db, double load_swr)
{
    const double seen =
        power_reflection(load_swr) * pow(10, -line_loss_db / 10);

    return (1 + seen) / (1 - seen);
}

double power_noise_floor_dbm(double bandwidth_hz, double noise_figure_db)
{
    return thermal_dbm_per_hz + 10 * log10(bandwidth_hz) + noise_figure_db;
}

double power_density_wpm2(double eirp_w, double distance_m, double factor)
{
    return factor * eirp_w / (4 * pi * distance_m * distance_m);
}

double power_exposure_distance_m(double eirp_w, double limit_wpm2,
                                 double factor)
{
    return sqrt(factor * eirp_w / (4 * pi * limit_wpm2));
}

/* In the range from 300 MHz to 1.5 GHz the limit grows with the frequency. */
static double limit_wpm2(double frequency_hz, double low_mwpcm2, double divisor,
                         double high_mwpcm2)
{
    const double mhz = frequency_hz / 1e6;

    if (!(mhz >= 30 && mhz <= 100e3))
        return (double) NAN;
    const double mwpcm2 = mhz <= 300    ? low_mwpcm2
                          : mhz <= 1500 ? mhz / divisor
                                        : high_mwpcm2;
    return mwpcm2 * wpm2_per_mwpcm2;
}

double power_public_limit_wpm2(double frequency_hz)
{
    return limit_wpm2(frequency_hz, 0.2, 1500, 1);
}

double power_occupational_limit_wpm2(double frequency_hz)
{
    return limit_wpm2(frequency_hz, 1, 300, 5);
}
