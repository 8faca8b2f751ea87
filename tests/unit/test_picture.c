/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/picture.h"

#include "reports/drawing.h"

#include <inttypes.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

/* A ledger made up by hand: its times begin at BEGAN_MS. */
#define BEGAN_MS 5000

struct fixture {
    char folder[64];
    FILE *transmissions, *packets;
};

static FILE *create(const struct fixture *fixture, const char *name)
{
    char path[128];

    (void) snprintf(path, sizeof(path), "%s/%s", fixture->folder, name);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    return file;
}

static void put(const struct fixture *fixture, const char *name,
                const char *text)
{
    FILE *file = create(fixture, name);

    (void) fputs(text, file);
    assert_int_equal(fclose(file), 0);
}

static int make_ledger(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    (void) snprintf(fixture->folder, sizeof(fixture->folder),
                    "/tmp/bothends-picture.XXXXXX");
    assert_non_null(mkdtemp(fixture->folder));
    put(fixture, "totals.json",
        "{\"began_ns\": 5000000000, \"ends\": {\"weir\": {}, \"island\": {}, "
        "\"<b>&\\\"\": {}}}");
    fixture->transmissions = create(fixture, "transmissions.tsv");
    (void) fputs("what\tend\tstep\tscheduled_ns\tended_ns\tturns_count\t"
                 "ip_bytes\tcollided_count\n",
                 fixture->transmissions);
    fixture->packets = create(fixture, "packets.tsv");
    (void) fputs("from\tip_bytes\tenqueued_ns\tover_ns\n", fixture->packets);
    *state = fixture;
    return 0;
}

static int remove_ledger(void **state)
{
    static const char *const names[] = { "totals.json", "transmissions.tsv",
                                         "packets.tsv", "picture.svg",
                                         "picture.png" };
    struct fixture *fixture = *state;
    char path[128];

    for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++) {
        (void) snprintf(path, sizeof(path), "%s/%s", fixture->folder, names[i]);
        (void) unlink(path);
    }
    (void) rmdir(fixture->folder);
    free(fixture);
    return 0;
}

/* Milliseconds since the ledger began. */
static void note(const struct fixture *fixture, const char *what,
                 const char *end, unsigned from_ms, unsigned to_ms,
                 unsigned turns_count, unsigned collided_count)
{
    (void) fprintf(fixture->transmissions,
                   "%s\t%s\twalk\t%u000000\t%u000000\t%u\t700\t%u\n", what, end,
                   BEGAN_MS + from_ms, BEGAN_MS + to_ms, turns_count,
                   collided_count);
}

static void note_packet(const struct fixture *fixture, const char *from,
                        unsigned bytes, unsigned from_ms, unsigned to_ms)
{
    (void) fprintf(fixture->packets, "%s\t%u\t%u000000\t%u000000\n", from,
                   bytes, BEGAN_MS + from_ms, BEGAN_MS + to_ms);
}

static void close_ledger(const struct fixture *fixture)
{
    assert_int_equal(fclose(fixture->transmissions), 0);
    assert_int_equal(fclose(fixture->packets), 0);
}

/* The drawing as text. */
static const char *draw(const struct fixture *fixture, double from_s,
                        double for_s)
{
    static char text[1 << 20];
    const struct picture_wish wish = { .from_s = from_s, .for_s = for_s };
    struct fault fault = { 0 };
    char path[128];

    (void) snprintf(path, sizeof(path), "%s/picture", fixture->folder);
    if (picture_write(fixture->folder, &wish, path, &fault) != 0)
        fail_msg("%s", fault.text);
    (void) snprintf(path, sizeof(path), "%s/picture.svg", fixture->folder);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    const size_t length = fread(text, 1, sizeof(text) - 1, file);

    assert_true(length < sizeof(text) - 1);
    text[length] = '\0';
    (void) fclose(file);
    return text;
}

/* As drawn, whatever the house's colours are. */
static void colour_of(enum ink ink, double *red, double *green, double *blue)
{
    cairo_surface_t *surface =
        cairo_image_surface_create(CAIRO_FORMAT_RGB24, 1, 1);
    cairo_t *page = cairo_create(surface);

    drawing_ink(page, ink);
    assert_int_equal(
        cairo_pattern_get_rgba(cairo_get_source(page), red, green, blue, NULL),
        CAIRO_STATUS_SUCCESS);
    cairo_destroy(page);
    cairo_surface_destroy(surface);
}

/* Paths filled with that colour. */
static size_t count_filled(const char *svg, enum ink ink)
{
    double red, green, blue;
    size_t count = 0;

    colour_of(ink, &red, &green, &blue);
    for (const char *at = strstr(svg, "rgb("); at;
         at = strstr(at + 1, "rgb(")) {
        double r, g, b;
        const bool is_fill = strncmp(at - 5, "fill:", 5) == 0
                             || strncmp(at - 6, "fill=\"", 6) == 0;

        if (is_fill && sscanf(at, "rgb(%lf%%,%lf%%,%lf%%)", &r, &g, &b) == 3
            && fabs(r - 100 * red) < 1 && fabs(g - 100 * green) < 1
            && fabs(b - 100 * blue) < 1)
            count++;
    }
    return count;
}

static void each_line_of_the_ledger_is_drawn_once(void **state)
{
    const struct fixture *fixture = *state;

    note(fixture, "idle", "weir", 0, 100, 9, 0);
    note(fixture, "sent", "weir", 100, 200, 1, 0);
    note(fixture, "sent", "island", 200, 260, 1, 0);
    note(fixture, "sent", "weir", 260, 330, 1, 0);
    note(fixture, "sent", "weir", 330, 400, 1, 2);
    note(fixture, "sent", "island", 340, 410, 1, 1);
    note(fixture, "other", "-", 420, 500, 1, 0);
    note(fixture, "idle", "island", 500, 520, 1, 0);
    note(fixture, "idle", "-", 520, 540, 1, 0);
    note(fixture, "sent", "weir", 950, 990, 1, 0);
    note(fixture, "sent", "weir", 2000, 2100, 1, 0); /* not in the span */
    close_ledger(fixture);
    const char *svg = draw(fixture, 0, 1);

    /* One more of each colour stands in the key. */
    assert_int_equal(count_filled(svg, INK_FIRST), 4 + 1);
    assert_int_equal(count_filled(svg, INK_SECOND), 2 + 1);
    assert_int_equal(count_filled(svg, INK_FAINT), 2 + 1);
    assert_int_equal(count_filled(svg, INK_BAND), 1 + 1);
}

static void names_do_no_harm_in_the_drawing(void **state)
{
    const struct fixture *fixture = *state;

    note(fixture, "sent", "<b>&\"", 0, 100, 1, 0);
    note_packet(fixture, "<b>&\"", 400, 0, 90);
    close_ledger(fixture);
    const char *svg = draw(fixture, 0, 1);

    assert_int_equal(count_filled(svg, INK_FIRST), 1 + 1);
    assert_int_equal(count_filled(svg, INK_THIRD), 1 + 1 + 1); /* its label */
    assert_null(strstr(svg, "<b>"));
    assert_null(strstr(svg, "&\""));
}

static int read_it(const struct fixture *fixture, double from_s, double for_s,
                   struct picture *picture, struct fault *fault)
{
    const struct picture_wish wish = { .from_s = from_s, .for_s = for_s };

    return picture_read(fixture->folder, &wish, picture, fault);
}

static void a_busy_part_is_chosen_and_put_into_words(void **state)
{
    const struct fixture *fixture = *state;
    struct picture picture;
    struct fault fault = { 0 };
    char says[240];

    note(fixture, "idle", "weir", 0, 30000, 900, 0);
    note(fixture, "sent", "weir", 30000, 30010, 1, 0);
    note(fixture, "idle", "weir", 30010, 60000, 900, 0);
    for (unsigned i = 0; i < 20; i++)
        note(fixture, "sent", i % 2 ? "island" : "weir", 60000 + 50 * i,
             60050 + 50 * i, 1, i == 7);
    note(fixture, "idle", "weir", 61000, 90000, 900, 0);
    close_ledger(fixture);
    assert_int_equal(read_it(fixture, NAN, NAN, &picture, &fault), 0);
    assert_int_equal(picture.began_ns, BEGAN_MS * UINT64_C(1000000));
    assert_true(picture.from_ns - picture.began_ns >= UINT64_C(59900000000));
    assert_true(picture.to_ns - picture.began_ns <= UINT64_C(61000000000));
    picture_says(&picture, says, sizeof(says));
    assert_non_null(strstr(says, "3 ends on one channel"));
    assert_non_null(strstr(says, "16 transmissions, 1 of them collided"));
    assert_non_null(strstr(says, "100 % of the time"));
    picture_clear(&picture);
}

static void what_waits_is_what_was_taken_and_is_not_over(void **state)
{
    const struct fixture *fixture = *state;
    struct picture picture;
    struct fault fault = { 0 };
    int64_t waiting_bytes = 0, most_bytes = 0;

    note(fixture, "sent", "weir", 0, 900, 1, 0);
    note_packet(fixture, "weir", 500, 100, 450);  /* 500 */
    note_packet(fixture, "weir", 300, 300, 700);  /* 800 */
    note_packet(fixture, "weir", 250, 450, 800);  /* 1050, before 500 go */
    note_packet(fixture, "weir", 9000, 400, 400); /* the queue was full */
    close_ledger(fixture);
    assert_int_equal(read_it(fixture, 0.2, 0.5, &picture, &fault), 0);
    for (size_t i = 0; i < picture.changes.count; i++) {
        const struct picture_change *change = rows_at(&picture.changes, i);

        assert_int_equal(change->end, 0);
        waiting_bytes += change->bytes;
        most_bytes = waiting_bytes > most_bytes ? waiting_bytes : most_bytes;
    }
    assert_int_equal(most_bytes, 1050);
    assert_int_equal(waiting_bytes, 0);
    picture_clear(&picture);
}

static void a_broken_ledger_is_named_with_its_line(void **state)
{
    const struct fixture *fixture = *state;
    struct picture picture;
    struct fault fault = { 0 };

    note(fixture, "sent", "weir", 0, 100, 1, 0);
    (void) fputs("sent\tisland\twalk\tearly\t9\t1\t0\t0\n",
                 fixture->transmissions);
    close_ledger(fixture);
    assert_true(read_it(fixture, NAN, NAN, &picture, &fault) < 0);
    assert_non_null(strstr(fault.text, "transmissions.tsv:3: found 'early'"));

    fault = (struct fault){ 0 };
    put(fixture, "transmissions.tsv", "what\tend\n");
    assert_true(read_it(fixture, NAN, NAN, &picture, &fault) < 0);
    assert_non_null(strstr(fault.text, "no column 'scheduled_ns'"));

    fault = (struct fault){ 0 };
    put(fixture, "totals.json", "{}");
    assert_true(read_it(fixture, NAN, NAN, &picture, &fault) < 0);
    assert_non_null(strstr(fault.text, "found no ends"));
}

static void a_time_when_nothing_ran_is_refused(void **state)
{
    const struct fixture *fixture = *state;
    struct picture picture;
    struct fault fault = { 0 };

    note(fixture, "sent", "weir", 0, 100, 1, 0);
    note(fixture, "idle", "weir", 100, 2500, 20, 0);
    close_ledger(fixture);
    assert_true(read_it(fixture, 60, 1, &picture, &fault) < 0);
    assert_non_null(strstr(fault.text, "found 60 s, expected a begin before "
                                       "2.5 s"));
}

static void an_empty_ledger_has_no_picture(void **state)
{
    const struct fixture *fixture = *state;
    struct picture picture;
    struct fault fault = { 0 };

    close_ledger(fixture);
    assert_true(read_it(fixture, NAN, NAN, &picture, &fault) < 0);
    assert_non_null(strstr(fault.text, "found no transmission and no turn"));
}

#define LEDGER_TEST(name)                                                      \
    cmocka_unit_test_setup_teardown(name, make_ledger, remove_ledger)

int main(void)
{
    const struct CMUnitTest tests[] = {
        LEDGER_TEST(each_line_of_the_ledger_is_drawn_once),
        LEDGER_TEST(names_do_no_harm_in_the_drawing),
        LEDGER_TEST(a_busy_part_is_chosen_and_put_into_words),
        LEDGER_TEST(what_waits_is_what_was_taken_and_is_not_over),
        LEDGER_TEST(a_broken_ledger_is_named_with_its_line),
        LEDGER_TEST(a_time_when_nothing_ran_is_refused),
        LEDGER_TEST(an_empty_ledger_has_no_picture),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
