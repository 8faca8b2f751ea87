/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/driver_virtual.h"
#include "controller/rehearsal/namespaces.h"
#include "controller/rehearsal/world.h"

#include <errno.h>
#include <ftw.h>
#include <inttypes.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

/*
 * What this computer reaches: how punctual the practice link is in real time,
 * at several rates and numbers of ends that all send; and how much faster than
 * real time a loaded channel runs on virtual time.
 */
#define PORT 5000

static uint64_t clock_ns(clockid_t clock)
{
    struct timespec now;

    (void) clock_gettime(clock, &now);
    return (uint64_t) now.tv_sec * NS_PER_S + (uint64_t) now.tv_nsec;
}

/* --- virtual time --------------------------------------------------------- */

static double virtual_ratio(void)
{
    const uint64_t channel_s = 24 * UINT64_C(3600);
    struct virtual_source sources[] = {
        { .from = 0,
          .to = 1,
          .packet_bytes = 1500,
          .end_ns = AIR_NEVER,
          .backlog_count = 10 },
        { .from = 1,
          .to = 0,
          .packet_bytes = 52,
          .end_ns = AIR_NEVER,
          .gap_ns = 200 * NS_PER_MS },
    };
    struct virtual_run run = {
        .config = { .end_count = 2,
                    .step_bps = { 60000 },
                    .step_count = 1,
                    .slot_overhead_ns = 12 * NS_PER_MS,
                    .slot_limit_ns = 150 * NS_PER_MS,
                    .frame_payload_bytes = 240,
                    .frame_overhead_bytes = 12,
                    .queue_bytes = 16000 },
        .duration_ns = channel_s * NS_PER_S,
        .sources = sources,
        .source_count = COUNT_OF(sources),
    };
    const uint64_t begun_ns = clock_ns(CLOCK_PROCESS_CPUTIME_ID);

    virtual_run(&run);
    const uint64_t taken_ns = clock_ns(CLOCK_PROCESS_CPUTIME_ID) - begun_ns;

    return (double) (channel_s * NS_PER_S) / (double) taken_ns;
}

/* --- the programs on the practice computers ------------------------------- */

static struct sockaddr_in address_of(size_t end)
{
    /* 10.61.0.10 and up */
    return (struct sockaddr_in){
        .sin_family = AF_INET,
        .sin_port = htons(PORT),
        .sin_addr.s_addr = htonl(UINT32_C(0x0a3d000a) + (uint32_t) end),
    };
}

static void send_one(int fd, size_t to)
{
    static const char data[472];
    const struct sockaddr_in address = address_of(to);

    (void) sendto(fd, data, sizeof(data), 0, (const struct sockaddr *) &address,
                  sizeof(address));
}

/* So many bit/s of datagrams, with their headers 500 B each, for a while: from
 * a station to the hub, from the hub to each station by turns. */
static int chatter(const char *end, const char *ends, const char *rate_bps,
                   const char *milliseconds)
{
    const size_t self = strtoul(end, NULL, 10);
    const size_t end_count = strtoul(ends, NULL, 10);
    const uint64_t gap_ns =
        UINT64_C(500) * BITS_PER_BYTE * NS_PER_S / strtoul(rate_bps, NULL, 10);
    const uint64_t begun_ns = clock_ns(CLOCK_MONOTONIC);
    const uint64_t until_ns =
        begun_ns + strtoul(milliseconds, NULL, 10) * NS_PER_MS;
    const int fd = socket(AF_INET, SOCK_DGRAM, 0);

    if (self) { /* as the services that the world waits for */
        (void) puts("up");
        (void) fflush(stdout);
    }
    for (uint64_t i = 0, due_ns = begun_ns; due_ns < until_ns; i++) {
        const uint64_t now_ns = clock_ns(CLOCK_MONOTONIC);
        const uint64_t wait_ns = due_ns > now_ns ? due_ns - now_ns : 0;
        const struct timespec wait = { (time_t) (wait_ns / NS_PER_S),
                                       (long) (wait_ns % NS_PER_S) };

        (void) nanosleep(&wait, NULL);
        send_one(fd, self ? 0 : 1 + i % (end_count - 1));
        due_ns += gap_ns;
    }
    return 0;
}

/* --- real time ------------------------------------------------------------ */

struct trial {
    char folder[64], self[4096], ends_text[24], rate_text[24];
    struct {
        char name[8], address[24], log[96];
        const char *program[8];
    } ends[PLAN_ENDS_MAX];
    struct world world;
};

static int remove_entry(const char *path, const struct stat *facts, int type,
                        struct FTW *walk)
{
    (void) facts;
    (void) type;
    (void) walk;
    return remove(path);
}

static void furnish_end(struct trial *trial, size_t end,
                        const char *milliseconds)
{
    const char *const program[] = { trial->self,
                                    "chatter",
                                    trial->ends[end].name,
                                    trial->ends_text,
                                    trial->rate_text,
                                    milliseconds,
                                    NULL };

    (void) snprintf(trial->ends[end].name, sizeof(trial->ends[end].name), "%zu",
                    end);
    (void) snprintf(trial->ends[end].address, sizeof(trial->ends[end].address),
                    "10.61.0.%zu", 10 + end);
    (void) snprintf(trial->ends[end].log, sizeof(trial->ends[end].log),
                    "%s/log%zu", trial->folder, end);
    memcpy(trial->ends[end].program, program, sizeof(program));
    trial->world.names.ends[end] = trial->ends[end].name;
    trial->world.ends[end] =
        (struct world_end){ .name = trial->ends[end].name,
                            .addresses = { trial->ends[end].address },
                            .address_count = 1,
                            .service = end ? trial->ends[end].program : NULL,
                            .log = trial->ends[end].log };
}

/* Each end offers somewhat more than its share of the channel.  Slots shrink
 * with the number of ends, so that a cycle stays about the same. */
static int furnish(struct trial *trial, size_t end_count, uint64_t rate_bps)
{
    (void) snprintf(trial->folder, sizeof(trial->folder),
                    "/tmp/bothends-pace.XXXXXX");
    if (!mkdtemp(trial->folder)
        || readlink("/proc/self/exe", trial->self, sizeof(trial->self) - 1)
               <= 0)
        return -errno;
    (void) snprintf(trial->ends_text, sizeof(trial->ends_text), "%zu",
                    end_count);
    (void) snprintf(trial->rate_text, sizeof(trial->rate_text), "%" PRIu64,
                    rate_bps / end_count);
    trial->world = (struct world){
        .config = { .end_count = end_count,
                    .step_bps = { rate_bps },
                    .step_count = 1,
                    .slot_overhead_ns = 5 * NS_PER_MS,
                    .slot_limit_ns = 100 * NS_PER_MS,
                    .frame_payload_bytes = 240,
                    .frame_overhead_bytes = 12,
                    .queue_bytes = 16000 },
        .names = { .steps = { "only" },
                   .end_count = end_count,
                   .step_count = 1 },
        .mtu_bytes = 1500,
        .folder = trial->folder,
        .end_count = end_count,
        .operator_program = trial->ends[0].program,
    };
    for (size_t i = 0; i < end_count; i++)
        furnish_end(trial, i, i ? "60000" : "4000");
    return 0;
}

/* One line of the table; returns the lateness in shares of what is allowed,
 * negative when it could not be tried. */
static double try_pace(uint64_t rate_bps, size_t end_count)
{
    struct trial *trial = calloc(1, sizeof(*trial));
    struct ledger_verdict verdict;
    struct fault fault = { 0 };
    char ledger[96];
    double share = -1;

    if (!trial || furnish(trial, end_count, rate_bps) != 0)
        abort();
    (void) snprintf(ledger, sizeof(ledger), "%s/ledger", trial->folder);
    if (world_run(&trial->world, &fault) == 0
        && ledger_read_verdict(ledger, &verdict, &fault) == 0) {
        share = (double) verdict.lateness_p99_ns
                / (double) verdict.lateness_limit_ns;
        (void) printf("%7.0f kbit/s %3zu ends   99 %% of the edges at most "
                      "%.3f ms late, %.2f ms allowed; %" PRIu64
                      " packets lost by itself: %s\n",
                      (double) rate_bps / 1e3, end_count,
                      (double) verdict.lateness_p99_ns / 1e6,
                      (double) verdict.lateness_limit_ns / 1e6,
                      verdict.own_loss_count,
                      verdict.is_trustworthy ? "kept" : "not kept");
        (void) fflush(stdout);
    } else {
        (void) fprintf(stderr, "%s\n", fault.text);
    }
    (void) nftw(trial->folder, remove_entry, 8, FTW_DEPTH | FTW_PHYS);
    free(trial);
    return share;
}

int main(int argc, char **argv)
{
    static const uint64_t rates_bps[] = { 60000, 500000, 2000000 };
    static const size_t ends_counts[] = { 2, 8, 33 };
    double worst = 0;

    if (argc == 6 && strcmp(argv[1], "chatter") == 0)
        return chatter(argv[2], argv[3], argv[4], argv[5]);
    for (size_t i = 0; i < COUNT_OF(rates_bps); i++) {
        for (size_t k = 0; k < COUNT_OF(ends_counts); k++) {
            const double share = try_pace(rates_bps[i], ends_counts[k]);

            if (share < 0)
                return 1;
            worst = share > worst ? share : worst;
        }
    }
    (void) printf("worst lateness %.3f of what is allowed\n", worst);
    (void) printf("ratio %.0f\n", virtual_ratio());
    return 0;
}
