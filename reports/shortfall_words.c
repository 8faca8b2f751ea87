/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/shortfall.h"

const char *const shortfall_part_words[SHORTFALL_PARTS] = {
    [PART_BYPASS] = "round the radio",
    [PART_OTHER_STEP] = "another step",
    [PART_OUTAGE] = "outages",
    [PART_START_UP] = "start-up",
    [PART_SENDER_IDLE] = "sender idle",
    [PART_SEND_BUFFER] = "send buffer",
    [PART_RECEIVER_WINDOW] = "receiver window",
    [PART_REPEATS] = "repeats",
    [PART_LOSS_WINDOW] = "window held small by losses",
    [PART_NEEDLESS] = "needless repeats",
    [PART_FOREIGN] = "other traffic",
    [PART_SLOW_COMPUTER] = "slow computer",
    [PART_RADIO_REPEATS] = "repeats by the radios",
    [PART_LONGER_CYCLE] = "longer cycle",
    [PART_UNEXPLAINED] = "unexplained",
};

const char *const shortfall_part_names[SHORTFALL_PARTS] = {
    [PART_BYPASS] = "bypass",
    [PART_OTHER_STEP] = "other_step",
    [PART_OUTAGE] = "outage",
    [PART_START_UP] = "start_up",
    [PART_SENDER_IDLE] = "sender_idle",
    [PART_SEND_BUFFER] = "send_buffer",
    [PART_RECEIVER_WINDOW] = "receiver_window",
    [PART_REPEATS] = "repeats",
    [PART_LOSS_WINDOW] = "loss_window",
    [PART_NEEDLESS] = "needless_repeats",
    [PART_FOREIGN] = "foreign",
    [PART_SLOW_COMPUTER] = "slow_computer",
    [PART_RADIO_REPEATS] = "radio_repeats",
    [PART_LONGER_CYCLE] = "longer_cycle",
    [PART_UNEXPLAINED] = "unexplained",
};
