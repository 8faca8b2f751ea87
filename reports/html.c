/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/html.h"

#include "reports/folder.h"

#include <errno.h>
#include <md4c-html.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A report with its charts is some 100 kB; a broken disk may hold anything. */
#define FILE_MOST_BYTES ((size_t) 64 << 20)

struct text {
    char *bytes;
    size_t count;
};

static const char style[] =
    "body{max-width:52em;margin:0 auto;padding:1em;color:#1a1a1a;"
    "background:#fff;font:17px/1.5 Georgia,'DejaVu Serif',serif}"
    "h1,h2{line-height:1.2;font-family:'DejaVu Sans',Verdana,sans-serif}"
    "h2{margin-top:2em}"
    "img{max-width:100%;height:auto}"
    "table{border-collapse:collapse;display:block;overflow-x:auto;"
    "font:15px/1.35 'DejaVu Sans',Verdana,sans-serif}"
    "th,td{padding:.3em .7em;border-bottom:1px solid #bbb;vertical-align:top}"
    "td[align=right]{white-space:nowrap}"
    "thead th{border-bottom:2px solid #333}"
    "blockquote{margin:1em 0;padding:.1em 1em;border-left:4px solid #999}"
    /* On a telephone a whole chart is too small to read: it is pushed. */
    "@media screen and (max-width:600px){body{padding:.6em}"
    "p{overflow-x:auto}img{max-width:none;width:600px}"
    "td:nth-child(2){min-width:9em}}"
    "@page{margin:14mm}"
    "@media print{body{font-size:9.5pt;line-height:1.35;max-width:none;"
    "padding:0}p,ul,blockquote{margin:.5em 0}h1{font-size:17pt;margin:0}"
    "h2{font-size:12pt;margin:1em 0 .3em;break-after:avoid}"
    "h3{font-size:10pt;margin:.8em 0 .3em;break-after:avoid}"
    "table{font-size:8pt;display:table}th,td{padding:.15em .6em}"
    "img{max-width:66%}img,tr{break-inside:avoid}}";

static int read_file(const char *path, struct text *ret_text,
                     struct fault *fault)
{
    FILE *in = fopen(path, "rb");
    FILE *all = open_memstream(&ret_text->bytes, &ret_text->count);
    char block[65536];
    size_t got = 0, have = 0;

    if (!in || !all) {
        const int error = errno;

        if (in)
            (void) fclose(in);
        if (all)
            (void) fclose(all);
        return fault_set(fault, -error, "cannot read '%s': %s", path,
                         strerror(error));
    }
    while ((got = fread(block, 1, sizeof(block), in)) > 0
           && (have += got) <= FILE_MOST_BYTES)
        (void) fwrite(block, 1, got, all);
    const bool is_broken = ferror(in) != 0 || have > FILE_MOST_BYTES;
    (void) fclose(in);
    if (fclose(all) != 0 || is_broken)
        return fault_set(fault, -EIO, "cannot read '%s'", path);
    return 0;
}

/* RFC 4648 section 4. */
static void write_base64(const struct text *text, FILE *out)
{
    static const char letters[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
                                  "abcdefghijklmnopqrstuvwxyz0123456789+/";

    for (size_t i = 0; i < text->count; i += 3) {
        const size_t left = text->count - i;
        const unsigned char *in = (const unsigned char *) text->bytes + i;
        const unsigned long three = (unsigned long) in[0] << 16
                                    | (left > 1 ? in[1] * 256UL : 0)
                                    | (left > 2 ? in[2] : 0UL);

        (void) fputc(letters[three >> 18 & 63], out);
        (void) fputc(letters[three >> 12 & 63], out);
        (void) fputc(left > 1 ? letters[three >> 6 & 63] : '=', out);
        (void) fputc(left > 2 ? letters[three & 63] : '=', out);
    }
}

/* A chart of the report, by its own name only: "charts/NAME.svg". */
static bool is_chart(const char *name, size_t length)
{
    static const char folder[] = "charts/", ending[] = ".svg";

    return length > strlen(folder) + strlen(ending)
           && strncmp(name, folder, strlen(folder)) == 0
           && strncmp(name + length - strlen(ending), ending, strlen(ending))
                  == 0
           && !memchr(name + strlen(folder), '/', length - strlen(folder));
}

static int write_chart(const char *folder, const char *name, size_t length,
                       FILE *out, struct fault *fault)
{
    struct text chart = { NULL, 0 };
    char path[FOLDER_SIZE + 256];

    (void) snprintf(path, sizeof(path), "%s/%.*s", folder, (int) length, name);
    const int code = read_file(path, &chart, fault);
    if (!code) {
        (void) fputs("data:image/svg+xml;base64,", out);
        write_base64(&chart, out);
    }
    free(chart.bytes);
    return code;
}

/* The page, with every chart's own bytes in the place of its name. */
static int write_body(const char *folder, const char *html, FILE *out,
                      struct fault *fault)
{
    static const char source[] = "<img src=\"";
    int code = 0;

    for (const char *at = html; !code && *at;) {
        const char *image = strstr(at, source);
        const char *name = image ? image + strlen(source) : NULL;
        const size_t length = name ? strcspn(name, "\"") : 0;

        if (!image) {
            (void) fputs(at, out);
            break;
        }
        (void) fwrite(at, 1, (size_t) (name - at), out);
        if (is_chart(name, length))
            code = write_chart(folder, name, length, out, fault);
        else
            (void) fwrite(name, 1, length, out);
        at = name + length;
    }
    return code;
}

static void write_title(const char *title, FILE *out)
{
    for (; *title; title++) {
        if (*title == '<' || *title == '&')
            (void) fputs(*title == '<' ? "&lt;" : "&amp;", out);
        else if ((unsigned char) *title >= ' ')
            (void) fputc(*title, out);
    }
}

static void take_html(const MD_CHAR *text, MD_SIZE size, void *out)
{
    (void) fwrite(text, 1, size, out);
}

/* Raw HTML in the text stays text. */
static int render(const struct text *markdown, struct text *ret_html,
                  struct fault *fault)
{
    FILE *out = open_memstream(&ret_html->bytes, &ret_html->count);

    if (!out)
        return fault_set(fault, -errno, "out of memory");
    const int broken =
        md_html(markdown->bytes, (MD_SIZE) markdown->count, take_html, out,
                MD_FLAG_TABLES | MD_FLAG_NOHTML, 0);
    if (fclose(out) != 0 || broken)
        return fault_set(fault, -EIO, "the report can't be made into HTML");
    return 0;
}

static int write_page(const char *folder, const char *title,
                      const struct text *html, struct fault *fault)
{
    char path[FOLDER_SIZE + 32];

    (void) snprintf(path, sizeof(path), "%s/report.html", folder);
    FILE *out = fopen(path, "w");
    if (!out)
        return fault_set(fault, -errno, "cannot write '%s': %s", path,
                         strerror(errno));
    (void) fputs("<!DOCTYPE html>\n<html lang=\"en\"><head>"
                 "<meta charset=\"utf-8\">"
                 "<meta name=\"viewport\" content=\"width=device-width, "
                 "initial-scale=1\">\n<title>",
                 out);
    write_title(title, out);
    (void) fprintf(out, "</title>\n<style>%s</style></head>\n<body>\n", style);
    int code = write_body(folder, html->bytes, out, fault);
    (void) fputs("</body></html>\n", out);
    const bool is_broken = ferror(out) != 0;
    if ((fclose(out) != 0 || is_broken) && !code)
        code = fault_set(fault, -EIO, "cannot write '%s': %s", path,
                         strerror(errno));
    return code;
}

int html_write(const char *folder, const char *title, struct fault *fault)
{
    struct text markdown = { NULL, 0 }, html = { NULL, 0 };
    char path[FOLDER_SIZE + 32];

    (void) snprintf(path, sizeof(path), "%s/report.md", folder);
    int code = read_file(path, &markdown, fault);
    if (!code)
        code = render(&markdown, &html, fault);
    if (!code)
        code = write_page(folder, title, &html, fault);
    free(markdown.bytes);
    free(html.bytes);
    return code;
}
