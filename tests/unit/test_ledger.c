/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/driver_virtual.h"

#include <inttypes.h>
#include <jansson.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

struct fixture {
    char folder[64], ledger[80];
};

static const struct ledger_names names = { .ends = { "weir", "island" },
                                           .steps = { "walk", "trot" },
                                           .end_count = 2,
                                           .step_count = 2 };

static int make_folder(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    (void) snprintf(fixture->folder, sizeof(fixture->folder),
                    "/tmp/bothends-ledger.XXXXXX");
    assert_non_null(mkdtemp(fixture->folder));
    (void) snprintf(fixture->ledger, sizeof(fixture->ledger), "%s/ledger",
                    fixture->folder);
    *state = fixture;
    return 0;
}

static int remove_folder(void **state)
{
    static const char *const files[] = { "packets.tsv", "transmissions.tsv",
                                         "events.tsv", "totals.json" };
    struct fixture *fixture = *state;
    char path[128];

    for (size_t i = 0; i < COUNT_OF(files); i++) {
        (void) snprintf(path, sizeof(path), "%s/%s", fixture->ledger, files[i]);
        (void) unlink(path);
    }
    (void) rmdir(fixture->ledger);
    (void) rmdir(fixture->folder);
    free(fixture);
    return 0;
}

static const struct air_config config = {
    .end_count = 2,
    .step_bps = { 60000, 120000 },
    .step_count = 2,
    .slot_overhead_ns = 12 * NS_PER_MS,
    .slot_least_ns = AIR_NEVER,
    .slot_limit_ns = 150 * NS_PER_MS,
    .frame_payload_bytes = 240,
    .frame_overhead_bytes = 12,
    .queue_bytes = 16000,
};

/* One line's cell by its heading. */
static bool cell(const char *heading, const char *line, const char *name,
                 char *ret_text, size_t size)
{
    for (;;) {
        const size_t heading_length = strcspn(heading, "\t\n");
        const size_t length = strcspn(line, "\t\n");

        if (strlen(name) == heading_length
            && strncmp(heading, name, heading_length) == 0) {
            (void) snprintf(ret_text, size, "%.*s", (int) length, line);
            return true;
        }
        if (heading[heading_length] != '\t' || line[length] != '\t')
            return false;
        heading += heading_length + 1;
        line += length + 1;
    }
}

/* Sum of a column over the lines whose cells `key` and `key2` are so. */
static uint64_t column_sum(const struct fixture *fixture, const char *file_name,
                           const char *column, const char *const where[][2],
                           uint64_t *ret_lines)
{
    char path[128], heading[1024], line[1024], text[256];
    uint64_t sum = 0, lines = 0;

    (void) snprintf(path, sizeof(path), "%s/%s", fixture->ledger, file_name);
    FILE *file = fopen(path, "r");

    assert_non_null(file);
    assert_non_null(fgets(heading, sizeof(heading), file));
    while (fgets(line, sizeof(line), file)) {
        bool is_wanted = true;

        for (size_t i = 0; where[i][0]; i++) {
            assert_true(cell(heading, line, where[i][0], text, sizeof(text)));
            is_wanted = is_wanted && strcmp(text, where[i][1]) == 0;
        }
        if (!is_wanted)
            continue;
        assert_true(cell(heading, line, column, text, sizeof(text)));
        sum += strtoull(text, NULL, 10);
        lines++;
    }
    (void) fclose(file);
    *ret_lines = lines;
    return sum;
}

static json_t *read_totals(const struct fixture *fixture)
{
    char path[128];

    (void) snprintf(path, sizeof(path), "%s/totals.json", fixture->ledger);
    json_t *totals = json_load_file(path, 0, NULL);

    assert_non_null(totals);
    return totals;
}

static void write_ledger(const struct fixture *fixture,
                         struct virtual_source *sources, size_t source_count)
{
    struct fault fault = { 0 };
    struct virtual_run run = { .config = config,
                               .duration_ns = 120 * NS_PER_S,
                               .sources = sources,
                               .source_count = source_count };

    assert_int_equal(
        ledger_open(fixture->ledger, &names, &config, &run.ledger, &fault), 0);
    virtual_run(&run);
    assert_int_equal(ledger_close(run.ledger, &fault), 0);
}

static void totals_are_the_sums_of_the_lines(void **state)
{
    const struct fixture *fixture = *state;
    struct virtual_source sources[] = {
        { .to = 1,
          .packet_bytes = 1500,
          .gap_ns = 150 * NS_PER_MS, /* too much: the queue overflows */
          .end_ns = AIR_NEVER },
        { .from = 1,
          .packet_bytes = 60,
          .gap_ns = NS_PER_S,
          .end_ns = AIR_NEVER },
    };

    write_ledger(fixture, sources, 2);
    json_t *totals = read_totals(fixture);
    const json_t *directions = json_object_get(totals, "directions");

    assert_int_equal(json_array_size(directions), 2);
    for (size_t i = 0; i < 2; i++) {
        const json_t *direction = json_array_get(directions, i);

        for (size_t fate = 0; fate < FATE_COUNT; fate++) {
            const json_t *total = json_object_get(
                json_object_get(direction, "fates"), ledger_fates[fate]);
            const char *const where[][2] = {
                { "from",
                  json_string_value(json_object_get(direction, "from")) },
                { "to", json_string_value(json_object_get(direction, "to")) },
                { "fate", ledger_fates[fate] },
                { NULL, NULL },
            };
            uint64_t lines;
            const uint64_t bytes =
                column_sum(fixture, "packets.tsv", "ip_bytes", where, &lines);

            assert_int_equal(
                bytes, json_integer_value(json_object_get(total, "ip_bytes")));
            assert_int_equal(lines, json_integer_value(json_object_get(
                                        total, "packets_count")));
            assert_int_equal(lines, sources[i].fates_count[fate]);
        }
    }
    json_decref(totals);
}

static void airtime_and_idle_turns_fill_the_whole_time(void **state)
{
    const struct fixture *fixture = *state;
    struct virtual_source sources[] = {
        { .to = 1,
          .packet_bytes = 700,
          .gap_ns = NS_PER_S,
          .end_ns = AIR_NEVER },
        { .from = 1,
          .packet_bytes = 60,
          .gap_ns = 700 * NS_PER_MS,
          .end_ns = AIR_NEVER },
    };

    write_ledger(fixture, sources, 2);
    json_t *totals = read_totals(fixture);
    const json_t *ends = json_object_get(totals, "ends");
    uint64_t filled_ns = 0, idle_turns_count = 0;

    for (size_t i = 0; i < 2; i++) {
        const json_t *end = json_object_get(ends, names.ends[i]);
        const char *const where[][2] = { { "what", "sent" },
                                         { "end", names.ends[i] },
                                         { NULL, NULL } };
        uint64_t lines;

        assert_int_equal(
            column_sum(fixture, "transmissions.tsv", "ip_bytes", where, &lines),
            json_integer_value(json_object_get(end, "ip_bytes")));
        assert_int_equal(lines, json_integer_value(json_object_get(
                                    end, "transmissions_count")));
        filled_ns +=
            (uint64_t) json_integer_value(json_object_get(end, "airtime_ns"))
            + (uint64_t) json_integer_value(
                json_object_get(end, "idle_turns_ns"));
        idle_turns_count += (uint64_t) json_integer_value(
            json_object_get(end, "idle_turns_count"));
    }
    const char *const idle[][2] = { { "what", "idle" }, { NULL, NULL } };
    uint64_t lines;

    assert_int_equal(
        column_sum(fixture, "transmissions.tsv", "turns_count", idle, &lines),
        idle_turns_count);
    /* All but the turn under way at the end. */
    assert_in_range(filled_ns, 120 * NS_PER_S - 150 * NS_PER_MS,
                    120 * NS_PER_S + 40 * NS_PER_MS);
    json_decref(totals);
}

static void late_edges_make_a_run_untrustworthy(void **state)
{
    const struct fixture *fixture = *state;
    /* 1 % of the slot limit of 150 ms is 1.5 ms. */
    static const struct {
        uint64_t late_count, late_us;
        bool is_trustworthy;
    } cases[] = { { 5, 900000, true },
                  { 20, 1400, true },
                  { 20, 1600, false },
                  { 0, 0, true } };

    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct ledger *ledger;
        struct ledger_verdict verdict;
        struct fault fault = { 0 };

        assert_int_equal(
            ledger_open(fixture->ledger, &names, &config, &ledger, &fault), 0);
        for (uint64_t edge = 0; edge < 1000; edge++)
            ledger_lateness(ledger, edge < cases[i].late_count
                                        ? cases[i].late_us * NS_PER_US
                                        : 100 * NS_PER_US);
        assert_int_equal(ledger_close(ledger, &fault), 0);
        assert_int_equal(ledger_read_verdict(fixture->ledger, &verdict, &fault),
                         0);
        assert_int_equal(verdict.is_trustworthy, cases[i].is_trustworthy);
        assert_int_equal(verdict.lateness_limit_ns, 1500 * NS_PER_US);
    }
}

static void a_lost_packet_of_our_own_makes_a_run_untrustworthy(void **state)
{
    const struct fixture *fixture = *state;
    struct ledger *ledger;
    struct ledger_verdict verdict;
    struct fault fault = { 0 };

    assert_int_equal(
        ledger_open(fixture->ledger, &names, &config, &ledger, &fault), 0);
    ledger_own_loss(ledger, 1);
    assert_int_equal(ledger_close(ledger, &fault), 0);
    assert_int_equal(ledger_read_verdict(fixture->ledger, &verdict, &fault), 0);
    assert_false(verdict.is_trustworthy);
    assert_int_equal(verdict.own_loss_count, 1);
}

static void on_event(void *owner, uint64_t now_ns, unsigned number,
                     bool is_beginning, const struct plan_event *event)
{
    ledger_event(owner, now_ns, number, is_beginning, event);
}

static void what_comes_and_goes_is_in_a_table_of_its_own(void **state)
{
    const struct fixture *fixture = *state;
    struct plan plan = {
        .ends = { { .name = "weir", .role = ROLE_HUB },
                  { .name = "island", .role = ROLE_STATION } },
        .end_count = 2,
        .practice = { .events = { { .at_ns = 3 * NS_PER_S,
                                    .for_ns = 2 * NS_PER_S,
                                    .what = EVENT_OUTAGE,
                                    .from = "island",
                                    .chance_ratio = (double) NAN,
                                    .burst = (double) NAN,
                                    .within_ratio = 1,
                                    .share_ratio = (double) NAN } },
                      .event_count = 1 },
    };
    struct virtual_run run = { .config = config, .duration_ns = 9 * NS_PER_S };
    struct timeline_listener listener = { .on_event = on_event };
    struct fault fault = { 0 };
    char path[128], text[256];

    assert_int_equal(
        ledger_open(fixture->ledger, &names, &config, &run.ledger, &fault), 0);
    listener.owner = run.ledger;
    run.timeline = timeline_new(&plan, 0, &listener);
    virtual_run(&run);
    timeline_free(run.timeline);
    assert_int_equal(ledger_close(run.ledger, &fault), 0);
    (void) snprintf(path, sizeof(path), "%s/events.tsv", fixture->ledger);
    FILE *file = fopen(path, "re");
    assert_non_null(file);
    text[fread(text, 1, sizeof(text) - 1, file)] = '\0';
    (void) fclose(file);
    assert_string_equal(text,
                        "at_ns\tnumber\twhat\tevent\n"
                        "3000000000\t1\tbegins\toutage for=2s from=island\n"
                        "5000000000\t1\tends\toutage for=2s from=island\n");
}

static void a_folder_that_can_not_be_made_is_named(void **state)
{
    struct ledger *ledger;
    struct fault fault = { 0 };

    (void) state;
    assert_true(
        ledger_open("/nonexistent/ledger", &names, &config, &ledger, &fault)
        < 0);
    assert_non_null(strstr(fault.text, "'/nonexistent/ledger'"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(totals_are_the_sums_of_the_lines,
                                        make_folder, remove_folder),
        cmocka_unit_test_setup_teardown(
            airtime_and_idle_turns_fill_the_whole_time, make_folder,
            remove_folder),
        cmocka_unit_test_setup_teardown(late_edges_make_a_run_untrustworthy,
                                        make_folder, remove_folder),
        cmocka_unit_test_setup_teardown(
            a_lost_packet_of_our_own_makes_a_run_untrustworthy, make_folder,
            remove_folder),
        cmocka_unit_test_setup_teardown(
            what_comes_and_goes_is_in_a_table_of_its_own, make_folder,
            remove_folder),
        cmocka_unit_test(a_folder_that_can_not_be_made_is_named),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
