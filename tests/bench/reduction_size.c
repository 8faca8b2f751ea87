/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/report.h"
#include "tests/support/made_run.h"

#include <inttypes.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

/*
 * From logbook to findings at 10^5, 10^6 ... samples: time and peak memory of a
 * process that does nothing else.  Of a run's samples nine in ten are arrivals
 * of downloads and one in ten is a probe.
 *   bench_reduction_size [MOST]       10000000 unless said
 *   bench_reduction_size --reduce LOGBOOK RUN
 */
#define SEGMENTS_A_CYCLE 10
/* Samples go in by pieces, so that making them takes little memory; and in
 * small ones, so that what grows with the exchanges shows: a thousand rounds
 * are the most that a plan may have. */
#define PIECE_SAMPLES UINT64_C(1000000)
#define SMALL_SAMPLES UINT64_C(400)
#define SMALL_FEW     100
#define SMALL_MANY    1000

static const uint64_t cycle_ns = 170 * NS_PER_MS;

static double seconds(void)
{
    struct timespec now;

    (void) clock_gettime(CLOCK_MONOTONIC, &now);
    return (double) now.tv_sec + (double) now.tv_nsec * 1e-9;
}

static void add_download(struct made_run *made, uint64_t round, uint64_t count)
{
    const struct made_download download = {
        .goodput_bps = 37000,
        .cycle_ns = cycle_ns,
        .slot_ns = cycle_ns * 4 / 5,
        .segments_a_cycle = SEGMENTS_A_CYCLE,
        .for_ns = count / SEGMENTS_A_CYCLE * cycle_ns,
        .jitter_seed = round,
    };
    const struct download_spec spec = { .for_ns = download.for_ns,
                                        .connections = 1 };
    struct exchange_account receiver, sender;

    made_receiver(&download, &receiver);
    made_sender(&download, &sender);
    const struct made_exchange exchange = {
        .kind = &download_kind,
        .round = round,
        .from = "mill",
        .to = "quay",
        .spec = &spec,
        .from_account = &sender,
        .to_account = &receiver,
    };
    made_run_add(made, &exchange);
    account_clear(&receiver);
    account_clear(&sender);
}

static void add_ping(struct made_run *made, uint64_t round, size_t count)
{
    const struct ping_spec spec = { .count = count,
                                    .gap_ns = { SPREAD_FIXED, 1e9, 1e9, 1e9 },
                                    .size_bytes = 56,
                                    .wait_ns = 10 * NS_PER_S };
    uint64_t *rtts_ns = calloc(count + 1, sizeof(*rtts_ns));
    struct exchange_account prober;

    if (!rtts_ns)
        abort();
    for (size_t i = 0; i < count; i++)
        rtts_ns[i] = i % 50 ? 90 * NS_PER_MS + i * 7919 % 60000000 : 0;
    made_prober(rtts_ns, count, &prober);
    const struct made_exchange exchange = {
        .kind = &ping_kind,
        .round = round,
        .plan_index = 1,
        .from = "quay",
        .to = "mill",
        .spec = &spec,
        .from_account = &prober,
    };
    made_run_add(made, &exchange);
    account_clear(&prober);
    free(rtts_ns);
}

static void make(struct made_run *made, uint64_t samples, uint64_t piece_most)
{
    made_run_init(made, false);
    for (uint64_t round = 1; samples; round++) {
        const uint64_t piece = samples < piece_most ? samples : piece_most;

        add_download(made, round, piece / 10 * 9);
        add_ping(made, round, (size_t) (piece / 10));
        samples -= piece;
    }
    made_run_end(made, "complete");
}

/* In a process of its own, so that its memory is only what reducing takes. */
static int reduce(const char *path, int64_t run)
{
    struct made_run made;
    struct rows findings = { .row_size = sizeof(struct finding) };
    struct fault fault = { 0 };
    sqlite3 *logbook;

    made_run_init(&made, false);
    if (sqlite3_open_v2(path, &logbook, SQLITE_OPEN_READONLY, NULL)
        != SQLITE_OK)
        return 1;
    const double begun_s = seconds();
    const int code = reduce_run(logbook, run, &made.plan, &findings, &fault);
    const double took_s = seconds() - begun_s;
    struct rusage usage;

    (void) getrusage(RUSAGE_SELF, &usage);
    if (code)
        (void) fprintf(stderr, "%s\n", fault.text);
    else
        (void) printf("%.3f %ld %zu\n", took_s, usage.ru_maxrss,
                      findings.count);
    rows_clear(&findings);
    (void) sqlite3_close(logbook);
    made_run_clear(&made);
    return code != 0;
}

static bool measure(const char *self, uint64_t samples, uint64_t piece_most,
                    double *ret_took_s, double *ret_peak_mb)
{
    struct made_run made;
    char command[512];
    size_t findings;
    long peak_kb;

    make(&made, samples, piece_most);
    (void) snprintf(command, sizeof(command), "'%s' --reduce '%s' %" PRId64,
                    self, sqlite3_db_filename(made_run_database(&made), "main"),
                    made.run.run);
    FILE *said = popen(command, "r");
    const bool is_read =
        said
        && fscanf(said, "%lf %ld %zu", ret_took_s, &peak_kb, &findings) == 3;

    if (said)
        (void) pclose(said);
    made_run_clear(&made);
    if (!is_read)
        return false;
    *ret_peak_mb = (double) peak_kb / 1024;
    (void) printf("%10" PRIu64 " samples: %8.2f s, %6.2f µs a sample, peak "
                  "%5.0f MiB, %zu findings\n",
                  samples, *ret_took_s, *ret_took_s / (double) samples * 1e6,
                  *ret_peak_mb, findings);
    (void) fflush(stdout);
    return true;
}

/* The same samples in many exchanges. */
static bool measure_exchanges(const char *self, double *ret_growth)
{
    double few_s, many_s, peak_mb;

    if (!measure(self, SMALL_FEW * SMALL_SAMPLES, SMALL_SAMPLES, &few_s,
                 &peak_mb)
        || !measure(self, SMALL_MANY * SMALL_SAMPLES, SMALL_SAMPLES, &many_s,
                    &peak_mb))
        return false;
    *ret_growth = many_s / few_s / SMALL_MANY * SMALL_FEW;
    return true;
}

int main(int count, char **arguments)
{
    double by_exchanges;
    const uint64_t most =
        count > 1 ? strtoull(arguments[1], NULL, 10) : UINT64_C(10000000);
    double first_s = 0, first_mb = 0, took_s = 0, peak_mb = 0;
    uint64_t first = 100000, samples = first;

    if (count == 4 && strcmp(arguments[1], "--reduce") == 0)
        return reduce(arguments[2], strtoll(arguments[3], NULL, 10));
    if (most < first) {
        (void) fprintf(stderr,
                       "samples: found '%s', expected at least %" PRIu64 "\n",
                       arguments[1], first);
        return 2;
    }
    for (; samples <= most; samples *= 10) {
        if (!measure(arguments[0], samples, PIECE_SAMPLES, &took_s, &peak_mb))
            return 1;
        if (samples == first) {
            first_s = took_s;
            first_mb = peak_mb;
        }
    }
    if (!measure_exchanges(arguments[0], &by_exchanges))
        return 1;
    const double growth = (double) samples / 10 / (double) first;

    (void) printf("time grew by %.2f of the samples' growth and by %.2f of the "
                  "exchanges', memory by %.3f of the samples'\n",
                  took_s / first_s / growth, by_exchanges,
                  peak_mb / first_mb / growth);
    return 0;
}
