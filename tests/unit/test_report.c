/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/report.h"
#include "tests/support/made_run.h"

#include <cmark.h>
#include <jansson.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
/* cmocka.h must follow the four of them */
#include <cmocka.h>

struct fixture {
    struct made_run made;
    char folder[128];
    struct report_summary summary;
};

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    made_run_init(&fixture->made, true);
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

/* --- a run of both kinds, both ways, on both steps -------------------------
 */

static void add_download(struct made_run *made, size_t step, const char *from,
                         const char *to, uint64_t plan_index,
                         double goodput_bps, const char *note)
{
    static const struct download_spec spec = { .for_ns = 22 * NS_PER_S,
                                               .connections = 1 };
    const struct made_download download = {
        .goodput_bps = goodput_bps,
        .cycle_ns = 166 * NS_PER_MS,
        .slot_ns = 138 * NS_PER_MS,
        .segments_a_cycle = 2,
        .for_ns = spec.for_ns,
        .warm_up_ns = NS_PER_S,
        .jitter_seed = plan_index + 10 * step + 1,
    };
    struct exchange_account sender;
    struct exchange_account receiver;

    made_sender(&download, &sender);
    made_receiver(&download, &receiver);
    made_run_add(made, &(struct made_exchange){ .kind = &download_kind,
                                                .step = step,
                                                .round = 1,
                                                .plan_index = plan_index,
                                                .from = from,
                                                .to = to,
                                                .spec = &spec,
                                                .from_account = &sender,
                                                .to_account = &receiver,
                                                .note = note });
    account_clear(&sender);
    account_clear(&receiver);
}

static void add_ping(struct made_run *made, size_t step, bool has_losses)
{
    static const struct ping_spec spec = { .count = 40,
                                           .size_bytes = 56,
                                           .wait_ns = 10 * NS_PER_S };
    uint64_t rtts_ns[40];
    struct exchange_account prober;
    struct exchange_account answerer;

    for (size_t i = 0; i < 40; i++)
        rtts_ns[i] = has_losses && i % 13 == 0 ? 0 : (50 + i % 24) * NS_PER_MS;
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

static void fill(struct made_run *made, const char *note)
{
    for (size_t step = 0; step < 2; step++) {
        const double goodput_bps = step ? 73000 : 36500;

        add_ping(made, step, step == 1);
        add_download(made, step, "mill", "quay", 1, goodput_bps, note);
        add_download(made, step, "quay", "mill", 2, goodput_bps, NULL);
    }
    made_run_end(made, "complete");
}

static void write_report_to(struct fixture *fixture, const char *folder)
{
    struct fault fault = { 0 };

    if (report_write(made_run_database(&fixture->made), fixture->made.run.run,
                     &fixture->made.plan, folder, &fixture->summary, &fault))
        fail_msg("%s", fault.text);
}

static char *read_file(const char *folder, const char *name, size_t *ret_size)
{
    char path[512];
    struct stat facts = { 0 };

    (void) snprintf(path, sizeof(path), "%s/%s", folder, name);
    FILE *in = fopen(path, "r");

    if (!in || fstat(fileno(in), &facts) != 0)
        fail_msg("no file %s", path);
    char *text = calloc(1, (size_t) facts.st_size + 1);

    assert_non_null(text);
    assert_int_equal(fread(text, 1, (size_t) facts.st_size, in), facts.st_size);
    (void) fclose(in);
    if (ret_size)
        *ret_size = (size_t) facts.st_size;
    return text;
}

static void assert_in(const char *text, const char *part)
{
    if (!strstr(text, part))
        fail_msg("'%s' is not in:\n%s", part, text);
}

/* --- the files ------------------------------------------------------------ */

static void a_report_begins_with_what_was_found(void **state)
{
    struct fixture *fixture = *state;

    fill(&fixture->made, NULL);
    write_report_to(fixture, fixture->folder);
    assert_int_equal(fixture->summary.meets_count, 4);
    assert_int_equal(fixture->summary.short_count, 0);
    assert_string_equal(
        fixture->summary.sentence,
        "The link works in both directions on both steps that were run: it "
        "carries what each step should carry. Of 80 echoes 4 were lost.");
    char *report = read_file(fixture->folder, "report.md", NULL);

    assert_in(report, "# Mill to quay\n");
    assert_in(report, "*Measured 14 March 2031, 10:12 to 10:58 UTC.");
    assert_in(report, fixture->summary.sentence);
    assert_in(report, "This is practice");
    assert_in(report, "not that a real radio does so");
    assert_in(report, "| calm | mill → quay |");
    assert_in(report, "Our own control traffic: 9.6 kB,");
    /* Two at each end of six exchanges. */
    assert_in(report, "24 plain-text identifications, 1.6 kB.");
    assert_in(report, "From *calm* to *brisk*");
    assert_in(report, "![");
    assert_in(report, "## Cautions");
    assert_null(strstr(report, "## Doubts"));
    free(report);
}

static void the_same_run_gives_the_same_bytes(void **state)
{
    struct fixture *fixture = *state;
    char second[160];
    static const char *const names[] = {
        "report.md",
        "results.json",
        "results.csv",
        "charts/goodput-by-step.svg",
        "charts/goodput-by-step.png",
        "charts/goodput-over-time-1.svg",
        "charts/round-trips-1.svg",
    };

    (void) snprintf(second, sizeof(second), "%s/again", fixture->made.folder);
    fill(&fixture->made, "a doubt");
    write_report_to(fixture, fixture->folder);
    write_report_to(fixture, second);
    for (size_t i = 0; i < COUNT_OF(names); i++) {
        size_t size;
        size_t size_again;
        char *bytes = read_file(fixture->folder, names[i], &size);
        char *again = read_file(second, names[i], &size_again);

        if (size != size_again || memcmp(bytes, again, size) != 0)
            fail_msg("%s differs", names[i]);
        free(bytes);
        free(again);
    }
}

static void results_hold_a_row_a_finding_in_the_documented_order(void **state)
{
    struct fixture *fixture = *state;

    fill(&fixture->made, NULL);
    write_report_to(fixture, fixture->folder);
    char *csv = read_file(fixture->folder, "results.csv", NULL);
    char *text = read_file(fixture->folder, "results.json", NULL);
    json_error_t error;
    json_t *results = json_loads(text, JSON_REJECT_DUPLICATES, &error);

    assert_non_null(results);
    assert_int_equal(json_integer_value(json_object_get(results, "schema")),
                     RESULTS_SCHEMA_VERSION);
    assert_true(json_is_true(
        json_object_get(json_object_get(results, "run"), "practice")));
    const json_t *findings = json_object_get(results, "findings");
    size_t lines = 0;

    for (const char *at = csv; (at = strstr(at, "\r\n")); at += 2)
        lines++;
    assert_int_equal(lines, json_array_size(findings) + 1);
    assert_int_equal(
        strncmp(csv,
                "run,started_utc,round,step,exchange,kind,from,to,condition,"
                "measure,level,unit,value,low,high,expected_low,"
                "expected_high,expected_source,verdict,samples,why\r\n",
                strcspn(csv, "\n") + 1),
        0);
    json_decref(results);
    free(csv);
    free(text);
}

static void every_finding_has_a_value_or_says_why_not(void **state)
{
    struct fixture *fixture = *state;
    size_t infinite = 0;
    size_t index;
    json_t *finding;

    fill(&fixture->made, NULL);
    write_report_to(fixture, fixture->folder);
    char *text = read_file(fixture->folder, "results.json", NULL);
    json_t *results = json_loads(text, 0, NULL);

    json_array_foreach(json_object_get(results, "findings"), index, finding)
    {
        const char *why = json_string_value(json_object_get(finding, "why"));
        const char *verdict =
            json_string_value(json_object_get(finding, "verdict"));
        const json_t *high = json_object_get(finding, "high");

        if (json_is_null(json_object_get(finding, "value"))
            || json_is_null(json_object_get(finding, "low"))) {
            assert_string_not_equal(why, "");
            assert_string_equal(verdict, "");
        }
        infinite +=
            json_is_string(high) && strcmp(json_string_value(high), "inf") == 0;
    }
    /* p90 of the pings with losses. */
    assert_true(infinite >= 1);
    json_decref(results);
    free(text);
}

static void names_with_commas_and_quotes_are_quoted_in_csv(void **state)
{
    struct fixture *fixture = *state;

    (void) strcpy(fixture->made.plan.steps[0].name, "a \"b\", c\r\n=1");
    fill(&fixture->made, NULL);
    write_report_to(fixture, fixture->folder);
    char *csv = read_file(fixture->folder, "results.csv", NULL);

    assert_in(csv, ",\"a \"\"b\"\", c  =1\",");
    free(csv);
}

/* --- foreign text --------------------------------------------------------- */

static bool is_wanted(cmark_node *node)
{
    if (cmark_node_get_type(node) == CMARK_NODE_IMAGE)
        return strncmp(cmark_node_get_url(node), "charts/", 7) == 0;
    return true;
}

/* No HTML, no link, no image but the charts, two levels of headings. */
static void assert_harmless(const char *markdown)
{
    cmark_node *document =
        cmark_parse_document(markdown, strlen(markdown), CMARK_OPT_DEFAULT);
    cmark_iter *walk = cmark_iter_new(document);
    size_t titles = 0;

    while (cmark_iter_next(walk) != CMARK_EVENT_DONE) {
        cmark_node *node = cmark_iter_get_node(walk);
        const cmark_node_type type = cmark_node_get_type(node);

        assert_int_not_equal(type, CMARK_NODE_HTML_BLOCK);
        assert_int_not_equal(type, CMARK_NODE_HTML_INLINE);
        assert_int_not_equal(type, CMARK_NODE_LINK);
        assert_int_not_equal(type, CMARK_NODE_CODE_BLOCK);
        assert_true(is_wanted(node));
        if (type == CMARK_NODE_HEADING && cmark_iter_get_node(walk) != document)
            titles += cmark_node_get_heading_level(node) == 1;
    }
    assert_int_equal(titles, 2); /* entered and left */
    cmark_iter_free(walk);
    cmark_node_free(document);
}

static void foreign_text_cannot_act_in_the_report(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = &fixture->made.plan;
    /* U+202E would turn round what follows it. */
    static const char right_to_left[] = { (char) 0xe2, (char) 0x80, (char) 0xae,
                                          '\0' };
    char note[512];

    (void) snprintf(
        note, sizeof(note),
        "# <script>alert(1)</script> [x](http://192.0.2.9/) ![y](z) `c` "
        "**b** | cell\n\n# title\n\n<img src=x>\n\n    code\n\n1. one\n- two "
        "&lt; %s \xff\xc0\x80 \x1b[31m",
        right_to_left);

    (void) strcpy(plan->steps[0].name, "<b>|`x`[l](u)");
    (void) strcpy(plan->ends[0].call, "![q](r)|");
    (void) strcpy(plan->ends[1].antenna_type, "a|b\n# c");
    (void) strcpy(plan->title, "unused");
    fill(&fixture->made, note);
    write_report_to(fixture, fixture->folder);
    char *report = read_file(fixture->folder, "report.md", NULL);
    char *text = read_file(fixture->folder, "results.json", NULL);
    json_t *results = json_loads(text, 0, NULL);

    assert_non_null(results); /* is valid UTF-8 */
    assert_harmless(report);
    assert_null(strstr(report, "<script>"));
    assert_null(strchr(report, 0x1b));
    assert_null(strstr(report, right_to_left));
    assert_in(report, "&lt;script&gt;");
    json_decref(results);
    free(report);
    free(text);
}

static void the_ordinary_report_is_harmless_markdown_too(void **state)
{
    struct fixture *fixture = *state;

    fill(&fixture->made, NULL);
    write_report_to(fixture, fixture->folder);
    char *report = read_file(fixture->folder, "report.md", NULL);

    assert_harmless(report);
    free(report);
}

/* --- doubts --------------------------------------------------------------- */

static void each_sign_against_the_figures_is_a_doubt(void **state)
{
    struct fixture *fixture = *state;
    static const struct ping_spec spec = { .count = 40,
                                           .size_bytes = 56,
                                           .wait_ns = 10 * NS_PER_S };
    uint64_t rtts_ns[40];
    struct exchange_account prober;
    struct exchange_account answerer;

    for (size_t i = 0; i < 40; i++)
        rtts_ns[i] = 2 * NS_PER_MS; /* no radio is so quick */
    made_prober(rtts_ns, 40, &prober);
    made_answerer(&answerer);
    prober.wall_minus_monotonic_ended_ns = 2 * (int64_t) NS_PER_S;
    (void) strcpy(prober.interface_after, "wlan0");
    (void) strcpy(prober.source_address_after, "198.51.100.7");
    prober.received_bytes_after = 90000;
    answerer.suspended_ns = 3 * NS_PER_S;
    answerer.state = ACCOUNT_STOPPED;
    made_run_add(&fixture->made,
                 &(struct made_exchange){ .kind = &ping_kind,
                                          .round = 1,
                                          .from = "quay",
                                          .to = "mill",
                                          .spec = &spec,
                                          .from_account = &prober,
                                          .to_account = &answerer,
                                          .note = "the operator sneezed" });
    account_clear(&prober);
    account_clear(&answerer);
    made_run_end(&fixture->made, "interrupted");
    write_report_to(fixture, fixture->folder);
    char *report = read_file(fixture->folder, "report.md", NULL);

    assert_in(report, "## Doubts");
    assert_in(report, "wall clock of quay was set by +2.000 s");
    assert_in(report, "from radio0 to wlan0");
    assert_in(report, "198.51.100.7");
    assert_in(report, "slept for 3.0 s");
    assert_in(report, "'stopped'");
    assert_in(report, "other traffic");
    assert_in(report, "can't be less than");
    assert_in(report, "the operator sneezed");
    assert_in(report, "not complete");
    free(report);
}

static void add_reading(struct exchange_account *account, int moment,
                        const char *name, const char *text)
{
    struct radio_reading *reading = rows_add(&account->readings);

    reading->moment = moment;
    (void) snprintf(reading->name, sizeof(reading->name), "%s", name);
    (void) snprintf(reading->text, sizeof(reading->text), "%s", text);
    reading->value = (double) NAN;
}

/* One ping of 40 probes between the ends, as the accounts tell it. */
static void keep_ping(struct fixture *fixture, struct exchange_account *prober,
                      struct exchange_account *answerer)
{
    static const struct ping_spec spec = { .count = 40,
                                           .size_bytes = 56,
                                           .wait_ns = 10 * NS_PER_S };

    made_run_add(&fixture->made, &(struct made_exchange){
                                     .kind = &ping_kind,
                                     .round = 1,
                                     .from = "quay",
                                     .to = "mill",
                                     .spec = &spec,
                                     .from_account = prober,
                                     .to_account = answerer,
                                 });
    account_clear(prober);
    account_clear(answerer);
}

static void make_ping(uint64_t rtt_ns, struct exchange_account *prober,
                      struct exchange_account *answerer)
{
    uint64_t rtts_ns[40];

    for (size_t i = 0; i < 40; i++)
        rtts_ns[i] = rtt_ns;
    made_prober(rtts_ns, 40, prober);
    made_answerer(answerer);
}

static char *report_of(struct fixture *fixture)
{
    made_run_end(&fixture->made, "complete");
    write_report_to(fixture, fixture->folder);
    return read_file(fixture->folder, "report.md", NULL);
}

static void what_the_radios_told_stands_before_and_after(void **state)
{
    struct fixture *fixture = *state;
    struct exchange_account prober, answerer;

    make_ping(400 * NS_PER_MS, &prober, &answerer);
    add_reading(&prober, READING_BEFORE, "signal_dbm", "-87");
    add_reading(&prober, READING_BEFORE, "step", "breeze");
    add_reading(&prober, READING_AFTER, "signal_dbm", "-91");
    add_reading(&prober, READING_AFTER, "step", "breeze");
    add_reading(&answerer, READING_AFTER, "evil", "<b>|x");
    keep_ping(fixture, &prober, &answerer);
    char *report = report_of(fixture);

    assert_in(report, "## Radio readings");
    assert_in(report, "At **quay**, by its owner's command");
    assert_in(report, "| ping quay → mill | \\-87 → \\-91 | breeze |");
    assert_null(strstr(report, "<b>"));
    assert_null(strstr(report, "not idle"));
    free(report);
}

static void
two_signs_that_the_radio_was_passed_by_make_a_statement(void **state)
{
    struct fixture *fixture = *state;
    struct exchange_account prober, answerer;

    make_ping(400 * NS_PER_MS, &prober, &answerer);
    keep_ping(fixture, &prober, &answerer);
    make_ping(400 * NS_PER_MS, &prober, &answerer);
    (void) strcpy(prober.interface, "wlan0");
    (void) strcpy(prober.interface_after, "wlan0");
    keep_ping(fixture, &prober, &answerer);
    char *report = report_of(fixture);

    /* One sign is a doubt, and no more. */
    assert_in(report, "The way from quay to mill was another one in the ping");
    assert_in(report, "interface radio0 → wlan0");
    assert_null(strstr(report, "did not cross the radio"));
    free(report);

    make_ping(400 * NS_PER_MS, &prober, &answerer);
    (void) strcpy(prober.interface, "wlan0");
    (void) strcpy(prober.interface_after, "wlan0");
    (void) strcpy(prober.gateway, "192.0.2.254");
    (void) strcpy(prober.gateway_after, "192.0.2.253");
    (void) strcpy(answerer.interface_after, "wwan0");
    keep_ping(fixture, &prober, &answerer);
    report = report_of(fixture);
    assert_in(report, "The next router of quay changed from 192.0.2.254");
    assert_in(report, "did not cross the radio, or not all of it");
    free(report);
}

static void answers_that_came_another_way_are_seen_by_their_ttl(void **state)
{
    struct fixture *fixture = *state;
    struct exchange_account prober, answerer;

    make_ping(400 * NS_PER_MS, &prober, &answerer);
    for (size_t i = 0; i < prober.series[0].count; i++)
        ((struct ping_probe *) rows_at(&prober.series[0], i))->ttl =
            i < 20 ? 64 : 57;
    keep_ping(fixture, &prober, &answerer);
    char *report = report_of(fixture);

    assert_in(report, "came with a TTL of 57 to 64");
    free(report);
}

static void a_link_that_was_not_idle_at_the_start_is_told(void **state)
{
    struct fixture *fixture = *state;
    struct exchange_account prober, answerer;

    make_ping(400 * NS_PER_MS, &prober, &answerer);
    prober.quiet_ns = 800 * NS_PER_MS;
    prober.quiet_packets = 4;
    prober.quiet_bytes = 2056;
    answerer.quiet_ns = 800 * NS_PER_MS;
    answerer.quiet_packets = 2;
    answerer.quiet_bytes = 84; /* a neighbour was looked for */
    keep_ping(fixture, &prober, &answerer);
    char *report = report_of(fixture);

    assert_in(report, "in the 0.8 s before it the interface of quay carried "
                      "2.0 kB (20.0 kbit/s)");
    assert_null(strstr(report, "the interface of mill carried"));
    free(report);
}

/* A crystal that is off, a daemon that corrects, a hand on the clock. */
static void a_clock_that_drifts_is_told_from_one_that_was_set(void **state)
{
    static const struct {
        int64_t off_ns;
        const char *text; /* NULL: nothing is said */
    } cases[] = {
        { 900000, NULL },  /* under 1 ms */
        { 3000000, NULL }, /* 75 ppm of 40 s */
        { 12000000, "ran off by +12.0 ms (+300 ppm)" },
        { -60000000, "was set by -0.060 s" },
        { 7200000000000, "was set by +7200.000 s" },
    };
    struct fixture *fixture = *state;

    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct exchange_account prober, answerer;

        make_ping(400 * NS_PER_MS, &prober, &answerer);
        prober.wall_minus_monotonic_begun_ns = NS_PER_S;
        prober.wall_minus_monotonic_ended_ns =
            (int64_t) NS_PER_S + cases[i].off_ns;
        keep_ping(fixture, &prober, &answerer);
        char *report = report_of(fixture);

        if (cases[i].text)
            assert_in(report, cases[i].text);
        else
            assert_null(strstr(report, "ran off"));
        free(report);
    }
}

static void a_clock_set_between_two_exchanges_is_told(void **state)
{
    struct fixture *fixture = *state;

    for (int64_t i = 0; i < 2; i++) {
        struct exchange_account prober, answerer;

        make_ping(400 * NS_PER_MS, &prober, &answerer);
        prober.wall_minus_monotonic_begun_ns =
            prober.wall_minus_monotonic_ended_ns =
                (int64_t) NS_PER_S + i * 3600 * (int64_t) NS_PER_S;
        keep_ping(fixture, &prober, &answerer);
    }
    char *report = report_of(fixture);

    assert_in(report, "the wall clock of quay was set by +3600.000 s, or the "
                      "computer slept");
    free(report);
}

static void what_each_computer_can_do_alone_is_told_and_held_against_the_figure(
    void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    assert_int_equal(
        logbook_store_end(fixture->made.logbook, fixture->made.run.run, "mill",
                          "{\"loopback_bps\": 80000}", "[]", &fault),
        0);
    assert_int_equal(logbook_store_end(fixture->made.logbook,
                                       fixture->made.run.run, "quay", "no JSON",
                                       "[]", &fault),
                     0);
    fill(&fixture->made, NULL);
    char *report = report_of(fixture);

    assert_in(report, "by a short TCP transfer of each agent to itself: mill "
                      "0.08 Mbit/s");
    assert_in(report, "of what the computer of mill moves without any link");
    free(report);
}

static void a_run_without_anything_still_gives_a_report(void **state)
{
    struct fixture *fixture = *state;

    made_run_end(&fixture->made, "failed");
    write_report_to(fixture, fixture->folder);
    char *report = read_file(fixture->folder, "report.md", NULL);

    assert_in(report, "Nothing was measured.");
    assert_null(strstr(report, "## How it was measured"));
    assert_null(strstr(report, "!["));
    free(report);
}

static void keep_note(struct made_run *made, const char *class,
                      const char *text)
{
    struct logbook_note note = { .at_unix_ns = 1 };
    struct fault fault = { 0 };

    (void) snprintf(note.class, sizeof(note.class), "%s", class);
    (void) snprintf(note.text, sizeof(note.text), "%s", text);
    assert_int_equal(
        logbook_store_note(made->logbook, made->run.run, &note, &fault), 0);
}

static void
what_is_said_with_the_run_stands_before_what_the_plan_says(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = &fixture->made.plan;

    (void) snprintf(plan->weather, sizeof(plan->weather), "as planned");
    (void) snprintf(plan->note, sizeof(plan->note), "the plan's note");
    keep_note(&fixture->made, "weather", "sleet from the north");
    fill(&fixture->made, NULL);
    write_report_to(fixture, fixture->folder);
    char *report = read_file(fixture->folder, "report.md", NULL);

    assert_in(report, "- Weather: sleet from the north\n");
    assert_in(report, "- Note: the plan's note\n");
    assert_null(strstr(report, "as planned"));
    assert_null(strstr(report, "## Doubts"));
    free(report);
}

static void the_site_sheet_tells_places_and_the_way_between_them(void **state)
{
    struct fixture *fixture = *state;
    struct plan_end *ends = fixture->made.plan.ends;

    /* A degree is 111.2 km on a meridian of the sphere of 6371 km. */
    (void) snprintf(ends[0].position, NAME_SIZE, "50.0000 N, 30.0 W");
    (void) snprintf(ends[1].position, NAME_SIZE, "50.1000 N, 30.0 W");
    ends[0].antenna_height_m = 22;
    ends[0].ground_m = 412;
    ends[1].ground_m = ends[0].distance_m = ends[1].distance_m = (double) NAN;
    ends[0].antenna_azimuth_deg = ends[1].antenna_azimuth_deg = (double) NAN;
    fill(&fixture->made, NULL);
    write_report_to(fixture, fixture->folder);
    char *report = read_file(fixture->folder, "report.md", NULL);

    assert_in(report, "| gain | above ground | ground above sea |\n");
    assert_in(report, "| mill | hub | Q0MIL | 192.0.2.1 | 50.0000 N, 30.0 W |");
    assert_in(report, "| 6 dBi | 22 m | 412 m |\n");
    assert_in(report, "- mill to quay: 11.1 km, bearing 0° from true north, "
                      "and back 180°\n");
    assert_null(strstr(report, "points to"));
    free(report);
}

static size_t count_in(const char *text, const char *part)
{
    size_t count = 0;

    for (const char *at = strstr(text, part); at; at = strstr(at + 1, part))
        count++;
    return count;
}

/* The same pings in two sizes, in two rounds: only the size tells them apart.
 */
static void pings_of_several_sizes_keep_their_rows(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = &fixture->made.plan;
    struct plan_exchange exchanges[2] = { { .kind = &ping_kind },
                                          { .kind = &ping_kind } };
    static const uint64_t sizes_bytes[] = { 56, 1400 };

    plan->exchanges = exchanges;
    plan->exchange_count = COUNT_OF(exchanges);
    for (size_t i = 0; i < 4; i++) {
        struct ping_spec *spec = (void *) exchanges[i % 2].spec.bytes;
        struct exchange_account prober;
        uint64_t rtts_ns[10];

        *spec = (struct ping_spec){ .count = 10,
                                    .size_bytes = sizes_bytes[i % 2],
                                    .wait_ns = 10 * NS_PER_S };
        for (size_t n = 0; n < COUNT_OF(rtts_ns); n++)
            rtts_ns[n] = (i % 2 ? 400 : 60) * NS_PER_MS;
        made_prober(rtts_ns, COUNT_OF(rtts_ns), &prober);
        made_run_add(&fixture->made,
                     &(struct made_exchange){ .kind = &ping_kind,
                                              .round = 1 + i / 2,
                                              .plan_index = i % 2,
                                              .from = "quay",
                                              .to = "mill",
                                              .spec = spec,
                                              .from_account = &prober });
        account_clear(&prober);
    }
    made_run_end(&fixture->made, "complete");
    write_report_to(fixture, fixture->folder);
    plan->exchanges = NULL;
    plan->exchange_count = 0;
    char *report = read_file(fixture->folder, "report.md", NULL);

    assert_in(report, "| calm | quay → mill, 56 B | 20 | 0 (0–16) |");
    assert_in(report, "| 60.0 | 60.0 (60.0–60.0) |");
    assert_in(report, "| calm | quay → mill, 1400 B | 20 | 0 (0–16) |");
    assert_in(report, "| 400 | 400 (400–400) |");
    free(report);
}

static void what_is_said_with_more_words_is_said_once(void **state)
{
    struct fixture *fixture = *state;

    fill(&fixture->made, NULL);
    keep_note(&fixture->made, "fault", "quay: no answer within 30 s");
    keep_note(&fixture->made, "fault",
              "The run ended early: quay: no answer within 30 s");
    write_report_to(fixture, fixture->folder);
    char *report = read_file(fixture->folder, "report.md", NULL);

    assert_int_equal(count_in(report, "quay: no answer within 30 s"), 1);
    assert_in(report, "- The run ended early: quay");
    free(report);
}

static void a_folder_that_cannot_be_made_is_a_clear_error(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };
    char folder[160];

    (void) snprintf(folder, sizeof(folder), "%s/logbook.db/x",
                    fixture->made.folder);
    fill(&fixture->made, NULL);
    assert_int_not_equal(
        report_write(made_run_database(&fixture->made), fixture->made.run.run,
                     &fixture->made.plan, folder, &fixture->summary, &fault),
        0);
    assert_in(fault.text, "logbook.db");
}

static void a_run_that_was_cut_off_says_so_at_the_top(void **state)
{
    struct fixture *fixture = *state;

    add_ping(&fixture->made, 0, false);
    made_run_end(&fixture->made, "interrupted");
    write_report_to(fixture, fixture->folder);
    char *report = read_file(fixture->folder, "report.md", NULL);

    assert_in(report, "> **This run was interrupted**");
    free(report);
}

/* --- ends without an agent, and the ladder -------------------------------- */

/* answered_count of 10 probes, as the mill's end alone saw them. */
static void add_landmark(struct made_run *made, int landmark, const char *name,
                         uint64_t plan_index, size_t answered_count)
{
    static const struct ping_spec spec = { .count = 10,
                                           .size_bytes = 56,
                                           .wait_ns = 10 * NS_PER_S };
    struct plan_end *end = &made->plan.ends[made->plan.end_count++];
    struct exchange_account prober;
    uint64_t rtts_ns[10];

    *end = (struct plan_end){ .role = ROLE_STATION,
                              .agent = AGENT_NONE,
                              .landmark = landmark };
    (void) snprintf(end->name, sizeof(end->name), "%s", name);
    for (size_t i = 0; i < COUNT_OF(rtts_ns); i++)
        rtts_ns[i] = i < answered_count ? 60 * NS_PER_MS : 0;
    made_prober(rtts_ns, COUNT_OF(rtts_ns), &prober);
    made_run_add(made, &(struct made_exchange){ .kind = &ping_kind,
                                                .round = 1,
                                                .plan_index = plan_index,
                                                .from = "mill",
                                                .to = name,
                                                .spec = &spec,
                                                .from_account = &prober });
    account_clear(&prober);
}

static void the_report_says_at_which_rung_the_way_breaks(void **state)
{
    struct fixture *fixture = *state;
    static const char told[] =
        "own radio (knob) answers, far radio (mast) answers, router (gate) "
        "does not, far computer (hut) does not: the break is between the far "
        "radio and its LAN";

    add_landmark(&fixture->made, LANDMARK_FAR_COMPUTER, "hut", 4, 0);
    add_landmark(&fixture->made, LANDMARK_OWN_RADIO, "knob", 1, 10);
    add_landmark(&fixture->made, LANDMARK_ROUTER, "gate", 3, 0);
    add_landmark(&fixture->made, LANDMARK_FAR_RADIO, "mast", 2, 7);
    made_run_end(&fixture->made, "complete");
    write_report_to(fixture, fixture->folder);
    char *report = read_file(fixture->folder, "report.md", NULL);

    assert_true(fixture->summary.has_break);
    assert_non_null(strstr(fixture->summary.sentence, told));
    assert_non_null(strstr(report, "## How far it reaches"));
    /* 7 of 10 by Wilson: 39.68 to 89.22 %. */
    assert_non_null(
        strstr(report, "| far radio | mast | 10 | 7 | 70 % (40–89) |"));
    assert_non_null(strstr(report, "mill → gate (seen from one end only)"));
    assert_non_null(strstr(report, "There is no agent at hut"));
    assert_null(strstr(report, "never came"));
    free(report);
}

static void without_landmarks_nothing_is_said_of_reach(void **state)
{
    struct fixture *fixture = *state;

    fill(&fixture->made, NULL);
    write_report_to(fixture, fixture->folder);
    char *report = read_file(fixture->folder, "report.md", NULL);

    assert_false(fixture->summary.has_break);
    assert_null(strstr(report, "How far it reaches"));
    assert_null(strstr(report, "seen from one end only"));
    free(report);
}

#define WITH_FIXTURE(test)                                                     \
    cmocka_unit_test_setup_teardown(test, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        WITH_FIXTURE(a_report_begins_with_what_was_found),
        WITH_FIXTURE(the_same_run_gives_the_same_bytes),
        WITH_FIXTURE(results_hold_a_row_a_finding_in_the_documented_order),
        WITH_FIXTURE(every_finding_has_a_value_or_says_why_not),
        WITH_FIXTURE(names_with_commas_and_quotes_are_quoted_in_csv),
        WITH_FIXTURE(foreign_text_cannot_act_in_the_report),
        WITH_FIXTURE(the_ordinary_report_is_harmless_markdown_too),
        WITH_FIXTURE(each_sign_against_the_figures_is_a_doubt),
        WITH_FIXTURE(what_the_radios_told_stands_before_and_after),
        WITH_FIXTURE(two_signs_that_the_radio_was_passed_by_make_a_statement),
        WITH_FIXTURE(answers_that_came_another_way_are_seen_by_their_ttl),
        WITH_FIXTURE(a_link_that_was_not_idle_at_the_start_is_told),
        WITH_FIXTURE(a_clock_that_drifts_is_told_from_one_that_was_set),
        WITH_FIXTURE(a_clock_set_between_two_exchanges_is_told),
        WITH_FIXTURE(
            what_each_computer_can_do_alone_is_told_and_held_against_the_figure),
        WITH_FIXTURE(the_report_says_at_which_rung_the_way_breaks),
        WITH_FIXTURE(without_landmarks_nothing_is_said_of_reach),
        WITH_FIXTURE(a_run_without_anything_still_gives_a_report),
        WITH_FIXTURE(
            what_is_said_with_the_run_stands_before_what_the_plan_says),
        WITH_FIXTURE(the_site_sheet_tells_places_and_the_way_between_them),
        WITH_FIXTURE(a_run_that_was_cut_off_says_so_at_the_top),
        WITH_FIXTURE(pings_of_several_sizes_keep_their_rows),
        WITH_FIXTURE(what_is_said_with_more_words_is_said_once),
        WITH_FIXTURE(a_folder_that_cannot_be_made_is_a_clear_error),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
