/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_POWER_H
#define REPORTS_POWER_H

/*
 * Power: what is radiated, what a receiver needs, and how far people should
 * keep away.  Levels in dBm, gains and losses in dB.
 */

double power_dbm(double power_w);
double power_w(double power_dbm);

/* Gain over an isotropic antenna; ERP counts from a dipole, 2.15 dB less. */
double power_eirp_dbm(double power_w, double line_loss_db, double gain_dbi);
double power_erp_of_eirp_db(double eirp_db);

/* --- mismatch ------------------------------------------------------------ */

double power_reflection(double swr); /* of voltage, 0 to 1 */
double power_return_loss_db(double swr);
double power_mismatch_loss_db(double swr);
/* A line of that matched loss before a load of that SWR (handbook form, quoted
 * from memory); and what SWR the radio sees through it. */
double power_line_loss_db(double matched_loss_db, double load_swr);
double power_swr_at_radio(double line_loss_db, double load_swr);

/* --- noise --------------------------------------------------------------- */

/* -174 + 10 log B + NF: thermal noise at 290 K. */
double power_noise_floor_dbm(double bandwidth_hz, double noise_figure_db);

/* --- exposure ------------------------------------------------------------ */

/* Far field: F x EIRP / (4 pi d^2), F = 2.56 where the ground reflects (OET
 * Bulletin 65, 1.6 squared), else 1.  Not valid nearer than about 2 D^2 over
 * the wavelength, D being the antenna's size. */
#define POWER_GROUND_FACTOR 2.56
double power_density_wpm2(double eirp_w, double distance_m, double factor);
double power_exposure_distance_m(double eirp_w, double limit_wpm2,
                                 double factor);

/* 47 CFR 1.1310 table 1, general public (30 minutes' average): 0.2 mW/cm2 from
 * 30 to 300 MHz, f/1500 up to 1.5 GHz, 1 up to 100 GHz.  NaN elsewhere.  And
 * the same for those at work, who know of it. */
double power_public_limit_wpm2(double frequency_hz);
double power_occupational_limit_wpm2(double frequency_hz);

#endif
