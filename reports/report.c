/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/report.h"

#include "reports/append.h"
#include "reports/charts.h"
#include "reports/folder.h"
#include "reports/markdown.h"
#include "reports/newsletter.h"
#include "reports/public.h"
#include "reports/reach.h"
#include "reports/results.h"
#include "reports/wording.h"

#include <errno.h>

/* What the folder gets; the file is whole or it is an error. */
struct writing {
    const struct reduction *reduction;
    const char *sentence;
    const struct rows *charts;
};

typedef int write_fn(const struct writing *writing, FILE *out,
                     struct fault *fault);

static int write_markdown(const struct writing *writing, FILE *out,
                          struct fault *fault)
{
    (void) fault;
    markdown_write(writing->reduction, writing->sentence, writing->charts, out);
    return 0;
}

static int write_newsletter(const struct writing *writing, FILE *out,
                            struct fault *fault)
{
    (void) fault;
    newsletter_write(writing->reduction, writing->charts, out);
    return 0;
}

static int write_json(const struct writing *writing, FILE *out,
                      struct fault *fault)
{
    return results_write_json(writing->reduction, out, fault);
}

static int write_csv(const struct writing *writing, FILE *out,
                     struct fault *fault)
{
    (void) fault;
    results_write_csv(&writing->reduction->findings, out);
    return 0;
}

static const struct {
    const char *name;
    write_fn *write;
} files[] = {
    { "results.json", write_json },
    { "results.csv", write_csv },
    { "newsletter.md", write_newsletter },
    { "report.md", write_markdown },
};

static int write_file(const struct writing *writing, const char *folder,
                      const char *name, write_fn *write, struct fault *fault)
{
    char path[4160];

    (void) snprintf(path, sizeof(path), "%s/%s", folder, name);
    FILE *out = fopen(path, "w");

    if (!out)
        return fault_set(fault, -errno, "cannot write '%s': %s", path,
                         strerror(errno));
    int code = write(writing, out, fault);
    const bool is_broken = ferror(out) != 0;

    if (fclose(out) != 0 || is_broken)
        code = fault_set(fault, -EIO, "cannot write '%s': %s", path,
                         strerror(errno));
    return code;
}

static int make_folders(const char *folder, struct fault *fault)
{
    char path[FOLDER_SIZE];
    const int length = snprintf(path, sizeof(path), "%s/charts", folder);

    if (length < 0 || (size_t) length >= sizeof(path))
        return fault_set(fault, -ENAMETOOLONG, "the folder's name is too long");
    return folder_make(path, fault);
}

/* Downloads of which nothing arrived, pings of which none was answered, and
 * ways of stamped probes that none crossed. */
static size_t count_nothing(const struct reduction *reduction)
{
    struct rows whole = wording_table(reduction, "goodput_whole");
    struct rows losses = wording_table(reduction, "loss");
    struct rows ways = wording_table(reduction, "one_way_loss");
    size_t count = 0;

    for (size_t i = 0; i < whole.count; i++)
        if (isnan(((const struct finding *) rows_at(&whole, i))->value))
            count++;
    for (size_t i = 0; i < losses.count; i++)
        count += ((const struct finding *) rows_at(&losses, i))->value >= 1.0;
    for (size_t i = 0; i < ways.count; i++)
        count += ((const struct finding *) rows_at(&ways, i))->value >= 1.0;
    rows_clear(&whole);
    rows_clear(&losses);
    rows_clear(&ways);
    return count;
}

/* Of the lines in the table: a figure over all rounds stands for its rounds. */
static void summarize(const struct reduction *reduction,
                      struct report_summary *summary)
{
    static const char *const judged[] = { "goodput_steady", "goodput_whole",
                                          "confirmed_p50" };

    *summary = (struct report_summary){ .meets_count = 0 };
    for (size_t i = 0; i < COUNT_OF(judged); i++) {
        struct rows table = wording_table(reduction, judged[i]);
        const struct verdict_counts counts = wording_counts(&table);

        summary->meets_count += counts.meets;
        summary->short_count += counts.is_short;
        summary->exceeds_count += counts.exceeds;
        summary->undecided_count += counts.undecided;
        rows_clear(&table);
    }
    reach_append_whole(reduction, summary->sentence, sizeof(summary->sentence));
    append(summary->sentence, sizeof(summary->sentence), "%s",
           summary->sentence[0] ? " " : "");
    const size_t used = strlen(summary->sentence);

    wording_sentence(reduction, summary->sentence + used,
                     sizeof(summary->sentence) - used);
    (void) snprintf(summary->title, sizeof(summary->title), "%s",
                    reduction->run.title[0] ? reduction->run.title
                                            : reduction->plan->title);
    summary->nothing_count = count_nothing(reduction);
    summary->has_break = reach_append_breaks(reduction, summary->sentence,
                                             sizeof(summary->sentence));
}

static int write_all(const struct reduction *reduction, const char *folder,
                     const struct report_summary *summary, struct fault *fault)
{
    struct rows charts = { .row_size = sizeof(struct chart_file) };
    const struct writing writing = { reduction, summary->sentence, &charts };
    int code = charts_write(reduction, folder, &charts, fault);

    for (size_t i = 0; !code && i < COUNT_OF(files); i++)
        code =
            write_file(&writing, folder, files[i].name, files[i].write, fault);
    rows_clear(&charts);
    return code;
}

static int write_report(sqlite3 *logbook, int64_t run, const struct plan *plan,
                        bool is_public, const char *folder,
                        struct report_summary *ret_summary, struct fault *fault)
{
    struct reduction reduction;
    struct report_summary summary;
    struct plan public_plan = { .exchanges = NULL };

    reduction_init(&reduction, logbook, plan);
    int code = reduction_run(&reduction, run, fault);

    if (!code) {
        if (is_public)
            public_redact(&reduction, &public_plan);
        summarize(&reduction, &summary);
        code = make_folders(folder, fault);
    }
    if (!code)
        code = write_all(&reduction, folder, &summary, fault);
    reduction_clear(&reduction);
    public_clear(&public_plan);
    if (!code)
        *ret_summary = summary;
    return code;
}

int report_write(sqlite3 *logbook, int64_t run, const struct plan *plan,
                 const char *folder, struct report_summary *ret_summary,
                 struct fault *fault)
{
    return write_report(logbook, run, plan, false, folder, ret_summary, fault);
}

int report_write_public(sqlite3 *logbook, int64_t run, const struct plan *plan,
                        const char *folder, struct report_summary *ret_summary,
                        struct fault *fault)
{
    return write_report(logbook, run, plan, true, folder, ret_summary, fault);
}
