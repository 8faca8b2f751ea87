/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/default_plan.h"

/*
 * An invented place.  80 kBd with 2 and with 4 levels at code rate 3/4 are 60
 * and 120 kbit/s.  A loaded cycle is one slot and the other end's turn, some
 * 170 ms: 22 s are more than 100 cycles.
 * The queue has room for what TCP lets grow in that time: with 8 to 24 kB it
 * overflowed again and again, and 22 s of stalls and bursts gave no steady
 * figure; with 48 kB nothing was lost (measured with CUBIC, Linux 6.18).
 */
const char default_plan_text[] =
    "plan: Dry run across Tarn Hollow\n"
    "\n"
    "link:\n"
    "  frequency: 433.9 MHz\n"
    "  access: scheduled\n"
    "  slot_overhead: 12 ms\n"
    "  slot_limit: 150 ms\n"
    "  frame: {payload: 240 B, overhead: 12 B}\n"
    "  mtu: 1500 B\n"
    "  distance: 9 km\n"
    "  limits: {bandwidth: 200 kHz}\n"
    "\n"
    "steps:\n"
    "  - {name: walk, symbol_rate: 80 kBd, levels: 2, code_rate: 3/4,"
    " deviation: 20 kHz, sensitivity: -105 dBm}\n"
    "  - {name: trot, symbol_rate: 80 kBd, levels: 4, code_rate: 3/4,"
    " deviation: 30 kHz, sensitivity: -98 dBm}\n"
    "\n"
    "ends:\n"
    "  quarry:\n"
    "    role: hub\n"
    "    call: Q0QRY\n"
    "    address: 10.61.0.10\n"
    "    antenna: {type: collinear, gain: 5 dBi, height: 16 m}\n"
    "    power: 5 W\n"
    "  jetty:\n"
    "    role: station\n"
    "    call: Q1JTY\n"
    "    address: 10.61.0.11\n"
    "    antenna: {type: yagi, gain: 9 dBi, height: 7 m}\n"
    "    power: 5 W\n"
    "\n"
    "controller_at: quarry\n"
    "\n"
    "sequence:\n"
    "  - ping: {from: jetty, to: quarry, count: 20, gap: about 400 ms}\n"
    "  - ping: {from: quarry, to: jetty, count: 20, gap: about 400 ms}\n"
    "  - download: {from: quarry, to: jetty, for: 22 s}\n"
    "  - download: {from: jetty, to: quarry, for: 22 s}\n"
    "\n"
    "set_steps: by agent\n"
    "\n"
    "practice: {queue: 48 kB}\n";
