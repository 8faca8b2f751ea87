/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/report.h"
#include "tests/support/made_run.h"
#include "tests/support/made_timing.h"

#include <dirent.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
/* cmocka.h must follow the four of them */
#include <cmocka.h>

/*
 * A run whose plan, notes, errors and readings all tell where things are.
 * Everything that may not be told has one of these marks in it.
 */
static const char *const secrets[] = { "192.0.2.",
                                       "198.51.100.",
                                       "2001:db8",
                                       "gateway.example",
                                       "control.example",
                                       "fe80",
                                       "02:00:5e",
                                       "HO40vd",
                                       "HO40VD",
                                       "ho40vd",
                                       "50.130",
                                       "30.25",
                                       "50°",
                                       "5.73",
                                       "6.1 km",
                                       "/home/",
                                       "secret.key",
                                       "431",
                                       "air7-private" };

struct fixture {
    struct made_run made;
    char folder[128];
    struct report_summary summary;
    struct plan_exchange ping;
};

static void set_text(char *text, size_t size, const char *value)
{
    (void) snprintf(text, size, "%s", value);
}

static void place_ends(struct plan *plan)
{
    struct plan_end *hub = &plan->ends[0], *station = &plan->ends[1];

    set_text(hub->position, sizeof(hub->position), "50.130 N, 30.25 W");
    set_text(station->position, sizeof(station->position), "HO40vd63ab");
    set_text(station->address, sizeof(station->address), "2001:db8::2");
    set_text(station->control, sizeof(station->control), "control.example");
    set_text(station->key, sizeof(station->key), "/home/op/secret.key");
    hub->ground_m = station->ground_m = 431;
    hub->distance_m = (double) NAN;
    station->distance_m = 5730;
    hub->antenna_azimuth_deg = station->antenna_azimuth_deg = 43.1;
    station->obstacle_distance_m = 431;
    station->obstacle_height_m = (double) NAN;
    set_text(hub->note, sizeof(hub->note),
             "mast at 50.130 N, 30.25 W, card 02:00:5e:10:00:0a");
    set_text(station->note, sizeof(station->note), "in HO40VD63, fe80::1%x");
    set_text(plan->note, sizeof(plan->note),
             "router 192.0.2.254 moved; see 50°7'30\" N");
    plan->link.distance_m = 6100;
    plan->public_locator = PUBLIC_LOCATOR_4;
}

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    made_run_init(&fixture->made, true);
    place_ends(&fixture->made.plan);
    (void) snprintf(fixture->folder, sizeof(fixture->folder), "%s/report",
                    fixture->made.folder);
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;

    made_run_clear(&fixture->made);
    free(fixture);
    return 0;
}

static void add_ping(struct made_run *made, const char *to, const char *note)
{
    static const struct ping_spec spec = { .count = 40,
                                           .size_bytes = 56,
                                           .wait_ns = 10 * NS_PER_S };
    uint64_t rtts_ns[40];
    struct exchange_account prober;

    for (size_t i = 0; i < 40; i++)
        rtts_ns[i] = i % 13 == 0 ? 0 : (50 + i % 24) * NS_PER_MS;
    made_prober(rtts_ns, 40, &prober);
    set_text(prober.gateway, sizeof(prober.gateway), "192.0.2.254");
    set_text(prober.gateway_after, sizeof(prober.gateway_after), "fe80::77");
    set_text(prober.source_address_after, ADDRESS_SIZE, "192.0.2.9");
    struct radio_reading *reading = rows_add(&prober.readings);

    set_text(reading->name, sizeof(reading->name), "heard_by");
    set_text(reading->text, sizeof(reading->text), "192.0.2.8 at HO40vd");
    reading = rows_add(&prober.readings);
    set_text(reading->name, sizeof(reading->name), "gps_lat");
    set_text(reading->text, sizeof(reading->text), "50.130");
    made_run_add(made, &(struct made_exchange){ .kind = &ping_kind,
                                                .round = 1,
                                                .from = "quay",
                                                .to = to,
                                                .condition = "ping 192.0.2.5",
                                                .spec = &spec,
                                                .from_account = &prober,
                                                .note = note });
    account_clear(&prober);
}

static void add_timing(struct made_run *made)
{
    static const struct timing_spec spec = { .count = 40,
                                             .size_bytes = 112,
                                             .wait_ns = 10 * NS_PER_S };
    const struct made_timing timing = {
        .count = 40,
        .gap_ns = NS_PER_S,
        .there = { 40 * NS_PER_MS, 60 * NS_PER_MS, 9, 7, 5, 2 * NS_PER_S },
        .back = { .least_ns = 60 * NS_PER_MS },
        .seed = 6,
    };
    struct exchange_account sender, reflector;

    made_timing(&timing, &sender, &reflector);
    set_text(reflector.source_address_after, ADDRESS_SIZE, "192.0.2.9");
    made_run_add(made, &(struct made_exchange){ .kind = &timing_kind,
                                                .round = 1,
                                                .plan_index = 3,
                                                .from = "quay",
                                                .to = "mill",
                                                .condition = "ping 192.0.2.5",
                                                .spec = &spec,
                                                .from_account = &sender,
                                                .to_account = &reflector });
    account_clear(&sender);
    account_clear(&reflector);
}

static void add_failure(struct made_run *made)
{
    static const struct download_spec spec = { .for_ns = 22 * NS_PER_S,
                                               .connections = 1 };
    const struct made_download download = { .goodput_bps = 20000,
                                            .cycle_ns = 166 * NS_PER_MS,
                                            .slot_ns = 138 * NS_PER_MS,
                                            .segments_a_cycle = 2,
                                            .for_ns = spec.for_ns };
    struct exchange_account sender, receiver;

    made_sender(&download, &sender);
    made_receiver(&download, &receiver);
    receiver.state = ACCOUNT_FAILED;
    set_text(receiver.trouble, sizeof(receiver.trouble),
             "cannot connect to [2001:db8::2]:7907 from 192.0.2.1: timed out");
    made_run_add(made, &(struct made_exchange){ .kind = &download_kind,
                                                .round = 1,
                                                .plan_index = 1,
                                                .from = "mill",
                                                .to = "quay",
                                                .spec = &spec,
                                                .from_account = &sender,
                                                .to_account = &receiver });
    account_clear(&sender);
    account_clear(&receiver);
}

static void fill(struct made_run *made)
{
    add_ping(
        made, "gateway.example",
        "the way to 198.51.100.7 goes by 2001:db8::5, not gateway.example");
    add_ping(made, "192.0.2.254", NULL);
    add_ping(made, "mill", NULL);
    add_timing(made);
    add_failure(made);
    made_run_end(made, "complete");
}

/* --- looking -------------------------------------------------------------- */

static char *read_file(const char *path)
{
    struct stat facts = { 0 };
    FILE *in = fopen(path, "r");

    if (!in || fstat(fileno(in), &facts) != 0)
        fail_msg("no file %s", path);
    char *text = calloc(1, (size_t) facts.st_size + 1);

    assert_non_null(text);
    assert_int_equal(fread(text, 1, (size_t) facts.st_size, in), facts.st_size);
    (void) fclose(in);
    return text;
}

static size_t count_secrets(const char *path, bool is_failing)
{
    char *text = read_file(path);
    size_t count = 0;

    for (size_t i = 0; i < sizeof(secrets) / sizeof(secrets[0]); i++) {
        if (!strstr(text, secrets[i]))
            continue;
        count++;
        if (is_failing)
            fail_msg("'%s' is in %s:\n%s", secrets[i], path, text);
    }
    free(text);
    return count;
}

/* In every file of the folder.  Charts hold their texts as drawn letters; what
 * they say stands in the report too, as the text in their place. */
static size_t look_into(const char *folder, bool is_failing)
{
    DIR *list = opendir(folder);
    struct dirent *entry;
    size_t count = 0;

    assert_non_null(list);
    while ((entry = readdir(list))) {
        char path[1024];

        (void) snprintf(path, sizeof(path), "%s/%s", folder, entry->d_name);
        if (entry->d_name[0] != '.' && strchr(entry->d_name, '.'))
            count += count_secrets(path, is_failing);
    }
    (void) closedir(list);
    return count;
}

static void write_public(struct fixture *fixture)
{
    struct fault fault = { 0 };

    if (report_write_public(made_run_database(&fixture->made),
                            fixture->made.run.run, &fixture->made.plan,
                            fixture->folder, &fixture->summary, &fault))
        fail_msg("%s", fault.text);
}

static char *read_report(const struct fixture *fixture)
{
    char path[256];

    (void) snprintf(path, sizeof(path), "%s/report.md", fixture->folder);
    return read_file(path);
}

static void assert_in(const char *text, const char *part)
{
    if (!strstr(text, part))
        fail_msg("'%s' is not in:\n%s", part, text);
}

/* --- what is promised ----------------------------------------------------- */

static void no_address_and_no_full_position_is_in_a_public_report(void **state)
{
    struct fixture *fixture = *state;

    fill(&fixture->made);
    write_public(fixture);
    assert_int_equal(look_into(fixture->folder, true), 0);
    assert_null(strstr(fixture->summary.sentence, "192."));
}

/* Or the test above could not fail. */
static void the_ordinary_report_tells_them(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    fill(&fixture->made);
    assert_int_equal(report_write(made_run_database(&fixture->made),
                                  fixture->made.run.run, &fixture->made.plan,
                                  fixture->folder, &fixture->summary, &fault),
                     0);
    assert_true(look_into(fixture->folder, false) > 8);
}

static void hosts_stay_apart_and_are_told_to_be_left_out(void **state)
{
    struct fixture *fixture = *state;

    fill(&fixture->made);
    write_public(fixture);
    char *report = read_report(fixture);

    assert_in(report, "quay → host 1");
    assert_in(report, "quay → host 2");
    assert_in(report, "quay → mill");
    assert_in(report, "timed out");
    assert_in(report, "HO40");
    assert_in(report, "at most 100 km");
    assert_in(report, "gps\\_lat");
    assert_in(report, "Addresses were left out");
    free(report);
}

static void the_plan_says_how_precise_positions_are(void **state)
{
    struct fixture *fixture = *state;

    fixture->made.plan.public_locator = PUBLIC_LOCATOR_6;
    fill(&fixture->made);
    write_public(fixture);
    char *report = read_report(fixture);

    assert_in(report, "HO40vd");
    assert_null(strstr(report, "HO40vd6"));
    assert_in(report, "at most 10 km"); /* 5.73 km, in steps of 5 km */
    free(report);
}

static void without_a_locator_no_position_is_told(void **state)
{
    struct fixture *fixture = *state;

    fixture->made.plan.public_locator = PUBLIC_NO_LOCATOR;
    fill(&fixture->made);
    write_public(fixture);
    char *report = read_report(fixture);

    assert_null(strstr(report, "HO40"));
    free(report);
}

static void expectations_keep_three_digits(void **state)
{
    struct fixture *fixture = *state;
    char path[256];

    fill(&fixture->made);
    write_public(fixture);
    (void) snprintf(path, sizeof(path), "%s/results.json", fixture->folder);
    char *results = read_file(path);

    for (const char *at = results; (at = strstr(at, "\"expected_low\": "));) {
        const char *number = strchr(at, ' ') + 1;
        size_t digits = 0;

        at = number;
        for (; *at && !strchr(",\n}e", *at); at++) {
            if (*at >= '1' && *at <= '9')
                digits++;
        }
        if (strncmp(number, "null", 4) != 0 && digits > 3)
            fail_msg("more than three digits: %.30s", number);
    }
    free(results);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
#define PUBLIC_TEST(name)                                                      \
    cmocka_unit_test_setup_teardown(name, set_up, tear_down)
        PUBLIC_TEST(no_address_and_no_full_position_is_in_a_public_report),
        PUBLIC_TEST(the_ordinary_report_tells_them),
        PUBLIC_TEST(hosts_stay_apart_and_are_told_to_be_left_out),
        PUBLIC_TEST(the_plan_says_how_precise_positions_are),
        PUBLIC_TEST(without_a_locator_no_position_is_told),
        PUBLIC_TEST(expectations_keep_three_digits),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
