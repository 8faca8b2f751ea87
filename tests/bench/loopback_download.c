/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * Is the agent the bottleneck?  A download by time between two agents on
 * loopback, told by the real controller, against a plain blocking pair.
 *
 *   build/tests/bench/loopback-download BUILD [PAIRS]
 *
 * Pairs are interleaved, so that what else the computer does falls on both
 * alike; the last line has the median of their ratios.
 */
#include "tests/bench/plain_pair.h"
#include "tests/bench/programs.h"
#include "tests/bench/web_server.h"

#include <bothends/units.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PAIRS_PRESET     7
#define PAIRS_MOST       99
#define MEASURE_SECONDS  2
#define RESIDENT_MOST_KB 16384

static void write_plan(const char *path, const struct bench_agent *near,
                       const struct bench_agent *far)
{
    FILE *file = bench_create(path);

    (void) fprintf(file,
                   "plan: Two agents on one computer\n"
                   "on_air: no\n"
                   "link: {access: full-duplex}\n"
                   "steps:\n"
                   "  - {name: wire, usable_rate: 1 Gbit/s}\n"
                   "ends:\n"
                   "  near: {role: hub, call: Q0NEA, address: 127.0.0.2, "
                   "port: %u}\n"
                   "  far: {role: station, call: Q1FAR, address: 127.0.0.3, "
                   "port: %u}\n"
                   "controller_at: near\n"
                   "sequence:\n"
                   "  - download: {from: far, to: near, for: %d s}\n",
                   near->port, far->port, MEASURE_SECONDS);
    (void) fclose(file);
}

/* The latest download's goodput, request to last byte, at the receiver. */
static double goodput_bps(const char *logbook)
{
    static const char query[] =
        "SELECT content_bytes * 8e9 / (last_byte_ns - request_ns) "
        "FROM download_connections JOIN accounts USING (account) "
        "WHERE part = 'receiver' AND state = 'done' "
        "ORDER BY account DESC LIMIT 1";
    sqlite3 *database = NULL;
    sqlite3_stmt *statement = NULL;
    double bps = 0;

    if (sqlite3_open(logbook, &database) == SQLITE_OK
        && sqlite3_prepare_v2(database, query, -1, &statement, NULL)
               == SQLITE_OK
        && sqlite3_step(statement) == SQLITE_ROW)
        bps = sqlite3_column_double(statement, 0);
    (void) sqlite3_finalize(statement);
    (void) sqlite3_close(database);
    return bps;
}

static double agents_bps(const char *build)
{
    (void) remove("bench.db");
    bench_command("echo | '%s/bothends' run plan.yaml --logbook bench.db "
                  "--out out >run.said 2>&1",
                  build);
    const double bps = goodput_bps("bench.db");

    if (bps > 0)
        return bps;
    (void) fprintf(stderr, "the run gave no download:\n");
    bench_command("cat run.said >&2");
    exit(1);
}

static int compare(const void *one, const void *other)
{
    const double a = *(const double *) one, b = *(const double *) other;

    return (a > b) - (a < b);
}

static double median(double *values, size_t count)
{
    qsort(values, count, sizeof(*values), compare);
    return count % 2 ? values[count / 2]
                     : (values[count / 2 - 1] + values[count / 2]) / 2;
}

static double measure(const char *build, size_t pair_count)
{
    double ratios[PAIRS_MOST];

    for (size_t i = 0; i < pair_count; i++) {
        const double plain =
            plain_pair_bps(MEASURE_SECONDS * (uint64_t) NS_PER_S);
        const double agents = agents_bps(build);

        ratios[i] = plain > 0 ? agents / plain : 0;
        (void) printf("pair %zu: agents %.2f Gbit/s, plain %.2f Gbit/s, "
                      "%.3f\n",
                      i + 1, agents / 1e9, plain / 1e9, ratios[i]);
        (void) fflush(stdout);
    }
    return median(ratios, pair_count);
}

static int check_resident(const char *name, const struct bench_agent *agent)
{
    const long most_kb = bench_resident_kb(agent);

    (void) printf("resident memory of the %s agent: %ld kB at most\n", name,
                  most_kb);
    return most_kb > 0 && most_kb < RESIDENT_MOST_KB ? 0 : 1;
}

int main(int argc, char **argv)
{
    const long pair_count = argc > 2 ? strtol(argv[2], NULL, 10) : PAIRS_PRESET;

    if (argc < 2 || pair_count < 1 || pair_count > PAIRS_MOST) {
        (void) fprintf(stderr,
                       "expected: loopback-download BUILD [1 to %d pairs]\n",
                       PAIRS_MOST);
        return 2;
    }
    const char *build = bench_enter(argv[1]);
    bench_command("'%s/bothends-agent' --new-key near.key >new-key.said",
                  build);
    bench_command("cp near.key far.key");
    const struct bench_agent near =
        bench_start_agent(build, "near", "127.0.0.2");
    const struct bench_agent far = bench_start_agent(build, "far", "127.0.0.3");
    write_plan("plan.yaml", &near, &far);

    const double ratio = measure(build, (size_t) pair_count);
    const int status =
        check_resident("receiving", &near) | check_resident("sending", &far);
    web_server_beside(MEASURE_SECONDS);
    if (status)
        (void) printf("an agent needs more than %d kB\n", RESIDENT_MOST_KB);
    (void) printf("agents against a plain pair, median of %ld pairs: "
                  "ratio %.3f\n",
                  pair_count, ratio);
    return status;
}
