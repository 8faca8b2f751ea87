/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/newsletter.h"
#include "reports/newsletter_words.h"
#include "reports/report.h"
#include "tests/support/kinds_of_run.h"
#include "tests/support/report_structure.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four of them */
#include <cmocka.h>

struct fixture {
    struct made_run made;
    char *text; /* newsletter.md */
};

static void begin(struct fixture *fixture, bool is_practice)
{
    *fixture = (struct fixture){ .text = NULL };
    made_run_init(&fixture->made, is_practice);
}

static void end(struct fixture *fixture)
{
    free(fixture->text);
    made_run_clear(&fixture->made);
}

/* --- runs of different kinds ---------------------------------------------- */

struct way {
    size_t step;
    bool is_up; /* quay to mill */
    double goodput_bps;
    uint64_t for_s;
    bool is_lost; /* the receiver's account never came */
    bool
        is_jittery; /* cycles of 20 to 180 %, where the others have 80 to 120 */
};

static void add_way(struct made_run *made, const struct way *way)
{
    const struct download_spec spec = { .for_ns = way->for_s * NS_PER_S,
                                        .connections = 1 };
    const struct made_download download = {
        .goodput_bps = way->goodput_bps,
        .cycle_ns = 166 * NS_PER_MS,
        .slot_ns = 138 * NS_PER_MS,
        .segments_a_cycle = 2,
        .for_ns = spec.for_ns,
        .warm_up_ns = NS_PER_S,
        .jitter_seed = 1 + way->step + 10 * way->is_up,
    };
    struct exchange_account sender;
    struct exchange_account receiver;

    made_sender(&download, &sender);
    made_receiver(&download, &receiver);
    for (size_t i = 0; way->is_jittery && i < receiver.series[0].count; i++) {
        struct download_arrival *arrival = rows_at(&receiver.series[0], i);

        arrival->bytes =
            i / 40 % 2 ? arrival->bytes / 3 : arrival->bytes * 5 / 3;
    }
    made_run_add(made, &(struct made_exchange){
                           .kind = &download_kind,
                           .step = way->step,
                           .round = 1,
                           .plan_index = way->is_up ? 2 : 1,
                           .from = way->is_up ? "quay" : "mill",
                           .to = way->is_up ? "mill" : "quay",
                           .spec = &spec,
                           .from_account = &sender,
                           .to_account = way->is_lost ? NULL : &receiver });
    account_clear(&sender);
    account_clear(&receiver);
}

static void add_ping(struct made_run *made, size_t step, size_t lost_count)
{
    static const struct ping_spec spec = { .count = 40,
                                           .size_bytes = 56,
                                           .wait_ns = 10 * NS_PER_S };
    uint64_t rtts_ns[40];
    struct exchange_account prober;
    struct exchange_account answerer;

    for (size_t i = 0; i < 40; i++)
        rtts_ns[i] = i < lost_count ? 0 : (50 + i % 24) * NS_PER_MS;
    made_prober(rtts_ns, 40, &prober);
    made_answerer(&answerer);
    made_run_add(made, &(struct made_exchange){ .kind = &ping_kind,
                                                .step = step,
                                                .round = 1,
                                                .from = "quay",
                                                .to = "mill",
                                                .spec = &spec,
                                                .from_account = &prober,
                                                .to_account = &answerer });
    account_clear(&prober);
    account_clear(&answerer);
}

/* The newsletter of what was added so far. */
static const char *read_newsletter(struct fixture *fixture, const char *state)
{
    struct report_summary summary;
    struct fault fault = { 0 };
    char folder[128];

    made_run_end(&fixture->made, state);
    (void) snprintf(folder, sizeof(folder), "%s/report", fixture->made.folder);
    if (report_write(made_run_database(&fixture->made), fixture->made.run.run,
                     &fixture->made.plan, folder, &summary, &fault))
        fail_msg("%s", fault.text);
    fixture->text = report_read(folder, "newsletter.md");
    if (getenv("SHOW"))
        print_message("%s\n(%zu words)\n", fixture->text,
                      spoken_tokens(fixture->text));
    return fixture->text;
}

static void add_ways(struct made_run *made, double up_on_brisk_bps)
{
    const struct way ways[] = {
        { 0, false, 36500, 22, false, false },
        { 0, true, 36500, 22, false, false },
        { 1, false, 73000, 22, false, false },
        { 1, true, up_on_brisk_bps, 22, false, false },
    };

    for (size_t i = 0; i < COUNT_OF(ways); i++)
        add_way(made, &ways[i]);
}

/* --- what every piece keeps ----------------------------------------------- */

static void assert_in(const char *text, const char *part)
{
    if (!strstr(text, part))
        fail_msg("'%s' is not in:\n%s", part, text);
}

static void assert_not_in(const char *text, const char *part)
{
    if (strstr(text, part))
        fail_msg("'%s' is in:\n%s", part, text);
}

static void assert_length(const char *text)
{
    if (spoken_words(text) < NEWSLETTER_LEAST
        || spoken_tokens(text) > NEWSLETTER_MOST)
        fail_msg("%zu words, %zu tokens:\n%s", spoken_words(text),
                 spoken_tokens(text), text);
}

/* Words that a reader who is no network person can't know. */
static void assert_plain(const char *text)
{
    static const char *const jargon[] = {
        "goodput", "TCP", "RTT", "latency",    "percentile", "round trip",
        " ping",   "MTU", "p50", "throughput", " nan",       " inf",
        "(null)",  "  ",  " .",  "..",         "interval",
    };
    char *prose = strdup(text);
    char *chart = strstr(prose, "](charts/");

    if (chart)
        *chart = '\0';
    for (size_t i = 0; i < COUNT_OF(jargon); i++)
        assert_not_in(prose, jargon[i]);
    free(prose);
}

static void assert_one_chart_and_table(const char *text)
{
    const char *chart = strstr(text, "![");

    assert_non_null(chart);
    assert_null(strstr(chart + 2, "!["));
    const char *table = strstr(text, "|---");

    assert_non_null(table);
    assert_null(strstr(table + 4, "\n|---"));
}

/* --- each kind of run ----------------------------------------------------- */

static void a_link_that_works_is_told_as_one(void **state)
{
    struct fixture fixture;

    (void) state;
    begin(&fixture, false);
    add_ping(&fixture.made, 0, 0);
    add_ways(&fixture.made, 73000);
    const char *text = read_newsletter(&fixture, "complete");

    assert_in(text, "# Mill to quay: it works\n");
    assert_in(text, "On 14 March 2031 we put this data link to the test. For "
                    "three quarters of an hour two computers");
    assert_in(text, "it works, both ways. It delivers what it should on both "
                    "speed settings");
    assert_in(text, "On *brisk*, with nobody else on the channel: good for ");
    assert_not_in(text, "practice");
    assert_length(text);
    assert_plain(text);
    assert_one_chart_and_table(text);
    end(&fixture);
}

static void half_a_success_names_the_other_half(void **state)
{
    struct fixture fixture;

    (void) state;
    begin(&fixture, false);
    add_ping(&fixture.made, 0, 0);
    add_ping(&fixture.made, 1, 3);
    add_ways(&fixture.made, 58000);
    const char *text = read_newsletter(&fixture, "complete");

    assert_in(text, ": most of it works\n");
    assert_in(text, "In three of four cases the link delivers what was "
                    "promised. It falls short from quay to mill on *brisk*");
    assert_in(text, "percent of the promise");
    assert_in(text, "Where did the rest go?");
    assert_in(text, "not for files and voice calls.");
    assert_not_in(text, "it works,");
    assert_length(text);
    assert_plain(text);
    assert_one_chart_and_table(text);
    end(&fixture);
}

static void a_dead_link_is_not_made_to_look_better(void **state)
{
    struct fixture fixture;
    const struct way dead = { 0, false, 36500, 22, true, false };

    (void) state;
    begin(&fixture, false);
    add_ping(&fixture.made, 0, 40);
    add_way(&fixture.made, &dead);
    const char *text = read_newsletter(&fixture, "complete");

    assert_in(text, ": no luck this time\n");
    assert_in(text, "it does not work. Of 40 calls not one was answered. No "
                    "data are known to have arrived.");
    assert_in(text, "| quay to mill, calm | 40 | 0 |");
    assert_not_in(text, "promise");
    assert_not_in(text, "photograph");
    assert_length(text);
    assert_plain(text);
    end(&fixture);
}

/* The receiver's account never came: all of it may have arrived. */
static void what_is_not_on_record_is_not_told_as_slow(void **state)
{
    struct fixture fixture;
    const struct way lost = { 0, false, 36500, 22, true, false };

    (void) state;
    begin(&fixture, false);
    add_ping(&fixture.made, 0, 0);
    add_way(&fixture.made, &lost);
    const char *text = read_newsletter(&fixture, "failed");

    assert_in(text, ": not settled yet\n");
    assert_in(text, "what the files came to is not on record. There is no "
                    "figure from mill to quay on *calm*.");
    assert_not_in(text, "slower");
    assert_not_in(text, "Nothing at all arrived");
    assert_length(text);
    assert_plain(text);
    end(&fixture);
}

static void add_note(struct fixture *fixture, const char *class,
                     const char *words)
{
    struct logbook_note note = { .at_unix_ns = NS_PER_S };
    struct fault fault = { 0 };

    (void) snprintf(note.class, sizeof(note.class), "%s", class);
    (void) snprintf(note.text, sizeof(note.text), "%s", words);
    assert_int_equal(logbook_store_note(fixture->made.logbook,
                                        fixture->made.run.run, &note, &fault),
                     0);
}

static void a_practice_link_that_was_late_gives_no_figures(void **state)
{
    struct fixture fixture;

    (void) state;
    begin(&fixture, true);
    add_ping(&fixture.made, 0, 0);
    add_ways(&fixture.made, 73000);
    add_note(&fixture, "practice", "The practice link did not keep time.");
    const char *text = read_newsletter(&fixture, "complete");

    assert_in(text, ": no figures this time, in rehearsal\n");
    assert_in(text, "too slow or too busy to keep time");
    assert_not_in(text, "kbit/s");
    assert_not_in(text, "margin of error is too wide");
    assert_not_in(text, "![");
    assert_length(text);
    assert_plain(text);
    end(&fixture);
}

static void what_is_undecided_stays_open(void **state)
{
    struct fixture fixture;
    const struct way down = { 0, false, 33000, 60, false, true };
    const struct way up = { 0, true, 33000, 60, false, true };

    (void) state;
    begin(&fixture, false);
    add_ping(&fixture.made, 0, 0);
    add_way(&fixture.made, &down);
    add_way(&fixture.made, &up);
    const char *text = read_newsletter(&fixture, "complete");

    assert_in(text, ": not settled yet\n");
    assert_in(text, "we do not know yet");
    assert_not_in(text, "it works");
    assert_not_in(text, "falls short");
    assert_length(text);
    assert_plain(text);
    assert_one_chart_and_table(text);
    end(&fixture);
}

static void more_than_possible_is_no_triumph(void **state)
{
    struct fixture fixture;

    (void) state;
    begin(&fixture, false);
    add_ping(&fixture.made, 0, 0);
    add_ways(&fixture.made, 200000);
    const char *text = read_newsletter(&fixture, "complete");

    assert_in(text, ": too good to be true\n");
    assert_in(text, "please do not quote these figures");
    assert_not_in(text, "photograph");
    assert_length(text);
    assert_plain(text);
    end(&fixture);
}

static void a_direction_without_data_is_named(void **state)
{
    struct fixture fixture;
    const struct way down = { 0, false, 36500, 22, false, false };
    const struct way up = { 0, true, 36500, 22, true, false };

    (void) state;
    begin(&fixture, false);
    add_ping(&fixture.made, 0, 0);
    add_way(&fixture.made, &down);
    add_way(&fixture.made, &up);
    const char *text = read_newsletter(&fixture, "interrupted");

    assert_in(text, ": half of it works\n");
    assert_in(text, "| calm | 36 | 37, not every way |");
    assert_in(text, "There is no figure from quay to mill on *calm*.");
    assert_in(text, "The test was broken off before its end");
    assert_length(text);
    assert_plain(text);
    end(&fixture);
}

/* Two transfers at once between the hub and either station. */
static void add_two(struct made_run *made, bool is_up, uint64_t plan_index,
                    double goodput_bps)
{
    static const char *const stations[] = { "quay", "pier" };
    const struct download_spec spec = { .for_ns = 22 * NS_PER_S,
                                        .connections = 1 };
    struct made_exchange both[2];
    struct exchange_account senders[2], receivers[2];

    for (size_t i = 0; i < COUNT_OF(both); i++) {
        const struct made_download download = {
            .goodput_bps = (double) (i + 1) * goodput_bps,
            .cycle_ns = 166 * NS_PER_MS,
            .slot_ns = 138 * NS_PER_MS,
            .segments_a_cycle = 2,
            .for_ns = spec.for_ns,
        };

        made_sender(&download, &senders[i]);
        made_receiver(&download, &receivers[i]);
        both[i] = (struct made_exchange){
            .kind = &download_kind,
            .round = 1,
            .plan_index = plan_index + i,
            .from = is_up ? stations[i] : "mill",
            .to = is_up ? "mill" : stations[i],
            .condition = "download + download",
            .spec = &spec,
            .from_account = &senders[i],
            .to_account = &receivers[i],
        };
    }
    made_run_add_together(made, both, COUNT_OF(both));
    for (size_t i = 0; i < COUNT_OF(both); i++) {
        account_clear(&senders[i]);
        account_clear(&receivers[i]);
    }
}

static void transfers_are_at_once_only_within_their_group(void **state)
{
    struct fixture fixture;
    const struct way alone = { 0, false, 33500, 22, false, false };

    (void) state;
    begin(&fixture, false);
    struct plan *plan = &fixture.made.plan;
    plan->ends[plan->end_count] = plan->ends[1];
    (void) snprintf(plan->ends[plan->end_count++].name, NAME_SIZE, "pier");
    add_way(&fixture.made, &alone);
    add_two(&fixture.made, true, 3, 10e3);
    add_two(&fixture.made, false, 5, 6e3);
    const char *text = read_newsletter(&fixture, "complete");

    assert_in(text, "When two transfers to the hub ran at once on *calm*, each "
                    "had between 10 and 20 kbit/s. When two transfers from the "
                    "hub ran at once on *calm*, each had between 6 and 12 "
                    "kbit/s.");
    assert_in(text, "We tried one of its two stations.");
    assert_length(text);
    assert_plain(text);
    end(&fixture);
}

static void calls_alone_say_nothing_of_speed(void **state)
{
    struct fixture fixture;

    (void) state;
    begin(&fixture, false);
    add_ping(&fixture.made, 0, 1);
    const char *text = read_newsletter(&fixture, "complete");

    assert_in(text, ": the far end answers\n");
    assert_in(text, "nothing is said of its speed");
    assert_in(text, "| quay to mill, calm | 40 | 39 |");
    assert_not_in(text, "promise");
    assert_length(text);
    assert_plain(text);
    assert_one_chart_and_table(text);
    end(&fixture);
}

static void a_run_without_exchanges_has_nothing_to_tell(void **state)
{
    struct fixture fixture;

    (void) state;
    begin(&fixture, false);
    const char *text = read_newsletter(&fixture, "interrupted");

    assert_in(text, ": nothing to tell yet\n");
    assert_in(text, "neither passed nor failed");
    assert_plain(text);
    assert_true(spoken_tokens(text) <= NEWSLETTER_MOST);
    end(&fixture);
}

static void practice_says_that_it_is_practice(void **state)
{
    struct fixture fixture;

    (void) state;
    begin(&fixture, true);
    add_ping(&fixture.made, 0, 0);
    add_ways(&fixture.made, 73000);
    const char *text = read_newsletter(&fixture, "complete");

    assert_in(text, ": it works, in rehearsal\n");
    assert_in(text, "This is practice. No radio was on the air");
    assert_in(text, "we rehearsed a test");
    assert_length(text);
    assert_plain(text);
    end(&fixture);
}

static void a_bench_test_says_that_it_is_one(void **state)
{
    struct fixture fixture;

    (void) state;
    begin(&fixture, false);
    fixture.made.plan.on_air = false;
    add_ways(&fixture.made, 73000);
    assert_in(read_newsletter(&fixture, "complete"), "on the bench");
    assert_length(fixture.text);
    end(&fixture);
}

static void names_and_titles_cannot_break_the_piece(void **state)
{
    struct fixture fixture;
    const struct way down = { 0, false, 36500, 22, false, false };

    (void) state;
    begin(&fixture, false);
    (void) snprintf(fixture.made.plan.steps[0].name, NAME_SIZE,
                    "a b c d | e <i>f</i> *g* h");
    add_way(&fixture.made, &down);
    assert_in(read_newsletter(&fixture, "complete"), "&lt;i&gt;f");
    assert_not_in(fixture.text, "<i>");
    assert_in(fixture.text, "\\| e");
    assert_length(fixture.text);
    end(&fixture);
}

/* --- figures -------------------------------------------------------------- */

static void figures_are_rounded_to_what_their_interval_allows(void **state)
{
    static const struct {
        double value, low, high;
        const char *expected;
    } cases[] = {
        { 130.6, 122, 139, "130" },
        { 50.44, 49.6, 51.1, "50" },
        { 25.12, 24.8, 25.4, "25.1" },
        { 0.812, 0.71, 0.93, "0.8" },
        { 4, 1, 7, "4" },
        { 74321, 74000, 74600, "74300" },
        { 7, NAN, NAN, "7.0" },
        { 26.63, 26.5, 26.7, "26.6" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        char number[SPOKEN_SIZE];

        spoken_number(
            cases[i].value,
            spoken_rounding(cases[i].value, cases[i].low, cases[i].high),
            number);
        assert_string_equal(number, cases[i].expected);
    }
}

static void no_rounding_makes_another_figure_of_it(void **state)
{
    (void) state;
    assert_true(fabs(spoken_not_too_coarse(169, 100) - 10) < 1e-9);
    assert_true(fabs(spoken_not_too_coarse(49, 10) - 10) < 1e-9);
    assert_true(fabs(spoken_not_too_coarse(0.9, 1) - 0.1) < 1e-9);
    assert_true(fabs(spoken_not_too_coarse(0, 1) - 1) < 1e-9);
}

static void times_are_said_as_people_say_them(void **state)
{
    static const struct {
        double minutes;
        const char *expected;
    } cases[] = {
        { 0.5, "30 seconds" },
        { 3, "3 minutes" },
        { 30, "half an hour" },
        { 46, "three quarters of an hour" },
        { 61, "an hour" },
        { 180, "3 hours" },
        { 1440, "a day and a night" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        char span[SPOKEN_SIZE];

        spoken_span((uint64_t) (cases[i].minutes * (double) NS_PER_MIN), span);
        assert_string_equal(span, cases[i].expected);
    }
}

/* Pings alone, and the far end of the ladder is silent. */
static void a_break_on_the_way_is_not_told_as_an_answer(void **state)
{
    const struct kind_of_run *kind = kind_of_run("ladder");
    struct report_summary summary;
    struct fault fault = { 0 };
    struct made_run made;
    char folder[128];

    (void) state;
    kind_of_run_make(kind, &made);
    (void) snprintf(folder, sizeof(folder), "%s/report", made.folder);
    assert_int_equal(report_write(made_run_database(&made), made.run.run,
                                  &made.plan, folder, &summary, &fault),
                     0);
    char *text = report_read(folder, "newsletter.md");

    assert_in(text, "not all the way yet");
    assert_in(text, "the break is between the far radio and its LAN.");
    assert_not_in(text, "the far side answers");
    assert_length(text);
    free(text);
    made_run_clear(&made);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_link_that_works_is_told_as_one),
        cmocka_unit_test(half_a_success_names_the_other_half),
        cmocka_unit_test(a_dead_link_is_not_made_to_look_better),
        cmocka_unit_test(what_is_not_on_record_is_not_told_as_slow),
        cmocka_unit_test(a_practice_link_that_was_late_gives_no_figures),
        cmocka_unit_test(what_is_undecided_stays_open),
        cmocka_unit_test(more_than_possible_is_no_triumph),
        cmocka_unit_test(a_direction_without_data_is_named),
        cmocka_unit_test(transfers_are_at_once_only_within_their_group),
        cmocka_unit_test(calls_alone_say_nothing_of_speed),
        cmocka_unit_test(a_run_without_exchanges_has_nothing_to_tell),
        cmocka_unit_test(practice_says_that_it_is_practice),
        cmocka_unit_test(a_bench_test_says_that_it_is_one),
        cmocka_unit_test(names_and_titles_cannot_break_the_piece),
        cmocka_unit_test(figures_are_rounded_to_what_their_interval_allows),
        cmocka_unit_test(no_rounding_makes_another_figure_of_it),
        cmocka_unit_test(times_are_said_as_people_say_them),
        cmocka_unit_test(a_break_on_the_way_is_not_told_as_an_answer),
    };

    return cmocka_run_group_tests_name("newsletter", tests, NULL, NULL);
}
