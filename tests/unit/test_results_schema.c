/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/report.h"
#include "tests/support/json_schema.h"
#include "tests/support/kinds_of_run.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four of them */
#include <cmocka.h>

#define REPORTS_FOLDER TEST_FOLDER "/../../reports"

static json_t *load(const char *path)
{
    json_error_t error;
    json_t *value = json_load_file(path, JSON_REJECT_DUPLICATES, &error);

    if (!value)
        fail_msg("%s:%d: %s", path, error.line, error.text);
    return value;
}

static json_t *load_schema(void)
{
    return load(REPORTS_FOLDER "/results.schema.json");
}

/* --- results of made runs ------------------------------------------------- */

static void add_download(struct made_run *made, bool is_lost, uint64_t for_s)
{
    const struct download_spec spec = { .for_ns = for_s * NS_PER_S,
                                        .connections = 1 };
    const struct made_download download = { .goodput_bps = 36500,
                                            .cycle_ns = 166 * NS_PER_MS,
                                            .slot_ns = 138 * NS_PER_MS,
                                            .segments_a_cycle = 2,
                                            .for_ns = spec.for_ns,
                                            .jitter_seed = 1 };
    struct exchange_account sender;
    struct exchange_account receiver;

    made_sender(&download, &sender);
    made_receiver(&download, &receiver);
    made_run_add(made, &(struct made_exchange){
                           .kind = &download_kind,
                           .round = 1,
                           .from = "mill",
                           .to = "quay",
                           .spec = &spec,
                           .from_account = &sender,
                           .to_account = is_lost ? NULL : &receiver });
    account_clear(&sender);
    account_clear(&receiver);
}

static void add_ping(struct made_run *made, size_t lost_every)
{
    static const struct ping_spec spec = { .count = 40,
                                           .size_bytes = 56,
                                           .wait_ns = 10 * NS_PER_S };
    uint64_t rtts_ns[40];
    struct exchange_account prober;

    for (size_t i = 0; i < 40; i++)
        rtts_ns[i] = i % lost_every == 0 ? 0 : 50 * NS_PER_MS;
    made_prober(rtts_ns, 40, &prober);
    made_run_add(made, &(struct made_exchange){ .kind = &ping_kind,
                                                .round = 1,
                                                .plan_index = 1,
                                                .from = "quay",
                                                .to = "mill",
                                                .spec = &spec,
                                                .from_account = &prober });
    account_clear(&prober);
}

/* Values, infinities and missing ones: as much as a run can show. */
static json_t *made_results(void)
{
    struct made_run made;
    struct report_summary summary;
    struct fault fault = { 0 };
    char folder[128];
    char path[160];

    made_run_init(&made, true);
    add_download(&made, false, 22);
    add_download(&made, true, 22);
    add_download(&made, false, 1);
    add_ping(&made, 13);
    add_ping(&made, 1);
    add_ping(&made, 2);
    made_run_end(&made, "interrupted");
    (void) snprintf(folder, sizeof(folder), "%s/report", made.folder);
    if (report_write(made_run_database(&made), made.run.run, &made.plan, folder,
                     &summary, &fault))
        fail_msg("%s", fault.text);
    (void) snprintf(path, sizeof(path), "%s/results.json", folder);
    json_t *results = load(path);

    made_run_clear(&made);
    return results;
}

static size_t count_value(const json_t *results, const char *member,
                          json_type type)
{
    const json_t *findings = json_object_get(results, "findings");
    size_t count = 0;

    for (size_t i = 0; i < json_array_size(findings); i++)
        count +=
            json_typeof(json_object_get(json_array_get(findings, i), member))
            == type;
    return count;
}

static void assert_holds(const json_t *schema, const json_t *value)
{
    char why[SCHEMA_WHY_SIZE];

    if (!schema_holds(schema, value, why))
        fail_msg("%s", why);
}

static void results_of_any_run_hold_to_the_schema(void **state)
{
    json_t *schema = load_schema();
    json_t *results = made_results();

    (void) state;
    assert_holds(schema, results);
    assert_true(count_value(results, "value", JSON_REAL) > 3);
    assert_true(count_value(results, "value", JSON_NULL) > 0);
    assert_true(count_value(results, "high", JSON_STRING) > 0);
    json_decref(results);
    json_decref(schema);
}

typedef int write_fn(sqlite3 *logbook, int64_t run, const struct plan *plan,
                     const char *folder, struct report_summary *ret_summary,
                     struct fault *fault);

static void assert_kind_holds(const json_t *schema,
                              const struct kind_of_run *kind, write_fn *write)
{
    struct report_summary summary;
    struct fault fault = { 0 };
    struct made_run made;
    char folder[128], path[160];

    kind_of_run_make(kind, &made);
    (void) snprintf(folder, sizeof(folder), "%s/report", made.folder);
    if (write(made_run_database(&made), made.run.run, &made.plan, folder,
              &summary, &fault))
        fail_msg("%s: %s", kind->name, fault.text);
    (void) snprintf(path, sizeof(path), "%s/results.json", folder);
    json_t *results = load(path);

    assert_holds(schema, results);
    json_decref(results);
    made_run_clear(&made);
}

static void results_of_each_kind_of_run_hold_to_it_public_or_not(void **state)
{
    json_t *schema = load_schema();

    (void) state;
    for (size_t i = 0; i < kinds_of_run_count; i++)
        assert_kind_holds(schema, &kinds_of_run[i],
                          i % 2 ? report_write : report_write_public);
    json_decref(schema);
}

static void the_example_holds_to_the_schema(void **state)
{
    json_t *schema = load_schema();
    json_t *results = load(REPORTS_FOLDER "/example/results.json");

    (void) state;
    assert_holds(schema, results);
    json_decref(results);
    json_decref(schema);
}

static void the_schema_names_what_a_finding_has(void **state)
{
    json_t *schema = load_schema();
    const json_t *finding =
        json_object_get(json_object_get(schema, "$defs"), "finding");
    const json_t *properties = json_object_get(finding, "properties");
    const json_t *words =
        json_object_get(json_object_get(properties, "verdict"), "enum");

    (void) state;
    assert_int_equal(json_object_size(properties), COUNT_OF(finding_fields));
    assert_int_equal(json_array_size(json_object_get(finding, "required")),
                     COUNT_OF(finding_fields));
    for (size_t i = 0; i < COUNT_OF(finding_fields); i++) {
        if (!json_object_get(properties, finding_fields[i].name))
            fail_msg("the schema lacks '%s'", finding_fields[i].name);
    }
    for (size_t i = 0; verdicts[i]; i++)
        assert_string_equal(json_string_value(json_array_get(words, i)),
                            verdicts[i]);
    assert_int_equal(
        json_integer_value(json_object_get(
            json_object_get(json_object_get(schema, "properties"), "schema"),
            "const")),
        RESULTS_SCHEMA_VERSION);
    json_decref(schema);
}

/* --- what is no result ---------------------------------------------------- */

struct breakage {
    const char *member;  /* of a finding that has a value, or of the whole */
    const char *becomes; /* JSON; NULL: it goes */
    bool is_of_all;
};

static void results_that_are_broken_are_refused(void **state)
{
    static const struct breakage cases[] = {
        { "unit", "\"kbit/s\"", false },
        { "value", "\"many\"", false },
        { "value", "null", false },
        { "low", "null", false },
        { "expected_source", "\"\"", false },
        { "samples", "-1", false },
        { "samples", "1.5", false },
        { "level", "95", false },
        { "verdict", "\"good\"", false },
        { "started_utc", "\"today\"", false },
        { "measure", "\"Goodput\"", false },
        { "why", NULL, false },
        { "remark", "\"\"", false },
        { "schema", "2", true },
        { "run", NULL, true },
        { "findings", "{}", true },
    };
    json_t *schema = load_schema();
    json_t *whole = made_results();

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        json_t *results = json_deep_copy(whole);
        json_t *findings = json_object_get(results, "findings");
        json_t *target = cases[i].is_of_all ? results : NULL;
        char why[SCHEMA_WHY_SIZE];

        for (size_t k = 0; !target && k < json_array_size(findings); k++) {
            json_t *finding = json_array_get(findings, k);

            if (json_string_length(json_object_get(finding, "verdict")))
                target = finding;
        }
        assert_non_null(target);
        if (cases[i].becomes)
            (void) json_object_set_new(
                target, cases[i].member,
                json_loads(cases[i].becomes, JSON_DECODE_ANY, NULL));
        else
            (void) json_object_del(target, cases[i].member);
        if (schema_holds(schema, results, why))
            fail_msg("passes: %s is %s", cases[i].member,
                     cases[i].becomes ? cases[i].becomes : "gone");
        assert_true(why[0] == '/');
        json_decref(results);
    }
    json_decref(whole);
    json_decref(schema);
}

static void a_keyword_that_nobody_checks_is_refused(void **state)
{
    json_t *schema = json_loads("{\"multipleOf\": 2}", 0, NULL);
    json_t *value = json_integer(4);
    char why[SCHEMA_WHY_SIZE];

    (void) state;
    assert_false(schema_holds(schema, value, why));
    assert_string_equal(why, "/: unknown keyword 'multipleOf'");
    json_decref(value);
    json_decref(schema);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(results_of_any_run_hold_to_the_schema),
        cmocka_unit_test(results_of_each_kind_of_run_hold_to_it_public_or_not),
        cmocka_unit_test(the_example_holds_to_the_schema),
        cmocka_unit_test(the_schema_names_what_a_finding_has),
        cmocka_unit_test(results_that_are_broken_are_refused),
        cmocka_unit_test(a_keyword_that_nobody_checks_is_refused),
    };

    return cmocka_run_group_tests_name("results_schema", tests, NULL, NULL);
}
