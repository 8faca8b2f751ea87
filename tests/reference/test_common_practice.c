/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Common practice, no source: two usable rates as makers publish them. */
#include "controller/plan/preview.h"
#include "controller/plan/reader.h"
#include "reports/capacity.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

static struct expectation published(double rate_bps, int rate_is)
{
    const struct plan plan = {
        .link = { .access = ACCESS_SCHEDULED,
                  .slot_overhead_ns = range_unsaid(),
                  .slot_least_ns = range_unsaid(),
                  .slot_limit_ns = range_unsaid(),
                  .mtu_bytes = 1500,
                  .distance_m = (double) NAN },
    };
    const struct plan_step step = {
        .symbol_rate_bd = range_unsaid(),
        .code_rate_ratio = 1,
        .usable_rate_bps = { rate_bps, rate_bps },
        .usable_rate_is = rate_is,
    };
    struct expectation expectation;

    capacity_expect_of(&plan, &step, &expectation);
    return expectation;
}

static void assert_seconds_for_1_mb(const struct expectation *expectation,
                                    double least_s, double most_s)
{
    const double likely_bps =
        expectation->ways[WAY_TO_STATION].likely_bps[LAYER_FILE];
    const double seconds = 8e6 / likely_bps;

    if (!(seconds >= least_s && seconds <= most_s))
        fail_msg("1 MB takes %.1f s, expected %.0f to %.0f", seconds, least_s,
                 most_s);
    assert_true(likely_bps > expectation->goodput_bps.low);
    assert_true(likely_bps < expectation->goodput_bps.high);
}

static void
two_published_rates_keep_their_ratio_and_take_their_time(void **state)
{
    static const int scopes[] = { RATE_ONE_WAY, RATE_BOTH_WAYS, RATE_UNSTATED };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(scopes); i++) {
        const struct expectation slow = published(68e3, scopes[i]);
        const struct expectation fast = published(470e3, scopes[i]);
        const double ratio =
            range_middle(fast.goodput_bps) / range_middle(slow.goodput_bps);

        if (!(fabs(ratio - 6.9) < 0.05))
            fail_msg("the ratio is %.3f", ratio);
        assert_string_equal(slow.source, "published");
    }
    const struct expectation slow = published(68e3, RATE_ONE_WAY);
    const struct expectation fast = published(470e3, RATE_ONE_WAY);

    /* 8 Mbit at 68 and at 470 kbit/s are 118 and 17 s; headers and
     * acknowledgements add some 8 %. */
    assert_seconds_for_1_mb(&slow, 118, 135);
    assert_seconds_for_1_mb(&fast, 17, 20);
}

/* The same as a person would see it. */
static void
check_says_what_the_next_step_buys_and_how_long_a_file_takes(void **state)
{
    static const char text[] =
        "plan: Two published rates\n"
        "steps:\n"
        "  - {name: slow, usable_rate: 68 kbit/s, usable_rate_is: one way}\n"
        "  - {name: fast, usable_rate: 470 kbit/s, usable_rate_is: one way}\n"
        "ends:\n"
        "  hilltop: {role: hub, call: Q0HIL, address: 192.0.2.2}\n"
        "  boathouse: {role: station, call: Q1BOA, address: 192.0.2.20}\n"
        "controller_at: hilltop\n"
        "sequence: [download: {from: hilltop, to: boathouse, size: 1 MB}]\n";
    struct plan_mistakes mistakes;
    struct preview preview;
    struct plan plan;
    char *screen = NULL;
    size_t bytes = 0;
    FILE *out = open_memstream(&screen, &bytes);

    (void) state;
    assert_non_null(out);
    assert_int_equal(plan_read_text(text, strlen(text), &plan, &mistakes), 0);
    preview_make(&plan, &preview);
    preview_print(out, &preview);
    (void) fclose(out);
    assert_non_null(strstr(screen, "fast  6.9 x the goodput"));
    assert_non_null(strstr(screen, "2 min 07 s"));
    assert_non_null(strstr(screen, " 18 s "));
    preview_clear(&preview);
    plan_clear(&plan);
    free(screen);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(
            check_says_what_the_next_step_buys_and_how_long_a_file_takes),
        cmocka_unit_test(
            two_published_rates_keep_their_ratio_and_take_their_time),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
