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
/* Samples go in by pieces, so that making them takes little memory. */
#define PIECE_SAMPLES UINT64_C(1000000)
/* Many exchanges with few samples, so that what grows with their number shows:
 * a thousand rounds are the most that a plan may have. */
#define ROUNDS_FEW    100
#define ROUNDS_MANY   1000
#define ROUND_PLACES  4 /* groups in the sequence: the last is of two */
#define SMALL_SAMPLES UINT64_C(200)

static const uint64_t cycle_ns = 170 * NS_PER_MS;

/* Of this process: others on the computer take nothing from it. */
static double seconds(void)
{
    struct timespec now;

    (void) clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double) now.tv_sec + (double) now.tv_nsec * 1e-9;
}

/* What one exchange left, with room for what it was asked for. */
struct made {
    struct made_exchange exchange;
    struct kind_room spec;
    struct exchange_account from, to;
};

static void make_download(struct made *made, uint64_t round, uint64_t place,
                          uint64_t count)
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

    made_receiver(&download, &made->to);
    made_sender(&download, &made->from);
    (void) memcpy(made->spec.bytes, &spec, sizeof(spec));
    made->exchange = (struct made_exchange){
        .kind = &download_kind,
        .round = round,
        .plan_index = place,
        .from = "mill",
        .to = "quay",
        .spec = &made->spec,
        .from_account = &made->from,
        .to_account = &made->to,
    };
}

static void make_ping(struct made *made, uint64_t round, uint64_t place,
                      size_t count)
{
    const struct ping_spec spec = { .count = count,
                                    .gap_ns = { SPREAD_FIXED, 1e9, 1e9, 1e9 },
                                    .size_bytes = 56,
                                    .wait_ns = 10 * NS_PER_S };
    uint64_t *rtts_ns = calloc(count + 1, sizeof(*rtts_ns));

    if (!rtts_ns)
        abort();
    for (size_t i = 0; i < count; i++)
        rtts_ns[i] = i % 50 ? 90 * NS_PER_MS + i * 7919 % 60000000 : 0;
    made_prober(rtts_ns, count, &made->from);
    free(rtts_ns);
    made_answerer(&made->to);
    (void) memcpy(made->spec.bytes, &spec, sizeof(spec));
    made->exchange = (struct made_exchange){
        .kind = &ping_kind,
        .round = round,
        .plan_index = place,
        .from = "quay",
        .to = "mill",
        .spec = &made->spec,
        .from_account = &made->from,
        .to_account = &made->to,
    };
}

static void add_made(struct made_run *run, struct made *made, size_t count)
{
    struct made_exchange exchanges[2];

    for (size_t i = 0; i < count; i++) {
        exchanges[i] = made[i].exchange;
        if (count > 1)
            exchanges[i].condition = "together";
    }
    made_run_add_together(run, exchanges, count);
    for (size_t i = 0; i < count; i++) {
        account_clear(&made[i].from);
        account_clear(&made[i].to);
    }
}

static void make_samples(struct made_run *run, uint64_t samples)
{
    struct made made;

    made_run_init(run, false);
    for (uint64_t round = 1; samples; round++) {
        const uint64_t piece =
            samples < PIECE_SAMPLES ? samples : PIECE_SAMPLES;

        make_download(&made, round, 0, piece / 10 * 9);
        add_made(run, &made, 1);
        make_ping(&made, round, 1, (size_t) (piece / 10));
        add_made(run, &made, 1);
        samples -= piece;
    }
    made_run_end(run, "complete");
}

/* Rounds of a download, a ping, a download and both at once; the practice link
 * did not keep time, so that every exchange has a reason to weaken. */
static void make_rounds(struct made_run *run, uint64_t rounds)
{
    struct made made[2];

    made_run_init(run, true);
    for (uint64_t round = 1; round <= rounds; round++) {
        for (uint64_t place = 0; place < ROUND_PLACES; place++) {
            const bool is_group = place == ROUND_PLACES - 1;

            if (place % 2)
                make_ping(&made[0], round, place, SMALL_SAMPLES / 10);
            else
                make_download(&made[0], round, place, SMALL_SAMPLES);
            if (is_group)
                make_download(&made[1], round, place, SMALL_SAMPLES);
            add_made(run, made, is_group ? 2 : 1);
        }
    }
    made_run_end(run, "complete");
    (void) sqlite3_exec(made_run_database(run),
                        "INSERT INTO notes (run, at_unix_ns, class, text) "
                        "VALUES (1, 0, 'practice', 'it did not keep time')",
                        NULL, NULL, NULL);
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

static bool measure(const char *self, struct made_run *made, const char *what,
                    double *ret_took_s, double *ret_peak_mb)
{
    char command[512];
    size_t findings;
    long peak_kb;

    (void) snprintf(command, sizeof(command), "'%s' --reduce '%s' %" PRId64,
                    self, sqlite3_db_filename(made_run_database(made), "main"),
                    made->run.run);
    FILE *said = popen(command, "r");
    const bool is_read =
        said
        && fscanf(said, "%lf %ld %zu", ret_took_s, &peak_kb, &findings) == 3;

    if (said)
        (void) pclose(said);
    made_run_clear(made);
    if (!is_read)
        return false;
    *ret_peak_mb = (double) peak_kb / 1024;
    (void) printf("%s: %8.2f s, peak %5.0f MiB, %zu findings\n", what,
                  *ret_took_s, *ret_peak_mb, findings);
    (void) fflush(stdout);
    return true;
}

static bool measure_samples(const char *self, uint64_t samples,
                            double *ret_took_s, double *ret_peak_mb)
{
    struct made_run made;
    char what[40];

    make_samples(&made, samples);
    (void) snprintf(what, sizeof(what), "%10" PRIu64 " samples  ", samples);
    return measure(self, &made, what, ret_took_s, ret_peak_mb);
}

static bool measure_rounds(const char *self, uint64_t rounds,
                           double *ret_took_s)
{
    struct made_run made;
    char what[40];
    double peak_mb;

    make_rounds(&made, rounds);
    (void) snprintf(what, sizeof(what), "%10" PRIu64 " exchanges",
                    rounds * (ROUND_PLACES + 1));
    return measure(self, &made, what, ret_took_s, &peak_mb);
}

static bool measure_growth(const char *self, double *ret_growth)
{
    double few_s, many_s;

    if (!measure_rounds(self, ROUNDS_FEW, &few_s)
        || !measure_rounds(self, ROUNDS_MANY, &many_s))
        return false;
    *ret_growth = many_s / few_s / ROUNDS_MANY * ROUNDS_FEW;
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
        if (!measure_samples(arguments[0], samples, &took_s, &peak_mb))
            return 1;
        if (samples == first) {
            first_s = took_s;
            first_mb = peak_mb;
        }
    }
    if (!measure_growth(arguments[0], &by_exchanges))
        return 1;
    const double growth = (double) samples / 10 / (double) first;

    (void) printf("time grew by %.2f of the samples' growth and by %.2f of the "
                  "exchanges', memory by %.3f of the samples'\n",
                  took_s / first_s / growth, by_exchanges,
                  peak_mb / first_mb / growth);
    return 0;
}
