/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/html.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

static char folder[] = "/tmp/bothends-html.XXXXXX";

static void put(const char *name, const char *text)
{
    char path[256];

    (void) snprintf(path, sizeof(path), "%s/%s", folder, name);
    FILE *out = fopen(path, "w");
    assert_non_null(out);
    (void) fputs(text, out);
    assert_int_equal(fclose(out), 0);
}

static char *page(const char *markdown, const char *title)
{
    static char text[65536];
    struct fault fault = { 0 };
    char path[256];

    put("report.md", markdown);
    if (html_write(folder, title, &fault))
        fail_msg("%s", fault.text);
    (void) snprintf(path, sizeof(path), "%s/report.html", folder);
    FILE *in = fopen(path, "r");
    assert_non_null(in);
    text[fread(text, 1, sizeof(text) - 1, in)] = '\0';
    (void) fclose(in);
    return text;
}

static void tables_become_tables(void **state)
{
    const char *html = page("# Club\n\n| step | kbit/s |\n|---|---:|\n"
                            "| walk | 44.2 |\n",
                            "Club");

    (void) state;
    assert_non_null(strstr(html, "<table>"));
    assert_non_null(strstr(html, "<td align=\"right\">44.2</td>"));
    assert_non_null(strstr(html, "<title>Club</title>"));
}

/* "light work" is RFC 4648-style base64 by hand: bGlnaHQgd29yaw==. */
static void charts_are_within_the_page(void **state)
{
    (void) state;
    put("charts/one.svg", "light work");
    const char *html = page("![One](charts/one.svg)\n", "x");
    assert_non_null(
        strstr(html, "<img src=\"data:image/svg+xml;base64,bGlnaHQgd29yaw==\" "
                     "alt=\"One\">"));
}

/* RFC 4648 section 10. */
static void base64_is_that_of_rfc_4648(void **state)
{
    static const char *const vectors[][2] = {
        { "f", "Zg==" },         { "fo", "Zm8=" },
        { "foo", "Zm9v" },       { "foob", "Zm9vYg==" },
        { "fooba", "Zm9vYmE=" }, { "foobar", "Zm9vYmFy" },
    };

    (void) state;
    for (size_t i = 0; i < sizeof(vectors) / sizeof(vectors[0]); i++) {
        char expected[64];

        put("charts/one.svg", vectors[i][0]);
        (void) snprintf(expected, sizeof(expected), "base64,%s\"",
                        vectors[i][1]);
        assert_non_null(strstr(page("![a](charts/one.svg)\n", "x"), expected));
    }
}

static void nothing_in_the_text_acts_as_html(void **state)
{
    const char *html = page("Call <script>alert(1)</script> & "
                            "<img src=\"charts/../report.md\">\n",
                            "<b>A & B\x01");

    (void) state;
    assert_null(strstr(html, "<script>"));
    assert_null(strstr(html, "<img"));
    assert_non_null(strstr(html, "<title>&lt;b>A &amp; B</title>"));
}

static void a_chart_that_is_not_there_is_told(void **state)
{
    struct fault fault = { 0 };

    (void) state;
    put("report.md", "![a](charts/none.svg)\n");
    assert_true(html_write(folder, "x", &fault) < 0);
    assert_non_null(strstr(fault.text, "charts/none.svg"));
}

static void only_charts_of_the_report_are_taken_in(void **state)
{
    (void) state;
    put("secret.svg", "secret");
    assert_non_null(strstr(page("![a](charts/../secret.svg)\n", "x"),
                           "src=\"charts/../secret.svg\""));
    assert_non_null(strstr(page("![a](http://192.0.2.1/x.svg)\n", "x"),
                           "src=\"http://192.0.2.1/x.svg\""));
}

static int make_folder(void **state)
{
    char path[256];

    (void) state;
    if (!mkdtemp(folder))
        return -1;
    (void) snprintf(path, sizeof(path), "%s/charts", folder);
    return mkdir(path, 0700);
}

static int remove_folder(void **state)
{
    static const char *const names[] = { "charts/one.svg", "secret.svg",
                                         "report.md", "report.html" };
    char path[256];

    (void) state;
    for (size_t i = 0; i < sizeof(names) / sizeof(names[0]); i++) {
        (void) snprintf(path, sizeof(path), "%s/%s", folder, names[i]);
        (void) unlink(path);
    }
    (void) snprintf(path, sizeof(path), "%s/charts", folder);
    (void) rmdir(path);
    return rmdir(folder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tables_become_tables),
        cmocka_unit_test(charts_are_within_the_page),
        cmocka_unit_test(base64_is_that_of_rfc_4648),
        cmocka_unit_test(nothing_in_the_text_acts_as_html),
        cmocka_unit_test(a_chart_that_is_not_there_is_told),
        cmocka_unit_test(only_charts_of_the_report_are_taken_in),
    };

    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
