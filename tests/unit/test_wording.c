/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/wording.h"

#include <bothends/kinds.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the three above */
#include <cmocka.h>

static void figures_have_the_decimals_that_their_interval_allows(void **state)
{
    static const struct {
        double value, low, high;
        const char *text;
    } cases[] = {
        { 25100, 24800, 25400, "25.1 (24.8–25.4)" },
        { 131000, 122000, 139000, "131 (122–139)" },
        { 50412, 50380, 50444, "50.41 (50.38–50.44)" },
        { 75400, 73700, 77000, "75.4 (73.7–77.0)" },
        { 75400, (double) NAN, (double) NAN, "75.4" },
        { 75400, 73700, (double) INFINITY, "75.4 (73.7–∞)" },
        { (double) INFINITY, 73700, (double) INFINITY, "∞ (73.7–∞)" },
        { (double) NAN, (double) NAN, (double) NAN, "–" },
        { 40000, 40000, 40000, "40.0 (40.0–40.0)" },
        { 0, 0, 0, "0.00 (0.00–0.00)" },
        { 1000, -20, 2020, "1.0 (0.0–2.0)" },
        { 100, -3000, 3200, "0 (-3–3)" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        const struct finding finding = { .value = cases[i].value,
                                         .low = cases[i].low,
                                         .high = cases[i].high };
        char text[FIGURE_SIZE];

        wording_figure(&finding, 1000, 2, text);
        assert_string_equal(text, cases[i].text);
    }
}

static void escape(const char *text, char *ret_text, size_t size)
{
    FILE *out = fmemopen(ret_text, size, "w");

    assert_non_null(out);
    wording_escape(out, text);
    (void) fclose(out);
}

static void text_is_kept_from_acting_as_markdown_or_html(void **state)
{
    static const char *const cases[][2] = {
        { "Q1SKY", "Q1SKY" },
        { "192.0.2.1", "192.0.2.1" },
        { "<b>&amp;", "&lt;b&gt;&amp;amp;" },
        { "a|b*c_d`e", "a\\|b\\*c\\_d\\`e" },
        { "[x](y)", "\\[x\\](y)" },
        { "# title", "\\# title" },
        { "- item", "\\- item" },
        { "12. item", "12\\. item" },
        { "3) item", "3\\) item" },
        { "two\nlines\t.", "two lines ." },
        { "half-way", "half-way" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        char text[128] = "";

        escape(cases[i][0], text, sizeof(text));
        assert_string_equal(text, cases[i][1]);
    }
}

static void broken_bytes_are_replaced_and_good_ones_kept(void **state)
{
    /* RFC 3629: overlong forms, surrogates, above U+10FFFF, cut off. */
    static const struct {
        const char *text, *clean;
    } cases[] = {
        { "Küste → Höhe", "Küste → Höhe" },
        { "\xff", "?" },
        { "\xc0\x80", "??" },
        { "\xed\xa0\x80", "???" },
        { "\xf4\x90\x80\x80", "????" },
        { "a\xe2\x82", "a??" },
        { "bell\a", "bell " },
        /* C1's CSI, marks that turn the writing, a separator of lines. */
        { "\xc2\x9b[2J", "?[2J" },
        { "\u200fQ0\u202eQ", "?Q0?Q" },
        { "one\u2028other", "one?other" },
    };
    char small[4];

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        char clean[64];

        wording_clean(cases[i].text, clean, sizeof(clean));
        assert_string_equal(clean, cases[i].clean);
    }
    wording_clean("aaü", small, sizeof(small)); /* never half a letter */
    assert_string_equal(small, "aa");
}

static void dates_are_in_utc_whatever_the_place(void **state)
{
    char text[48];

    (void) state;
    wording_date(UINT64_C(1931249520) * NS_PER_S, text, sizeof(text));
    assert_string_equal(text, "14 March 2031, 10:12");
}

static void significant_digits_have_no_exponent(void **state)
{
    static const struct {
        double value;
        int digits;
        const char *text;
    } cases[] = {
        { 1000, 2, "1000" },   { 47500, 3, "47500" },
        { 47512, 3, "47500" }, { 0.081234, 2, "0.081" },
        { 12.0, 4, "12" },     { 0.75, 4, "0.75" },
        { 999.96, 4, "1000" }, { 1.25, 2, "1.2" },
        { -98, 4, "-98" },     { 1e12, 3, "1000000000000" },
        { 0, 3, "0" },         { (double) INFINITY, 3, "∞" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        char text[FIGURE_SIZE];

        wording_significant(cases[i].value, cases[i].digits, text);
        assert_string_equal(text, cases[i].text);
    }
}

static void equal_exchanges_beside_are_counted(void **state)
{
    static const struct {
        const char *condition, *text;
    } cases[] = {
        { "ping + ping + ping", "3 pings" },
        { "ping", "ping" },
        { "ping + download + download", "ping and 2 downloads" },
        { "messages + messages", "2 × messages" },
        { "ping a > b + ping a > c", "ping a → b and ping a → c" },
        { "ping a > b + ping a", "ping a → b and ping a" },
        { "ping + ping a > b + messages b <> c",
          "ping, ping a → b and messages b ↔ c" },
        { "7 others", "7 others" },
        { "", "" },
    };
    char small[8];

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        char text[64];

        wording_condition(cases[i].condition, text, sizeof(text));
        assert_string_equal(text, cases[i].text);
    }
    wording_condition("ping + download", small, sizeof(small));
    assert_string_equal(small, "ping an");
}

static struct reduction *new_reduction(void)
{
    static const struct plan plan;
    struct reduction *reduction = calloc(1, sizeof(*reduction));

    assert_non_null(reduction);
    reduction->plan = &plan;
    reduction->findings.row_size = sizeof(struct finding);
    reduction->exchanges.row_size = sizeof(struct exchange_record);
    return reduction;
}

/* Its sentence; then it is gone. */
static void assert_says(struct reduction *reduction, const char *expected)
{
    char text[512];

    wording_sentence(reduction, text, sizeof(text));
    assert_string_equal(text, expected);
    rows_clear(&reduction->findings);
    rows_clear(&reduction->exchanges);
    free(reduction);
}

/* Downloads whose whole transfers alone have a figure. */
static void assert_sentence(size_t count, const char *expected)
{
    struct reduction *reduction = new_reduction();

    for (size_t i = 0; i < count; i++) {
        struct finding finding = { .measure = "goodput_steady",
                                   .from = "mill",
                                   .condition = "idle",
                                   .value = (double) NAN };

        (void) snprintf(finding.to, sizeof(finding.to), "quay%zu", i);
        *(struct finding *) rows_add(&reduction->findings) = finding;
        (void) snprintf(finding.measure, sizeof(finding.measure),
                        "goodput_whole");
        finding.value = 30000;
        *(struct finding *) rows_add(&reduction->findings) = finding;
    }
    assert_says(reduction, expected);
}

static void what_holds_of_all_cases_is_not_said_of_n_of_n(void **state)
{
    (void) state;
    assert_sentence(1, "There is no steady goodput, only that of the whole "
                       "transfer.");
    assert_sentence(2, "In both cases there is no steady goodput, only that "
                       "of the whole transfer.");
    assert_sentence(3, "In all 3 cases there is no steady goodput, only that "
                       "of the whole transfer.");
}

static void add_case(struct reduction *reduction, const char *to,
                     const struct finding *like)
{
    struct finding *finding = rows_add(&reduction->findings);

    *finding = *like;
    (void) snprintf(finding->measure, sizeof(finding->measure),
                    "goodput_steady");
    (void) snprintf(finding->from, sizeof(finding->from), "mill");
    (void) snprintf(finding->to, sizeof(finding->to), "%s", to);
    (void) snprintf(finding->step, sizeof(finding->step), "calm");
    (void) snprintf(finding->condition, sizeof(finding->condition), "idle");
}

static void the_doubt_that_took_a_verdict_is_told_with_it(void **state)
{
    static const struct finding late = {
        .value = 97e3,
        .low = 96e3,
        .high = 98e3,
        .expected_low = 98e3,
        .expected_high = 102e3,
        .verdict = VERDICT_UNDECIDED,
        .why = "no verdict: the practice link did not keep time",
    };
    struct finding open = late, meets = late;
    struct reduction *reduction = new_reduction();

    (void) state;
    (void) snprintf(open.why, sizeof(open.why), "about 9 s more would decide");
    meets.verdict = VERDICT_MEETS;
    add_case(reduction, "quay", &late);
    add_case(reduction, "pier", &late);
    assert_says(reduction, "No verdict: the practice link did not keep time.");
    reduction = new_reduction();
    add_case(reduction, "quay", &meets);
    add_case(reduction, "pier", &open);
    add_case(reduction, "dock", &late);
    assert_says(reduction,
                "In 1 of 3 cases the link carries what it should. mill → pier "
                "on calm (97 % of expected) is undecided. No verdict on mill → "
                "dock on calm: the practice link did not keep time.");
}

/* A download beside pings has no verdict, and is no case without one. */
static void what_ran_beside_others_is_no_case_of_its_own(void **state)
{
    static const struct finding meets = { .value = 97e3,
                                          .low = 96e3,
                                          .high = 98e3,
                                          .expected_low = 98e3,
                                          .expected_high = 102e3,
                                          .verdict = VERDICT_MEETS };
    struct reduction *reduction = new_reduction();
    struct finding beside = meets;

    (void) state;
    beside.verdict = VERDICT_NONE;
    add_case(reduction, "quay", &meets);
    add_case(reduction, "quay", &beside);
    (void) snprintf(
        ((struct finding *) rows_at(&reduction->findings, 1))->condition,
        NAME_SIZE, "ping quay > mill");
    assert_says(reduction,
                "The link works in the direction that was run on calm: it "
                "carries what the step should carry.");
}

static void add_fairness(struct reduction *reduction, double low)
{
    struct finding *finding = rows_add(&reduction->findings);

    *finding = (struct finding){ .measure = "fairness",
                                 .condition = "together",
                                 .plan_index = reduction->findings.count,
                                 .value = 1,
                                 .low = low,
                                 .high = 1 };
}

static void an_even_share_is_told_where_it_is_shown(void **state)
{
    struct reduction *reduction = new_reduction();

    (void) state;
    add_fairness(reduction, 0.98);
    add_fairness(reduction, 0.956);
    assert_says(reduction, "Downloads at once shared the channel evenly "
                           "(Jain's index at least 0.95 of 1).");
    reduction = new_reduction();
    add_fairness(reduction, 0.98);
    add_fairness(reduction, 0.5);
    assert_says(reduction, "Nothing was measured.");
    reduction = new_reduction();
    add_fairness(reduction, (double) NAN);
    add_fairness(reduction, 0.98);
    assert_says(reduction, "Nothing was measured.");
}

static void add_nothing(struct reduction *reduction, const char *to,
                        const char *why)
{
    struct finding finding = { .value = (double) NAN };

    (void) snprintf(finding.why, sizeof(finding.why), "%s", why);
    add_case(reduction, to, &finding);
    add_case(reduction, to, &finding);
    (void) snprintf(((struct finding *) rows_at(&reduction->findings,
                                                reduction->findings.count - 1))
                        ->measure,
                    NAME_SIZE, "goodput_whole");
}

static void an_account_that_never_came_is_not_told_as_no_data(void **state)
{
    struct reduction *reduction = new_reduction();

    (void) state;
    add_nothing(reduction, "quay", NOTHING_ARRIVED);
    assert_says(reduction, "The link does not work: nothing came through.");
    reduction = new_reduction();
    add_nothing(reduction, "quay", "the account of quay never came");
    assert_says(reduction, "What came through from mill to quay on calm is not "
                           "known: the account of quay never came.");
    reduction = new_reduction();
    add_nothing(reduction, "quay", "the account of quay never came");
    add_nothing(reduction, "pier", NOTHING_ARRIVED);
    assert_says(reduction, "No data came through from mill to pier on calm. "
                           "What came through from mill to quay on calm is not "
                           "known: the account of quay never came.");
}

static void assert_echoes(double lost_count, uint64_t late_count,
                          const char *expected)
{
    struct reduction *reduction = new_reduction();
    struct exchange_record *exchange = rows_add(&reduction->exchanges);
    struct ping_outcome *outcome =
        (void *) exchange->from_account.account.outcome.bytes;

    *(struct finding *) rows_add(&reduction->findings) =
        (struct finding){ .measure = "loss",
                          .condition = "idle",
                          .value = lost_count / 40,
                          .samples_count = 40 };
    exchange->kind = &ping_kind;
    exchange->from_account.is_there = true;
    outcome->late_count = late_count;
    assert_says(reduction, expected);
}

static void answers_that_came_too_late_are_not_told_as_lost(void **state)
{
    (void) state;
    assert_echoes(0, 0, "All 40 echoes were answered.");
    assert_echoes(7, 0, "Of 40 echoes 7 were lost.");
    assert_echoes(7, 7, "Of 40 echoes 7 were answered too late.");
    assert_echoes(40, 0, "None of 40 echoes was answered.");
    assert_echoes(40, 40, "Of 40 echoes 40 were answered too late.");
    assert_echoes(7, 5,
                  "Of 40 echoes 5 were answered too late, and 2 were "
                  "lost.");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(figures_have_the_decimals_that_their_interval_allows),
        cmocka_unit_test(text_is_kept_from_acting_as_markdown_or_html),
        cmocka_unit_test(broken_bytes_are_replaced_and_good_ones_kept),
        cmocka_unit_test(dates_are_in_utc_whatever_the_place),
        cmocka_unit_test(significant_digits_have_no_exponent),
        cmocka_unit_test(equal_exchanges_beside_are_counted),
        cmocka_unit_test(what_holds_of_all_cases_is_not_said_of_n_of_n),
        cmocka_unit_test(the_doubt_that_took_a_verdict_is_told_with_it),
        cmocka_unit_test(what_ran_beside_others_is_no_case_of_its_own),
        cmocka_unit_test(an_even_share_is_told_where_it_is_shown),
        cmocka_unit_test(an_account_that_never_came_is_not_told_as_no_data),
        cmocka_unit_test(answers_that_came_too_late_are_not_told_as_lost),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
