/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/driver_virtual.h"

#include <stdio.h>
#include <time.h>

/* How much faster than real time a loaded channel runs on virtual time. */
static double processor_s(void)
{
    struct timespec now;

    (void) clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double) now.tv_sec + (double) now.tv_nsec / (double) NS_PER_S;
}

int main(void)
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
    const double begun_s = processor_s();

    virtual_run(&run);
    const double taken_s = processor_s() - begun_s;

    (void) printf("%.0f h of a loaded channel in %.2f s of processor\n",
                  (double) channel_s / 3600, taken_s);
    (void) printf("ratio %.0f\n", (double) channel_s / taken_s);
    return 0;
}
