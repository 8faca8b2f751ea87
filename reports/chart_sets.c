/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/chart_sets.h"

#include "reports/append.h"
#include "reports/wording.h"

#include <inttypes.h>

/* Bytes of what ran beside, in a title. */
static const size_t beside_most = 36;

bool chart_is_together(const struct reduction *reduction, size_t a, size_t b)
{
    const struct exchange_record *one = reduction_exchange(reduction, a);
    const struct exchange_record *other = reduction_exchange(reduction, b);

    return one->started_unix_ns == other->started_unix_ns
           && one->round == other->round && strcmp(one->step, other->step) == 0;
}

size_t chart_count_together(const struct reduction *reduction, size_t exchange)
{
    size_t count = 0;

    for (size_t i = 0; i < reduction->exchanges.count; i++)
        count += chart_is_together(reduction, exchange, i);
    return count;
}

void chart_name(const struct chart_names *names, char *ret_text, size_t size)
{
    char beside[CONDITION_SIZE];

    (void) snprintf(ret_text, size, "%s", names->step);
    if (names->from)
        append(ret_text, size, ", %s → %s", names->from, names->to);
    if (names->together_count > 1) {
        append(ret_text, size, ", %" PRIu64 " at once", names->together_count);
    } else if (!wording_is_alone(names->condition)) {
        wording_condition(names->condition, beside, sizeof(beside));
        /* A title has more to say; the table names them. */
        append(ret_text, size, ", beside %s",
               strlen(beside) > beside_most ? "others" : beside);
    }
}
