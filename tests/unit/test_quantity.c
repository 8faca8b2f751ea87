/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/quantity.h"
#include "controller/text.h"

#include <bothends/draw.h>
#include <bothends/exchange.h>
#include <bothends/findings.h>
#include <bothends/plan.h>
#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
/* cmocka needs those above. */
#include <cmocka.h>

struct record {
    uint64_t whole;
    int64_t signed_whole;
    double real;
    struct range range;
    struct spread spread;
    int choice;
    bool flag;
    char text[16];
};

static const char *const winds[] = { "calm", "breeze", "gale", NULL };

/* clang-format off */
static const struct field time_whole = { "a_ns", "a", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct record, whole), 1e6, 60e9, "", NULL, "a time" };
static const struct field free_time = { "a_ns", "a", FIELD_WHOLE, UNIT_DURATION, FIELD_AT(struct record, whole), 0, 0, "", NULL, "a time" };
static const struct field size_whole = { "a_bytes", "a", FIELD_WHOLE, UNIT_BYTES, FIELD_AT(struct record, whole), 0, 1e13, "", NULL, "a size" };
static const struct field count_whole = { "a_count", "a", FIELD_WHOLE, UNIT_COUNT, FIELD_AT(struct record, whole), 1, 1000, "", NULL, "a count" };
static const struct field signed_time = { "a_ns", "a", FIELD_SIGNED, UNIT_DURATION, FIELD_AT(struct record, signed_whole), 0, 0, "", NULL, "a difference" };
static const struct field hertz = { "a_hz", "a", FIELD_REAL, UNIT_HERTZ, FIELD_AT(struct record, real), 1, 1e12, "", NULL, "a frequency" };
static const struct field level = { "a_dbm", "a", FIELD_REAL, UNIT_DBM, FIELD_AT(struct record, real), -200, 50, "", NULL, "a level" };
static const struct field watts = { "a_w", "a", FIELD_REAL, UNIT_WATT, FIELD_AT(struct record, real), 0, 1e6, "", NULL, "a power" };
static const struct field ratio = { "a_ratio", "a", FIELD_REAL, UNIT_RATIO, FIELD_AT(struct record, real), 0, 1, "", NULL, "a share" };
static const struct field time_range = { "a_ns", "a", FIELD_RANGE, UNIT_DURATION, FIELD_AT(struct record, range), 0, 10e9, "", NULL, "a range" };
static const struct field rate_range = { "a_bps", "a", FIELD_RANGE, UNIT_RATE, FIELD_AT(struct record, range), 1, 1e12, "", NULL, "a range" };
static const struct field time_spread = { "a_ns", "a", FIELD_SPREAD, UNIT_DURATION, FIELD_AT(struct record, spread), 1e6, 3600e9, "", NULL, "a gap" };
static const struct field wind = { "a", "a", FIELD_CHOICE, UNIT_NONE, FIELD_AT(struct record, choice), 0, 0, "calm", winds, "the wind" };
static const struct field flag = { "a", "a", FIELD_FLAG, UNIT_NONE, FIELD_AT(struct record, flag), 0, 0, "no", NULL, "a flag" };
static const struct field text = { "a", "a", FIELD_TEXT, UNIT_NONE, FIELD_AT(struct record, text), 0, 0, "", NULL, "some text" };

static const struct {
    const struct field *field;
    const char *text;
    double low, high; /* low is the value of single ones */
} right[] = {
    { &time_whole, "250 ms", 250e6, 0 },
    { &time_whole, "250ms", 250e6, 0 },
    { &time_whole, " 250  ms ", 250e6, 0 },
    { &time_whole, "1.5 s", 1.5e9, 0 },
    { &time_whole, "+2 s", 2e9, 0 },
    { &time_whole, "1 min", 60e9, 0 },
    { &time_whole, "1e3 ms", 1e9, 0 },
    { &time_whole, "1100.5 us", 1100500, 0 },
    { &free_time, "0 ms", 0, 0 },
    { &free_time, "1.1 us", 1100, 0 },
    { &free_time, "2 µs", 2000, 0 },
    { &free_time, "2 h", 7200e9, 0 },
    { &size_whole, "300 kB", 300e3, 0 },
    { &size_whole, "1 KiB", 1024, 0 },
    { &size_whole, "0 B", 0, 0 },
    { &count_whole, "40", 40, 0 },
    { &signed_time, "-3 ms", -3e6, 0 },
    { &hertz, "438.2 MHz", 438.2e6, 0 },
    { &level, "-105 dBm", -105, 0 },
    { &watts, "100 mW", 0.1, 0 },
    { &watts, "7 mW", 0.007, 0 },
    { &ratio, "60 %", 0.6, 0 },
    { &ratio, "60%", 0.6, 0 },
    { &ratio, "7 %", 0.07, 0 },
    { &ratio, "3/4", 0.75, 0 },
    { &ratio, "5/6", 5.0 / 6, 0 },
    { &ratio, "0.75", 0.75, 0 },
    { &ratio, "1", 1, 0 },
    { &time_range, "12 ms", 12e6, 12e6 },
    { &time_range, "10..14 ms", 10e6, 14e6 },
    { &time_range, "10 ms..14 ms", 10e6, 14e6 },
    { &time_range, "10 ms .. 1 s", 10e6, 1e9 },
    { &time_range, "0..1.5 s", 0, 1.5e9 },
    { &rate_range, "50..60 kbit/s", 50e3, 60e3 },
};

static const struct {
    const struct field *field;
    const char *text, *found, *expected;
} wrong[] = {
    { &time_whole, "250", "'250'", "a time such as 250 ms" },
    { &time_whole, "250 parsecs", "'250 parsecs'", "a time such as 250 ms" },
    { &time_whole, "250 kB", "'250 kB'", "a time such as 250 ms" },
    { &time_whole, "250 MS", "'250 MS'", "a time such as 250 ms" },
    { &time_whole, "250 ms or so", "'250 ms or so'", "a time such as 250 ms" },
    { &time_whole, "10..14 ms", "'10..14 ms'", "a time such as 250 ms" },
    { &time_whole, "", "''", "a time such as 250 ms" },
    { &time_whole, "ms", "'ms'", "a time such as 250 ms" },
    { &time_whole, "nan ms", "'nan ms'", "a time such as 250 ms" },
    { &time_whole, "inf ms", "'inf ms'", "a time such as 250 ms" },
    { &time_whole, "1e999 ms", "'1e999 ms'", "a time such as 250 ms" },
    { &time_whole, "0x10 ms", "'0x10 ms'", "a time such as 250 ms" },
    { &time_whole, ".5 s", "'.5 s'", "a time such as 250 ms" },
    { &time_whole, "5. s", "'5. s'", "a time such as 250 ms" },
    { &time_whole, "- 5 s", "'- 5 s'", "a time such as 250 ms" },
    { &time_whole, "1 2 s", "'1 2 s'", "a time such as 250 ms" },
    { &time_whole, "2 min", "'2 min'", "a time from 1 ms to 1 min" },
    { &time_whole, "0 ms", "'0 ms'", "a time from 1 ms to 1 min" },
    { &time_whole, "-5 s", "'-5 s'", "a time from 1 ms to 1 min" },
    { &time_whole, "2,5 s", "'2,5 s'", "a decimal point, as in 2.5 s" },
    { &size_whole, "1,000,000 B", "'1,000,000 B'", "a number without commas" },
    { &size_whole, "1.5 B", "'1.5 B'", "a whole number of bytes" },
    { &size_whole, "1e15 B", "'1e15 B'", "a size from 0 B to 10000 GB" },
    { &free_time, "0.4 ns", "'0.4 ns'", "a whole number" },
    { &free_time, "-1 ns", "'-1 ns'", "a value that is not negative" },
    { &free_time, "1e20 ns", "'1e20 ns'", "a whole number" },
    { &count_whole, "2.5", "'2.5'", "a whole number" },
    { &count_whole, "many", "'many'", "a whole number such as 40" },
    { &count_whole, "40 B", "'40 B'", "a whole number such as 40" },
    { &count_whole, "0", "'0'", "a whole number from 1 to 1000" },
    { &count_whole, "99999999999999999999999999999999999999999999", "'99999999999999999999999999999999999999999999'", "a whole number such as 40" },
    { &ratio, "60", "'60'", "a share from 0 % to 100 %" },
    { &ratio, "3/0", "'3/0'", "a share such as 60 %, 3/4 or 0.75" },
    { &ratio, "3/", "'3/'", "a share such as 60 %, 3/4 or 0.75" },
    { &hertz, "3/4 Hz", "'3/4 Hz'", "a frequency such as 200 kHz" },
    { &time_range, "14..10 ms", "'14..10 ms'", "the smaller value first" },
    { &time_range, "10..14", "'10..14'", "a time such as 250 ms, or a range LOW..HIGH" },
    { &time_range, "10 ms..", "'10 ms..'", "a time such as 250 ms, or a range LOW..HIGH" },
    { &time_range, "10..12..14 ms", "'10..12..14 ms'", "a time such as 250 ms, or a range LOW..HIGH" },
    { &time_range, "10..14 s", "'10..14 s'", "a time from 0 ms to 10 s" },
    { &time_spread, "around 2 s", "'around 2 s'", "a time such as 250 ms, about 250 ms, random 250 ms, or a range LOW..HIGH" },
    { &time_spread, "about 1..2 s", "'about 1..2 s'", "a time such as 250 ms, about 250 ms, random 250 ms, or a range LOW..HIGH" },
    { &time_spread, "about2 s", "'about2 s'", "a time such as 250 ms, about 250 ms, random 250 ms, or a range LOW..HIGH" },
    { &time_spread, "about 2 h", "'about 2 h'", "a time from 1 ms to 1 h" },
    { &wind, "Gale", "'Gale'", "calm, breeze or gale" },
    { &wind, "", "''", "calm, breeze or gale" },
    { &flag, "on", "'on'", "yes or no" },
    { &text, "sixteen letters!", "'sixteen letters!'", "at most 15 bytes of text, not 16" },
    { &text, "a\nb", "'a?b'", "text without control characters" },
    { &text, "a\x7f" "b", "'a?b'", "text without control characters" },
    /* NOLINTNEXTLINE(misc-misleading-bidirectional): on purpose */
    { &text, "\xe2\x80\xae", "'\?\?\?'", "text without control characters" },
    { &text, "\xc2", "'?'", "text without control characters" },
};
/* clang-format on */

static double value_of(const struct field *field, const struct record *record,
                       double *ret_high)
{
    *ret_high = 0;
    if (field->shape == FIELD_RANGE) {
        *ret_high = record->range.high;
        return record->range.low;
    }
    if (field->shape == FIELD_SIGNED)
        return (double) record->signed_whole;
    return field->shape == FIELD_WHOLE ? (double) record->whole : record->real;
}

static void right_values_are_read_in_base_units(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(right); i++) {
        struct complaint complaint;
        struct record record = { 0 };
        double high;

        if (quantity_read(right[i].field, right[i].text, &record, &complaint)
            != 0)
            fail_msg("'%s' was refused: expected %s", right[i].text,
                     complaint.expected);
        const double low = value_of(right[i].field, &record, &high);
        if (low != right[i].low || high != right[i].high)
            fail_msg("'%s' became %.17g..%.17g", right[i].text, low, high);
    }
}

static void wrong_values_are_refused_with_what_would_be_right(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(wrong); i++) {
        struct complaint complaint;
        struct record record, before;

        memset(&record, 0x5a, sizeof(record));
        before = record;
        if (quantity_read(wrong[i].field, wrong[i].text, &record, &complaint)
            == 0)
            fail_msg("'%s' was taken", wrong[i].text);
        if (strcmp(complaint.found, wrong[i].found) != 0
            || strcmp(complaint.expected, wrong[i].expected) != 0)
            fail_msg("'%s': found %s, expected %s", wrong[i].text,
                     complaint.found, complaint.expected);
        assert_memory_equal(&record, &before, sizeof(record));
    }
}

static void a_spread_is_fixed_about_random_or_between(void **state)
{
    /* clang-format off */
    static const struct {
        const char *text;
        struct spread spread;
    } cases[] = {
        { "2 s", { SPREAD_FIXED, 2e9, 2e9, 2e9 } },
        { "about 2 s", { SPREAD_UNIFORM, 2e9, 1e9, 3e9 } },
        { "1..3.5 s", { SPREAD_UNIFORM, 2.25e9, 1e9, 3.5e9 } },
        { "random 2 s", { SPREAD_EXPONENTIAL, 2e9, 0, 0 } },
    };
    /* clang-format on */
    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct complaint complaint;
        struct record record = { 0 };
        char written[QUANTITY_TEXT_SIZE];

        assert_int_equal(
            quantity_read(&time_spread, cases[i].text, &record, &complaint), 0);
        assert_int_equal(record.spread.form, cases[i].spread.form);
        assert_true(record.spread.mean == cases[i].spread.mean);
        assert_true(record.spread.low == cases[i].spread.low);
        assert_true(record.spread.high == cases[i].spread.high);
        quantity_write(&time_spread, &record, written, sizeof(written));
        assert_string_equal(written, cases[i].text);
    }
}

static void choices_flags_and_text_are_read(void **state)
{
    static const char *const yes[] = { "yes", "true" };
    static const char *const no[] = { "no", "false" };
    struct complaint complaint;
    struct record record = { 0 };

    (void) state;
    assert_int_equal(quantity_read(&wind, "gale", &record, &complaint), 0);
    assert_int_equal(record.choice, 2);
    for (size_t i = 0; i < COUNT_OF(yes); i++) {
        assert_int_equal(quantity_read(&flag, yes[i], &record, &complaint), 0);
        assert_true(record.flag);
        assert_int_equal(quantity_read(&flag, no[i], &record, &complaint), 0);
        assert_false(record.flag);
    }
    assert_int_equal(quantity_read(&text, "é and 13 more", &record, &complaint),
                     0);
    assert_string_equal(record.text, "é and 13 more");
}

static void a_long_text_is_cut_between_characters_in_a_message(void **state)
{
    char quoted[128], longer[400] = "";

    (void) state;
    for (size_t i = 0; i < 100; i++)
        memcpy(longer + 3 * i, "\xe2\x82\xac", 4);
    quantity_quote(longer, quoted, sizeof(quoted));
    assert_true(text_is_printable(quoted));
    assert_true(strlen(quoted) < 80);
    assert_non_null(strstr(quoted, "...'"));
}

static void what_is_written_is_short(void **state)
{
    static const struct {
        const struct field *field;
        double value;
        const char *text;
    } cases[] = {
        { &free_time, 250e6, "250 ms" },
        { &free_time, 0, "" },
        { &free_time, 90e9, "90 s" },
        { &free_time, 540e9, "9 min" },
        { &size_whole, 1500, "1500 B" },
        { &size_whole, 300e3, "300 kB" },
        { &size_whole, 16384, "16 KiB" },
        { &hertz, 438.2e6, "438.2 MHz" },
        { &hertz, 200e3, "200 kHz" },
        { &level, -105, "-105 dBm" },
        { &ratio, 0.75, "75 %" },
        { &ratio, 5.0 / 6, "5/6" },
        { &watts, 0.1, "100 mW" },
        { &watts, 1.5, "1.5 W" },
        { &ratio, 0, "0 %" },
        { &count_whole, 40, "40" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct record record = { .whole = (uint64_t) fabs(cases[i].value),
                                 .real = cases[i].value };
        char written[QUANTITY_TEXT_SIZE];

        quantity_write(cases[i].field, &record, written, sizeof(written));
        if (strcmp(written, cases[i].text) != 0)
            fail_msg("%.17g was written as '%s', expected '%s'", cases[i].value,
                     written, cases[i].text);
    }
}

static void what_is_written_reads_back_to_the_last_bit(void **state)
{
    static const struct field *const reals[] = { &hertz, &watts, &ratio };
    struct draw draw = { 7 };

    (void) state;
    for (size_t i = 0; i < 20000; i++) {
        struct record record, again = { 0 };
        struct complaint complaint;
        char written[QUANTITY_TEXT_SIZE];
        const struct field *real = reals[i % COUNT_OF(reals)];

        memset(&record, 0, sizeof(record));
        record.real = draw_unit(&draw) * (real == &ratio ? 1 : 1e5) + 1e-9
                      + (real == &hertz ? 1 : 0);
        record.whole = (uint64_t) (exp(draw_unit(&draw) * 29) / 10) + 1;
        record.range.low = draw_unit(&draw) * 1e9;
        record.range.high = record.range.low + draw_unit(&draw) * 1e9;
        quantity_write(real, &record, written, sizeof(written));
        if (real == &ratio && record.real > 1)
            continue;
        if (quantity_read(real, written, &again, &complaint) != 0
            || again.real != record.real)
            fail_msg("%.17g: '%s'", record.real, written);
        quantity_write(&size_whole, &record, written, sizeof(written));
        if (quantity_read(&size_whole, written, &again, &complaint) != 0
            || again.whole != record.whole)
            fail_msg("%llu: '%s'", (unsigned long long) record.whole, written);
        quantity_write(&time_range, &record, written, sizeof(written));
        if (quantity_read(&time_range, written, &again, &complaint) != 0
            || again.range.low != record.range.low
            || again.range.high != record.range.high)
            fail_msg("%.17g..%.17g: '%s'", record.range.low, record.range.high,
                     written);
    }
}

static void tables_show_three_figures(void **state)
{
    static const struct {
        enum unit unit;
        double value;
        const char *text;
    } cases[] = {
        { UNIT_RATE, 49312, "49.3 kbit/s" },
        { UNIT_RATE, 999960, "1.00 Mbit/s" },
        { UNIT_RATE, 999.6, "1.00 kbit/s" },
        { UNIT_DURATION, 72e6, "72.0 ms" },
        { UNIT_DURATION, 246.4e6, "246 ms" },
        { UNIT_HERTZ, 60e3, "60.0 kHz" },
        { UNIT_RATE, (double) NAN, "-" },
        { UNIT_BYTES, 2048, "2.05 kB" },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        char shown[64];

        quantity_show(cases[i].unit, cases[i].value, shown, sizeof(shown));
        assert_string_equal(shown, cases[i].text);
    }
    char shown[64];
    quantity_show_range(UNIT_DURATION, (struct range){ 350e6, 362e6 }, shown,
                        sizeof(shown));
    assert_string_equal(shown, "350..362 ms");
    quantity_show_range(UNIT_DURATION, range_unsaid(), shown, sizeof(shown));
    assert_string_equal(shown, "-");
}

static void assert_presets_read(const struct field *fields, size_t field_count)
{
    for (size_t i = 0; i < field_count; i++) {
        const struct field *field = &fields[i];
        unsigned char room[sizeof(struct plan)] = { 0 };
        struct field alone = *field;
        struct complaint complaint;

        alone.offset = 0;
        if (field->preset && field->preset[0]
            && quantity_read(&alone, field->preset, room, &complaint) != 0)
            fail_msg("preset of %s: found %s, expected %s", field->name,
                     complaint.found, complaint.expected);
        assert_true(field->help[0]);
    }
}

static void every_preset_of_a_plan_is_a_right_value(void **state)
{
    (void) state;
    assert_presets_read(plan_fields, COUNT_OF(plan_fields));
    assert_presets_read(link_fields, COUNT_OF(link_fields));
    assert_presets_read(step_fields, COUNT_OF(step_fields));
    assert_presets_read(end_fields, COUNT_OF(end_fields));
    assert_presets_read(practice_fields, COUNT_OF(practice_fields));
    assert_presets_read(practice_end_fields, COUNT_OF(practice_end_fields));
    assert_presets_read(plan_event_fields, COUNT_OF(plan_event_fields));
    for (size_t i = 0; i < COUNT_OF(exchange_kinds); i++)
        assert_presets_read(exchange_kinds[i]->spec_fields,
                            exchange_kinds[i]->spec_field_count);
}

static void a_negative_nought_is_nought(void **state)
{
    static const struct field share = { .shape = FIELD_REAL,
                                        .unit = UNIT_RATIO,
                                        .size = sizeof(double),
                                        .most = 1 };
    struct complaint complaint;
    double value = 1;

    (void) state;
    assert_int_equal(quantity_read(&share, "-0 %", &value, &complaint), 0);
    assert_false(signbit(value));
}

static void what_nobody_says_is_not_said(void **state)
{
    static const struct field *const optional[] = { &time_whole, &hertz,
                                                    &time_range, &text };
    struct record record;

    (void) state;
    for (size_t i = 0; i < COUNT_OF(optional); i++) {
        memset(&record, 0x5a, sizeof(record));
        quantity_preset(optional[i], &record);
        assert_false(quantity_is_said(optional[i], &record));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(right_values_are_read_in_base_units),
        cmocka_unit_test(wrong_values_are_refused_with_what_would_be_right),
        cmocka_unit_test(a_spread_is_fixed_about_random_or_between),
        cmocka_unit_test(choices_flags_and_text_are_read),
        cmocka_unit_test(a_long_text_is_cut_between_characters_in_a_message),
        cmocka_unit_test(what_is_written_is_short),
        cmocka_unit_test(what_is_written_reads_back_to_the_last_bit),
        cmocka_unit_test(tables_show_three_figures),
        cmocka_unit_test(every_preset_of_a_plan_is_a_right_value),
        cmocka_unit_test(a_negative_nought_is_nought),
        cmocka_unit_test(what_nobody_says_is_not_said),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
