/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/uses.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka needs those above. */
#include <cmocka.h>

/* The worked link of the radio-link notes, section 7.4: 56.4 kbit/s by turns
 * of 420 ms, one way 260 ms on average. */
static struct uses_figures worked_link(void)
{
    return (struct uses_figures){
        .down_bps = { 56440, 56440 },
        .up_bps = { 56440, 56440 },
        .rtt_ns = { 520e6, 520e6 },
        .confirmed_ns = { 520e6, 520e6 },
        .loss_ratio = 0,
        .is_half_duplex = true,
    };
}

static enum use_verdict verdict_on(const struct uses_figures *figures,
                                   enum use_task task)
{
    struct use uses[USE_COUNT];

    uses_judge(figures, uses);
    return uses[task].verdict;
}

static void the_worked_link_gets_the_worked_verdicts(void **state)
{
    const struct uses_figures figures = worked_link();
    struct use uses[USE_COUNT];

    (void) state;
    uses_judge(&figures, uses);
    /* "Fit for text (30 s), not for telnet (250 ms mean just missed), not for
     * talk (150 ms)": that section, computed. */
    assert_int_equal(uses[USE_TEXT_MESSAGES].verdict, USE_GOOD);
    assert_true(uses[USE_TERMINAL].takes_s.low > 0.25);
    assert_int_equal(uses[USE_TERMINAL].verdict, USE_PATIENCE);
    assert_true(uses[USE_VOICE].takes_s.low > 0.15);
    assert_int_not_equal(uses[USE_VOICE].verdict, USE_GOOD);
    /* "A 54.5 kB page at 56.4 kbit/s takes 7.7 s: over 4 s; a 10 kB page
     * 1.45 s", both without the round trips that open it. */
    assert_true(fabs(uses[USE_WEB].takes_s.low - 2 * 0.52 - 7.72) < 0.01);
    assert_int_equal(uses[USE_WEB].verdict, USE_PATIENCE);
    assert_int_equal(uses[USE_EMAIL].verdict, USE_GOOD);
}

static void what_no_message_has_shown_is_told_as_reckoned(void **state)
{
    struct uses_figures figures = worked_link();
    struct use uses[USE_COUNT];

    (void) state;
    figures.confirmed_ns = (struct range){ 520e6, 2.1e9 };
    uses_judge(&figures, uses);
    assert_string_equal(uses[USE_TEXT_MESSAGES].words,
                        "a text message and its confirmation take 520 ms to "
                        "2.1 s; people expect an answer within 4 s, and a "
                        "message within 30 s");
    figures.confirmed_ns = range_unsaid();
    figures.down_bps.low = 50e3;
    uses_judge(&figures, uses);
    assert_non_null(strstr(uses[USE_TEXT_MESSAGES].words,
                           " take 540 ms, reckoned from echo and rate; "));
    assert_non_null(strstr(uses[USE_PICTURES].words,
                           "a picture of 100 kB takes 15 to 17 s; "));
}

static void without_figures_nothing_is_claimed(void **state)
{
    const struct uses_figures figures = {
        .down_bps = range_unsaid(),
        .up_bps = range_unsaid(),
        .rtt_ns = range_unsaid(),
        .confirmed_ns = range_unsaid(),
        .loss_ratio = (double) NAN,
        .loss_least_ratio = (double) NAN,
    };
    struct use uses[USE_COUNT];
    char sentence[512] = "?";

    (void) state;
    uses_judge(&figures, uses);
    for (int i = 0; i < USE_COUNT; i++)
        assert_int_equal(uses[i].verdict, USE_UNKNOWN);
    uses_sentence(uses, sentence, sizeof(sentence));
    assert_string_equal(sentence, "");
}

static void
one_direction_stands_for_the_other_where_that_is_unknown(void **state)
{
    struct uses_figures figures = worked_link();
    const enum use_verdict both = verdict_on(&figures, USE_PICTURES);

    (void) state;
    figures.down_bps = range_unsaid();
    assert_int_equal(verdict_on(&figures, USE_PICTURES), both);
    assert_int_equal(verdict_on(&figures, USE_WEB), USE_PATIENCE);
    figures = worked_link();
    figures.up_bps = range_unsaid();
    assert_int_equal(verdict_on(&figures, USE_PICTURES), both);
}

static void a_range_across_the_limit_is_borderline(void **state)
{
    struct uses_figures figures = worked_link();

    (void) state;
    figures.down_bps = figures.up_bps = (struct range){ 40e3, 200e3 };
    assert_int_equal(verdict_on(&figures, USE_PICTURES), USE_BORDERLINE);
}

static void a_call_needs_room_both_ways_and_few_losses(void **state)
{
    struct uses_figures figures = worked_link();
    struct use uses[USE_COUNT];

    (void) state;
    figures.rtt_ns = (struct range){ 100e6, 200e6 };
    assert_int_equal(verdict_on(&figures, USE_VOICE), USE_GOOD);
    figures.loss_ratio = 0.05;
    assert_int_equal(verdict_on(&figures, USE_VOICE), USE_POOR);
    figures.loss_ratio = 0;
    figures.up_bps = (struct range){ 30e3, 40e3 };
    uses_judge(&figures, uses);
    assert_int_equal(uses[USE_VOICE].verdict, USE_POOR);
    assert_non_null(strstr(uses[USE_VOICE].words, "48 kbit/s"));
    figures.is_half_duplex = false;
    assert_int_equal(verdict_on(&figures, USE_VOICE), USE_GOOD);
}

/* A third of the echoes lost, and 15 % shown: whatever comes back at once. */
static void what_needs_answers_is_not_good_where_they_are_lost(void **state)
{
    struct uses_figures figures = worked_link();
    struct use uses[USE_COUNT];
    char sentence[512];

    (void) state;
    figures.rtt_ns = figures.confirmed_ns = (struct range){ 150e6, 150e6 };
    figures.down_bps = figures.up_bps = (struct range){ 1e6, 1e6 };
    assert_int_equal(verdict_on(&figures, USE_TERMINAL), USE_GOOD);
    figures.loss_ratio = 0.32;
    figures.loss_least_ratio = 0.15;
    uses_judge(&figures, uses);
    assert_int_equal(uses[USE_TERMINAL].verdict, USE_POOR);
    assert_int_equal(uses[USE_TEXT_MESSAGES].verdict, USE_PATIENCE);
    assert_int_equal(uses[USE_WEB].verdict, USE_PATIENCE);
    assert_int_equal(uses[USE_FILES].verdict, USE_GOOD);
    assert_non_null(
        strstr(uses[USE_TERMINAL].words, "32 % of the echoes are lost"));
    assert_non_null(strstr(uses[USE_WEB].source, "common practice, no source"));
    uses_sentence(uses, sentence, sizeof(sentence));
    assert_non_null(strstr(sentence, "not for remote terminals"));
    /* 0.1 %: ITU-T Y.1541 classes 2 to 4, as in RFC 5976 section 2.1. */
    figures.loss_ratio = 0.01;
    figures.loss_least_ratio = 0.0011;
    assert_int_equal(verdict_on(&figures, USE_TERMINAL), USE_PATIENCE);
    assert_int_equal(verdict_on(&figures, USE_TEXT_MESSAGES), USE_GOOD);
    figures.loss_least_ratio = 0.0009;
    assert_int_equal(verdict_on(&figures, USE_TERMINAL), USE_GOOD);
}

/* More than half lost: the median is infinite, and stands for nothing. */
static void without_a_time_losses_alone_say_no(void **state)
{
    struct uses_figures figures = worked_link();

    (void) state;
    figures.rtt_ns = figures.confirmed_ns = range_unsaid();
    figures.loss_ratio = 0.7;
    figures.loss_least_ratio = 0.5;
    assert_int_equal(verdict_on(&figures, USE_TERMINAL), USE_POOR);
    assert_int_equal(verdict_on(&figures, USE_TEXT_MESSAGES), USE_POOR);
    figures.loss_ratio = 0.07;
    figures.loss_least_ratio = 0.06;
    assert_int_equal(verdict_on(&figures, USE_TERMINAL), USE_UNKNOWN);
}

static void more_speed_never_makes_it_worse(void **state)
{
    enum use_verdict before[USE_COUNT];
    struct uses_figures figures = worked_link();

    (void) state;
    for (int i = 0; i < USE_COUNT; i++)
        before[i] = USE_POOR;
    for (double bps = 1000; bps < 1e9; bps *= 1.7) {
        struct use uses[USE_COUNT];

        figures.down_bps = figures.up_bps = (struct range){ bps, 1.2 * bps };
        uses_judge(&figures, uses);
        for (int i = 0; i < USE_COUNT; i++) {
            if (uses[i].verdict > before[i])
                fail_msg("%s got worse at %.0f bit/s",
                         uses_name((enum use_task) i), bps);
            before[i] = uses[i].verdict;
        }
    }
    assert_int_equal(before[USE_FILES], USE_GOOD);
}

static void one_sentence_names_every_known_use_once(void **state)
{
    const struct uses_figures figures = worked_link();
    struct use uses[USE_COUNT];
    char sentence[512];

    (void) state;
    uses_judge(&figures, uses);
    uses_sentence(uses, sentence, sizeof(sentence));
    for (int i = 0; i < USE_COUNT; i++) {
        const char *name = uses_name((enum use_task) i);
        const char *first = strstr(sentence, name);

        if (!first || strstr(first + 1, name))
            fail_msg("%s in: %s", name, sentence);
    }
    assert_int_equal(strncmp(sentence, "Good for text messages", 22), 0);
    assert_int_equal(sentence[strlen(sentence) - 1], '.');
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_worked_link_gets_the_worked_verdicts),
        cmocka_unit_test(without_figures_nothing_is_claimed),
        cmocka_unit_test(what_no_message_has_shown_is_told_as_reckoned),
        cmocka_unit_test(
            one_direction_stands_for_the_other_where_that_is_unknown),
        cmocka_unit_test(a_range_across_the_limit_is_borderline),
        cmocka_unit_test(a_call_needs_room_both_ways_and_few_losses),
        cmocka_unit_test(what_needs_answers_is_not_good_where_they_are_lost),
        cmocka_unit_test(without_a_time_losses_alone_say_no),
        cmocka_unit_test(more_speed_never_makes_it_worse),
        cmocka_unit_test(one_sentence_names_every_known_use_once),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
