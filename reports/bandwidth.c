/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/bandwidth.h"

#include <string.h>

double bandwidth_fm_hz(double highest_hz, double deviation_hz, double k)
{
    return 2 * highest_hz + 2 * deviation_hz * k;
}

/* The two rows meet at 2D/R = 1, where both give 2.2 R. */
double bandwidth_fsk_hz(double deviation_hz, double bit_rate_bps)
{
    return 2 * deviation_hz < bit_rate_bps
               ? 3.86 * deviation_hz + 0.27 * bit_rate_bps
               : 2.4 * deviation_hz + 1.0 * bit_rate_bps;
}

double bandwidth_msk_hz(double bit_rate_bps)
{
    return 1.18 * bit_rate_bps;
}

double bandwidth_psk_hz(double bit_rate_bps, double k, double states_count)
{
    return 2 * bit_rate_bps * k / log2(states_count);
}

double bandwidth_qam_hz(double bit_rate_bps, double states_count)
{
    return 2 * bit_rate_bps / log2(states_count);
}

double bandwidth_shaped_hz(double symbol_rate_bd, double roll_off_ratio)
{
    return symbol_rate_bd * (1 + roll_off_ratio);
}

double bandwidth_most_bps(double hz, double signal_to_noise_db)
{
    return hz * log2(1 + pow(10, signal_to_noise_db / 10));
}

/* --- of a step ----------------------------------------------------------- */

/* Carson's rule: the highest modulating frequency of an M-level signal is half
 * of the symbol rate, and D its outer deviation. */
static void estimate_fsk(const struct plan_step *step, struct bandwidth *ret)
{
    if (isnan(step->deviation_hz))
        return;
    ret->hz =
        bandwidth_fm_hz(step->symbol_rate_bd.high / 2, step->deviation_hz, 1);
    ret->how = "Carson's rule, 2 x deviation + symbol rate";
}

static void estimate_linear(const struct plan_step *step, struct bandwidth *ret)
{
    const double states_count = (double) step->levels;
    const double rate_bps = step->symbol_rate_bd.high * log2(states_count);

    if (!isnan(step->roll_off_ratio)) {
        ret->hz = bandwidth_shaped_hz(step->symbol_rate_bd.high,
                                      step->roll_off_ratio);
        ret->how = "symbol rate x (1 + roll-off)";
    } else if (step->modulation == MODULATION_PSK) {
        ret->hz = bandwidth_psk_hz(rate_bps, 1, states_count);
        ret->how = "ITU-R SM.1138, PSK with K = 1";
    } else {
        ret->hz = bandwidth_qam_hz(rate_bps, states_count);
        ret->how = "ITU-R SM.1138, QAM";
    }
}

static void estimate(const struct plan_step *step, struct bandwidth *ret)
{
    if (!range_is_said(step->symbol_rate_bd))
        return;
    switch ((enum modulation) step->modulation) {
    case MODULATION_UNSAID:
    case MODULATION_FSK:
        estimate_fsk(step, ret);
        return;
    case MODULATION_MSK:
        ret->hz = bandwidth_msk_hz(step->symbol_rate_bd.high);
        ret->how = "ITU-R SM.1138, MSK";
        return;
    case MODULATION_PSK:
    case MODULATION_QAM:
        estimate_linear(step, ret);
        return;
    }
}

/* What the carrier does, one digital channel without sub-carrier, data. */
static const char *class_of(const struct plan_step *step)
{
    switch ((enum modulation) step->modulation) {
    case MODULATION_UNSAID:
        return isnan(step->deviation_hz) ? "" : "F1D";
    case MODULATION_FSK:
        return "F1D";
    case MODULATION_MSK:
    case MODULATION_PSK:
        return "G1D";
    case MODULATION_QAM:
        return "D1D";
    }
    return "";
}

void bandwidth_of(const struct plan_step *step, struct bandwidth *ret)
{
    *ret = (struct bandwidth){ .hz = (double) NAN, .how = "" };
    if (isnan(step->bandwidth_hz)) {
        estimate(step, ret);
    } else {
        ret->hz = step->bandwidth_hz;
        ret->is_stated = true;
        ret->how = "as stated";
    }
    if (isnan(ret->hz) || !class_of(step)[0])
        return;
    bandwidth_write(ret->hz, ret->designator, sizeof(ret->designator));
    (void) strncat(ret->designator, class_of(step),
                   sizeof(ret->designator) - strlen(ret->designator) - 1);
}

/* --- as a designator ----------------------------------------------------- */

/* Below a kilohertz H stands in the place of the point, and a leading nought
 * of what is below 1 Hz is left out: H100. */
static const char letters[] = "HKMG";

void bandwidth_write(double hz, char *ret_text, size_t size)
{
    char digits[32];
    size_t letter = 0;

    if (hz < 1) {
        const double thousandths = floor(hz * 1000 + 0.5);

        (void) snprintf(ret_text, size, thousandths < 1000 ? "H%03.0f" : "1H00",
                        thousandths);
        return;
    }
    /* Three figures first, half upwards, so that 999.6 becomes 1K00. */
    const double step = pow(10, floor(log10(hz)) - 2);
    double number = floor(hz / step + 0.5) * step;
    while (number >= 999.5 && letter + 1 < strlen(letters)) {
        number /= 1000;
        letter++;
    }
    const int decimals = number < 9.995 ? 2 : number < 99.95 ? 1 : 0;
    (void) snprintf(digits, sizeof(digits), "%.*f", decimals, number);
    char *point = strchr(digits, '.');
    if (point)
        *point = letters[letter];
    (void) snprintf(ret_text, size, "%s%.*s", digits, point ? 0 : 1,
                    &letters[letter]);
}
