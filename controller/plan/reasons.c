/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/reasons.h"

#include <string.h>

/* clang-format off */
static const struct {
    const char *name;
    const char *below, *above; /* NULL: nothing to say */
} rows[] = {
    { "symbol_rate_bd", "a radio that sends no symbols carries nothing", NULL },
    { "levels", "with a single symbol nothing can be told apart", NULL },
    { "code_rate_ratio",
      "a code that leaves no data bits carries nothing",
      "it is data bits per coded bit, and a code adds bits: 1 is no code" },
    { "usable_rate_bps", "a step without a rate carries nothing", NULL },
    { "bandwidth_hz", "a signal without bandwidth carries nothing", NULL },
    { "deviation_hz", "a carrier that does not move carries nothing", NULL },
    { "roll_off_ratio", NULL, "a shaped spectrum is at most twice as wide as the symbol rate" },
    { "slot_limit_ns", "a transmission without length carries nothing", NULL },
    { "frame_payload_bytes", "a radio frame without room for data carries nothing", NULL },
    { "mtu_bytes", "the headers alone would fill it: RFC 791 asks for 68 B", NULL },
    { "power_w", "a transmitter without power reaches nobody", NULL },
};
/* clang-format on */

const char *reason_beyond(const struct field *field, bool is_above)
{
    for (size_t i = 0; i < COUNT_OF(rows); i++) {
        if (strcmp(rows[i].name, field->name) == 0)
            return is_above ? rows[i].above : rows[i].below;
    }
    return NULL;
}
