/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_CAUTIONS_H
#define BOTHENDS_CAUTIONS_H

/*
 * What everyone is told before transmitting: at check, at run, in reports.
 * One sentence each, NULL-ended.  The tool knows only the limits that were
 * typed in; it defers to local codes and to licensed practice.
 */
/* clang-format off */
static const char *const cautions[] = {
    "Never transmit without an antenna or a dummy load; on the bench put attenuators between the radios.",
    "A test keeps the transmitter on for long: mind its duty cycle, heat and supply.",
    "Keep people away from the antenna while it transmits (RF exposure).",
    "Keep clear of power lines, secure whoever works on a mast, and stop when lightning is near.",
    "Stay within the bandwidth, power, identification and content rules of your own licence: this program knows only the limits in the plan, and its identifications are a help, not a promise.",
    "Stop updates, synchronisation and other traffic on the computers first: on an amateur channel it may not be allowed.",
    NULL
};
/* clang-format on */

#endif
