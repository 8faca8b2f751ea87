/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/report.h"
#include "tests/support/made_run.h"

#include <dirent.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

/*
 * How long the report of a long run takes, from its logbook to the last chart,
 * in seconds of this process; beside it the findings alone, and the largest
 * chart, which must not grow with the samples.  Half of these are probes, half
 * arrivals of one download.
 *   bench_report_time [SAMPLES]       1000000 unless said
 */
#define SEGMENTS_A_CYCLE 10

static double seconds(void)
{
    struct timespec now;

    (void) clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double) now.tv_sec + (double) now.tv_nsec * 1e-9;
}

static void add_download(struct made_run *made, uint64_t count)
{
    const uint64_t cycle_ns = 166 * NS_PER_MS;
    const struct made_download download = {
        .goodput_bps = 36500,
        .cycle_ns = cycle_ns,
        .slot_ns = cycle_ns * 4 / 5,
        .segments_a_cycle = SEGMENTS_A_CYCLE,
        .for_ns = count / SEGMENTS_A_CYCLE * cycle_ns,
        .jitter_seed = 9,
    };
    const struct download_spec spec = { .for_ns = download.for_ns,
                                        .connections = 1 };
    struct exchange_account sender, receiver;

    made_sender(&download, &sender);
    made_receiver(&download, &receiver);
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

static void add_ping(struct made_run *made, size_t count)
{
    const struct ping_spec spec = { .count = count,
                                    .size_bytes = 56,
                                    .wait_ns = 10 * NS_PER_S };
    uint64_t *rtts_ns = calloc(count + 1, sizeof(*rtts_ns));
    struct exchange_account prober, answerer;

    if (!rtts_ns)
        abort();
    for (size_t i = 0; i < count; i++)
        rtts_ns[i] = i % 50 ? 60 * NS_PER_MS + i * 7919 % 60000000 : 0;
    made_prober(rtts_ns, count, &prober);
    made_answerer(&answerer);
    made_run_add(made, &(struct made_exchange){ .kind = &ping_kind,
                                                .round = 1,
                                                .from = "quay",
                                                .to = "mill",
                                                .spec = &spec,
                                                .from_account = &prober,
                                                .to_account = &answerer });
    account_clear(&prober);
    account_clear(&answerer);
    free(rtts_ns);
}

static double largest_chart_kb(const char *folder)
{
    char path[400];
    struct dirent *entry;
    struct stat facts;
    double largest_kb = 0;

    (void) snprintf(path, sizeof(path), "%s/charts", folder);
    DIR *list = opendir(path);

    while (list && (entry = readdir(list))) {
        (void) snprintf(path, sizeof(path), "%s/charts/%s", folder,
                        entry->d_name);
        if (strstr(entry->d_name, ".svg") && stat(path, &facts) == 0
            && (double) facts.st_size * 1e-3 > largest_kb)
            largest_kb = (double) facts.st_size * 1e-3;
    }
    if (list)
        (void) closedir(list);
    return largest_kb;
}

int main(int count, char **arguments)
{
    const uint64_t samples =
        count > 1 ? strtoull(arguments[1], NULL, 10) : UINT64_C(1000000);
    struct rows findings = { .row_size = sizeof(struct finding) };
    struct report_summary summary;
    struct fault fault = { 0 };
    struct made_run made;
    char folder[128];

    if (samples < 1000) {
        (void) fprintf(stderr, "samples: found '%s', expected at least 1000\n",
                       arguments[1]);
        return 2;
    }
    made_run_init(&made, false);
    add_ping(&made, (size_t) (samples / 2));
    add_download(&made, samples / 2);
    made_run_end(&made, "complete");
    (void) snprintf(folder, sizeof(folder), "%s/report", made.folder);
    const double begun_s = seconds();
    int code = reduce_run(made_run_database(&made), made.run.run, &made.plan,
                          &findings, &fault);
    const double reduced_s = seconds();

    if (!code)
        code = report_write(made_run_database(&made), made.run.run, &made.plan,
                            folder, &summary, &fault);
    if (code)
        (void) fprintf(stderr, "%s\n", fault.text);
    else
        (void) printf("%" PRIu64 " samples: findings %.2f s, largest chart "
                      "%.0f kB\nreport: %.2f s\n",
                      samples, reduced_s - begun_s, largest_chart_kb(folder),
                      seconds() - reduced_s);
    rows_clear(&findings);
    made_run_clear(&made);
    return code != 0;
}
