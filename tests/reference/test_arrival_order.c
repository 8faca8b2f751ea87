/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/arrival_order.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
/* cmocka.h must follow the five above */
#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* RFC 4737, the examples of sections 7.1 to 7.4, 5.3 and 4.3.4: in which order
 * packets arrived, which of them are reordered, and by how many. */
static const struct {
    const char *section;
    uint64_t arrived[17];
    struct {
        uint64_t packet, extent;
    } reordered[4];
    double ratio;
} orders[] = {
    { "7.1", { 1, 2, 3, 5, 6, 7, 8, 4, 9, 10 }, { { 4, 4 } }, 0.1 },
    { "7.2", { 1, 2, 3, 4, 7, 5, 6, 8, 9, 10 }, { { 5, 1 }, { 6, 2 } }, 0.2 },
    { "7.3",
      { 1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11 },
      { { 4, 4 }, { 5, 5 }, { 6, 6 } },
      3.0 / 11 },
    { "7.4",
      { 1, 2, 3, 6, 7, 4, 5, 8, 9, 10, 12, 13, 11, 14, 15, 16 },
      { { 4, 2 }, { 5, 3 }, { 11, 2 } },
      3.0 / 16 },
    { "5.3",
      { 1, 2, 3, 7, 8, 9, 4, 5, 6 },
      { { 4, 3 }, { 5, 4 }, { 6, 5 } },
      3.0 / 9 },
    { "4.3.4", { 1, 10, 5 }, { { 5, 1 } }, 1.0 / 3 },
    /* Section 6: losses alone reorder nothing. */
    { "6", { 1, 2, 5, 9, 10 }, { { 0, 0 } }, 0 },
};

static void the_examples_of_rfc_4737_are_reordered_as_printed(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT(orders); i++) {
        struct arrival_order order = { .highest.row_size = sizeof(uint64_t) };
        size_t found = 0, count = 0;
        uint64_t most = 0;

        for (; orders[i].arrived[count]; count++) {
            const uint64_t packet = orders[i].arrived[count];
            const uint64_t extent = arrival_order_add(&order, packet);

            if (!extent)
                continue;
            if (packet != orders[i].reordered[found].packet
                || extent != orders[i].reordered[found].extent)
                fail_msg("RFC 4737 section %s: packet %u has extent %u",
                         orders[i].section, (unsigned) packet,
                         (unsigned) extent);
            most = extent > most ? extent : most;
            found++;
        }
        assert_int_equal(orders[i].reordered[found].packet, 0);
        assert_int_equal(order.reordered_count, found);
        assert_int_equal(order.most_extent, most);
        assert_true(fabs((double) order.reordered_count / (double) count
                         - orders[i].ratio)
                    < 1e-12);
        arrival_order_clear(&order);
    }
}

/* RFC 5560 section 5.3: four packets were sent. */
static const struct {
    const char *arrived;
    double fraction, repeated_ratio;
} replications[] = {
    { "1234", 0, 0 },      { "11223344", 1, 1 }, { "111222333444", 2, 1 },
    { "11123334", 1, .5 }, { "12341234", 1, 1 },
};

static void the_examples_of_rfc_5560_are_repeated_as_printed(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT(replications); i++) {
        struct copies copies = { .packet_count = 0 };
        uint64_t counts[4] = { 0 };

        for (const char *at = replications[i].arrived; *at; at++)
            counts[*at - '1']++;
        for (size_t k = 0; k < COUNT(counts); k++)
            copies_add(&copies, counts[k]);
        assert_true(copies_fraction(&copies) == replications[i].fraction);
        assert_true(copies_repeated_ratio(&copies)
                    == replications[i].repeated_ratio);
    }
}

static void a_lost_packet_is_no_copy(void **state)
{
    struct copies copies = { .packet_count = 0 };

    (void) state;
    copies_add(&copies, 0);
    assert_true(isnan(copies_fraction(&copies)));
    copies_add(&copies, 3);
    assert_true(copies_fraction(&copies) == 2);
    assert_true(copies_repeated_ratio(&copies) == 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_examples_of_rfc_4737_are_reordered_as_printed),
        cmocka_unit_test(the_examples_of_rfc_5560_are_repeated_as_printed),
        cmocka_unit_test(a_lost_packet_is_no_copy),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
