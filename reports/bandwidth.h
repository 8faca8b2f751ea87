/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_BANDWIDTH_H
#define REPORTS_BANDWIDTH_H

#include <bothends/plan.h>

/*
 * Necessary bandwidth and emission designator: ITU-R SM.1138, 47 CFR 2.201 and
 * 2.202.  An estimate from what the plan says of a step; a stated or measured
 * width always wins.
 */

#define DESIGNATOR_SIZE 16

struct bandwidth {
    double hz; /* NaN: can't be told */
    bool is_stated;
    const char *how;                  /* "Carson's rule, 2D + Rs" */
    char designator[DESIGNATOR_SIZE]; /* "60K0F1D"; "": can't be told */
};

void bandwidth_of(const struct plan_step *step, struct bandwidth *ret);

/* Three digits and a letter in the place of the decimal point, "12K5" (47 CFR
 * 2.202(b), ITU Radio Regulations appendix 1); 0.001 Hz to 999 GHz. */
void bandwidth_write(double hz, char *ret_text, size_t size);

/* --- the formulas -------------------------------------------------------- */

/* 2M + 2DK: M half of the symbol rate, D the peak deviation (half the shift),
 * K 1 to 1.2.  In terms of the shift: B + K x shift. */
double bandwidth_fm_hz(double highest_hz, double deviation_hz, double k);
/* The rows for digital signals, from memory of the table: FSK by deviation and
 * bit rate, MSK, PSK and QAM with all their states. */
double bandwidth_fsk_hz(double deviation_hz, double bit_rate_bps);
double bandwidth_msk_hz(double bit_rate_bps);
double bandwidth_psk_hz(double bit_rate_bps, double k, double states_count);
double bandwidth_qam_hz(double bit_rate_bps, double states_count);
/* Rs (1 + a): linear modulation with root-raised-cosine shaping. */
double bandwidth_shaped_hz(double symbol_rate_bd, double roll_off_ratio);

/* The most that a channel can carry: C. E. Shannon, "Communication in the
 * presence of noise", 1949: B log2(1 + S/N). */
double bandwidth_most_bps(double hz, double signal_to_noise_db);

#endif
