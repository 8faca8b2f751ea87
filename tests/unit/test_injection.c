/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/html.h"
#include "reports/report.h"
#include "tests/support/made_run.h"
#include "tests/support/made_timing.h"
#include "tests/support/report_structure.h"

#include <dirent.h>
#include <jansson.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four of them */
#include <cmocka.h>

/*
 * What plans, agents and operators may say, in every place where a report shows
 * it: markdown, HTML, XML, formulas, controls, broken letters.  Nothing of it
 * may act, and nothing may change the shape of what is written.
 */
/* U+202E turns round what follows it: byte by byte, or editors obey. */
static const char turned[] = { (char) 0xe2, (char) 0x80, (char) 0xae, 'x',
                               '\0' };
static const char *const attacks[] = {
    "<script>alert(1)</script>]]> <!-- --> <?xml?>",
    "<img src=x onerror=alert(1)>",
    "![x](z)[y](javascript:1) [w](http://192.0.2.9/x.png)",
    "a|b\\|c|d",
    "\n\n# heading\n\n",
    "| a | b |\n|---|---|",
    "```\ncode\n```",
    "    code",
    "* * *",
    "1. one",
    "> **b** _i_ `c` ~~d~~ &lt;b&gt; &#60; %s%n $(id)",
    "=A1,\"x\", 'y'; z",
    "-1+1|cmd",
    "\x1b[31m\x07\x08\x7f\xff\xc0\xed\xa0\x80",
    turned,
};
static const size_t attack_count = sizeof(attacks) / sizeof(attacks[0]);

struct fixture {
    struct made_run made;
    char folder[128];
    const char *attack;
    struct report_summary summary;
};

static void put(char *text, size_t size, const char *attack)
{
    (void) snprintf(text, size, "%s", attack);
}

/* Also where today's plans can't have it: names and words of the plan. */
static void poison_plan(struct fixture *fixture)
{
    struct plan *plan = &fixture->made.plan;

    put(plan->title, sizeof(plan->title), fixture->attack);
    put(plan->weather, sizeof(plan->weather), fixture->attack);
    put(plan->note, sizeof(plan->note), fixture->attack);
    for (size_t i = 0; i < plan->step_count; i++)
        (void) snprintf(plan->steps[i].name, NAME_SIZE, "%c%.24s",
                        (char) ('0' + i), fixture->attack);
    for (size_t i = 0; i < plan->end_count; i++) {
        struct plan_end *end = &plan->ends[i];

        (void) snprintf(end->name, NAME_SIZE, "%.24s%c", fixture->attack,
                        (char) ('0' + i));
        put(end->call, sizeof(end->call), fixture->attack);
        put(end->address, sizeof(end->address), fixture->attack);
        put(end->position, sizeof(end->position), fixture->attack);
        put(end->radio, sizeof(end->radio), fixture->attack);
        put(end->supply, sizeof(end->supply), fixture->attack);
        put(end->antenna_type, sizeof(end->antenna_type), fixture->attack);
        put(end->note, sizeof(end->note), fixture->attack);
    }
}

static void poison_account(struct exchange_account *account, const char *attack)
{
    struct radio_reading *reading = rows_add(&account->readings);

    put(account->trouble, sizeof(account->trouble), attack);
    put(account->interface_after, sizeof(account->interface_after), attack);
    put(account->source_address_after, sizeof(account->source_address_after),
        attack);
    put(reading->name, sizeof(reading->name), attack);
    put(reading->text, sizeof(reading->text), attack);
}

static void add_ping(struct fixture *fixture, bool is_poisoned)
{
    static const struct ping_spec spec = { .count = 40,
                                           .size_bytes = 56,
                                           .wait_ns = 10 * NS_PER_S };
    const struct plan *plan = &fixture->made.plan;
    uint64_t rtts_ns[40];
    struct exchange_account prober, answerer;

    for (size_t i = 0; i < 40; i++)
        rtts_ns[i] = i % 9 == 0 ? 0 : (50 + i) * NS_PER_MS;
    made_prober(rtts_ns, 40, &prober);
    made_answerer(&answerer);
    poison_account(&prober, fixture->attack);
    made_run_add(&fixture->made,
                 &(struct made_exchange){
                     .kind = &ping_kind,
                     .round = 1,
                     .from = plan->ends[1].name,
                     .to = plan->ends[0].name,
                     .condition = is_poisoned ? fixture->attack : "idle",
                     .spec = &spec,
                     .from_account = &prober,
                     .to_account = &answerer,
                     .note = fixture->attack });
    account_clear(&prober);
    account_clear(&answerer);
}

static void add_timing(struct fixture *fixture)
{
    static const struct timing_spec spec = { .count = 40,
                                             .size_bytes = 112,
                                             .wait_ns = 10 * NS_PER_S };
    const struct plan *plan = &fixture->made.plan;
    const struct made_timing timing = {
        .count = 40,
        .gap_ns = NS_PER_S,
        .there = { 40 * NS_PER_MS, 60 * NS_PER_MS, 9, 7, 5, 2 * NS_PER_S },
        .back = { .least_ns = 60 * NS_PER_MS },
        .seed = 4,
    };
    struct exchange_account sender, reflector;

    made_timing(&timing, &sender, &reflector);
    poison_account(&reflector, fixture->attack);
    made_run_add(&fixture->made,
                 &(struct made_exchange){ .kind = &timing_kind,
                                          .round = 1,
                                          .plan_index = 2,
                                          .from = plan->ends[1].name,
                                          .to = plan->ends[0].name,
                                          .condition = fixture->attack,
                                          .spec = &spec,
                                          .from_account = &sender,
                                          .to_account = &reflector });
    account_clear(&sender);
    account_clear(&reflector);
}

static void add_download(struct fixture *fixture, bool is_failed)
{
    static const struct download_spec spec = { .for_ns = 22 * NS_PER_S,
                                               .connections = 1 };
    const struct plan *plan = &fixture->made.plan;
    const struct made_download download = { .goodput_bps = 20000,
                                            .cycle_ns = 166 * NS_PER_MS,
                                            .slot_ns = 138 * NS_PER_MS,
                                            .segments_a_cycle = 2,
                                            .for_ns = spec.for_ns,
                                            .jitter_seed = 3 };
    struct exchange_account sender, receiver;

    made_sender(&download, &sender);
    made_receiver(&download, &receiver);
    poison_account(&receiver, fixture->attack);
    if (is_failed)
        receiver.state = ACCOUNT_FAILED;
    made_run_add(&fixture->made,
                 &(struct made_exchange){ .kind = &download_kind,
                                          .step = is_failed,
                                          .round = 1,
                                          .plan_index = 1,
                                          .from = plan->ends[0].name,
                                          .to = plan->ends[1].name,
                                          .spec = &spec,
                                          .from_account = &sender,
                                          .to_account = &receiver });
    account_clear(&sender);
    account_clear(&receiver);
}

static void make_report(struct fixture *fixture, const char *attack)
{
    struct fault fault = { 0 };

    fixture->attack = attack;
    made_run_init(&fixture->made, true);
    poison_plan(fixture);
    add_ping(fixture, false);
    add_ping(fixture, true);
    add_timing(fixture);
    add_download(fixture, false);
    add_download(fixture, true);
    made_run_end(&fixture->made, "complete");
    (void) snprintf(fixture->folder, sizeof(fixture->folder), "%s/report",
                    fixture->made.folder);
    if (report_write(made_run_database(&fixture->made), fixture->made.run.run,
                     &fixture->made.plan, fixture->folder, &fixture->summary,
                     &fault)
        || html_write(fixture->folder, fixture->summary.title, &fault))
        fail_msg("'%s': %s", attack, fault.text);
}

static int set_up(void **state)
{
    struct fixture *fixtures = calloc(attack_count, sizeof(*fixtures));

    if (!fixtures)
        return -1;
    for (size_t i = 0; i < attack_count; i++)
        make_report(&fixtures[i], attacks[i]);
    *state = fixtures;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixtures = *state;

    for (size_t i = 0; i < attack_count; i++)
        made_run_clear(&fixtures[i].made);
    free(fixtures);
    return 0;
}

typedef void check_fn(const struct fixture *fixture);

static void check_all(void **state, check_fn *check)
{
    const struct fixture *fixtures = *state;

    for (size_t i = 0; i < attack_count; i++)
        check(&fixtures[i]);
}

/* --- looking -------------------------------------------------------------- */

/* Controls, and letters that turn the writing round or are not seen. */
static void assert_plain_text(const char *name, const char *text,
                              const char *attack)
{
    for (const char *at = text; *at; at++) {
        const unsigned char byte = (unsigned char) *at;

        if ((byte < 0x20 && byte != '\n' && byte != '\r') || byte == 0x7f)
            fail_msg("%s has a control character after '%s'", name, attack);
    }
    char mark[4];

    (void) snprintf(mark, sizeof(mark), "%.3s", turned);
    assert_null(strstr(text, mark));
    json_t *string = json_string(text); /* NULL: no good UTF-8 */

    if (!string)
        fail_msg("%s is no UTF-8 after '%s'", name, attack);
    json_decref(string);
}

/* Kinds of lines only: texts differ, shapes do not. */
static void shape_of(const char *structure, char *ret_shape, size_t size)
{
    size_t used = 0;

    for (const char *line = structure; *line && used + 2 < size;) {
        const size_t length = strcspn(line, "\n");

        const bool is_lower = line[0] == '#' && line[1] == '#';

        ret_shape[used] = line[0];
        if (is_lower)
            ret_shape[used] = 'h';
        used++;
        line += length + (line[length] == '\n');
    }
    ret_shape[used] = '\0';
}

static void check_markdown(const struct fixture *fixture)
{
    static const char *const names[] = { "report.md", "newsletter.md" };
    static char harmless[2][200];

    for (size_t i = 0; i < 2; i++) {
        char *markdown = report_read(fixture->folder, names[i]);
        char *structure = report_structure(markdown);
        char objection[400], shape[200];

        report_objection(markdown, fixture->folder, objection,
                         sizeof(objection));
        if (objection[0])
            fail_msg("'%s': %s", fixture->attack, objection);
        assert_plain_text(names[i], markdown, fixture->attack);
        shape_of(structure, shape, sizeof(shape));
        if (!harmless[i][0])
            (void) snprintf(harmless[i], sizeof(harmless[i]), "%s", shape);
        if (strcmp(shape, harmless[i]) != 0)
            fail_msg("'%s' changes the shape of %s to %s:\n%s", fixture->attack,
                     names[i], shape, markdown);
        free(markdown);
        free(structure);
    }
}

static void nothing_acts_in_report_and_newsletter(void **state)
{
    check_all(state, check_markdown);
}

/* Tags that the text may not bring in; and pictures are within the page. */
static void check_page(const struct fixture *fixture)
{
    static const char *const tags[] = {
        "<script", "onerror=alert(1)>", "src=\"http", "href=", "<b>", "<!--",
        "<a "
    };
    char *page = report_read(fixture->folder, "report.html");

    for (size_t i = 0; i < sizeof(tags) / sizeof(tags[0]); i++) {
        /* Escaped it is but text: "onerror=alert(1)&gt;". */
        if (strstr(page, tags[i]))
            fail_msg("'%s' brings %s into the page", fixture->attack, tags[i]);
    }
    assert_plain_text("report.html", page, fixture->attack);
    free(page);
}

static void nothing_acts_in_the_page(void **state)
{
    check_all(state, check_page);
}

/* Every text is drawn: the file holds shapes and nothing that was said. */
static void check_charts(const struct fixture *fixture)
{
    char path[256];
    struct dirent *entry;

    (void) snprintf(path, sizeof(path), "%s/charts", fixture->folder);
    DIR *list = opendir(path);
    size_t count = 0;

    assert_non_null(list);
    while ((entry = readdir(list))) {
        if (!strstr(entry->d_name, ".svg"))
            continue;
        char *svg = report_read(path, entry->d_name);

        count++;
        assert_int_equal(strncmp(svg, "<?xml version=\"1.0\"", 19), 0);
        assert_null(strstr(svg, "script"));
        assert_null(strstr(svg, "alert"));
        assert_null(strstr(svg, "192.0.2"));
        assert_null(strstr(svg, "http://192"));
        assert_null(strstr(svg, "<text"));
        assert_plain_text(entry->d_name, svg, fixture->attack);
        free(svg);
    }
    (void) closedir(list);
    /* By step, over time, round trips twice, answers twice, shortfall, one way
     * by itself, its losses. */
    assert_int_equal(count, 9);
}

static void charts_hold_shapes_and_no_texts(void **state)
{
    check_all(state, check_charts);
}

/* --- CSV ------------------------------------------------------------------ */

/* The end of one cell of RFC 4180; its first character in ret_first. */
static const char *skip_cell(const char *at, char *ret_first)
{
    if (*at != '"') {
        *ret_first = *at;
        return at + strcspn(at, ",\r\n");
    }
    *ret_first = at[1];
    for (at++; *at; at++) {
        if (*at == '"' && *++at != '"')
            return at;
    }
    fail_msg("an open quote");
    return at;
}

static void check_csv(const struct fixture *fixture)
{
    char *text = report_read(fixture->folder, "results.csv");
    size_t columns = 0, cells = 0;

    for (const char *at = text; *at;) {
        char first;
        const char *end = skip_cell(at, &first);
        const bool is_number =
            end > at && strspn(at, "-+.0123456789e") >= (size_t) (end - at);

        if (strchr("=@+-", first) && first && !is_number)
            fail_msg("'%s' leaves a formula: %.60s", fixture->attack, at);
        cells++;
        if (*end == ',') {
            at = end + 1;
            continue;
        }
        assert_int_equal(strncmp(end, "\r\n", 2), 0);
        if (!columns)
            columns = cells;
        assert_int_equal(cells, columns);
        cells = 0;
        at = end + 2;
    }
    assert_plain_text("results.csv", text, fixture->attack);
    free(text);
}

static void lines_of_the_csv_have_their_cells_and_no_formulas(void **state)
{
    check_all(state, check_csv);
}

static void check_json(const struct fixture *fixture)
{
    char *text = report_read(fixture->folder, "results.json");
    json_t *results = json_loads(text, JSON_REJECT_DUPLICATES, NULL);

    assert_non_null(results);
    assert_plain_text("results.json", text, fixture->attack);
    json_decref(results);
    free(text);
}

static void the_json_stays_one(void **state)
{
    check_all(state, check_json);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_acts_in_report_and_newsletter),
        cmocka_unit_test(nothing_acts_in_the_page),
        cmocka_unit_test(charts_hold_shapes_and_no_texts),
        cmocka_unit_test(lines_of_the_csv_have_their_cells_and_no_formulas),
        cmocka_unit_test(the_json_stays_one),
    };

    return cmocka_run_group_tests(tests, set_up, tear_down);
}
