/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_READINGS_H
#define AGENT_READINGS_H

#include "agent/config.h"

#include <bothends/rows.h>
#include <uv.h>

/*
 * Reads the radio by the owner's readings command, once at a time: a radio's
 * own port rarely bears two.  Those who ask while it runs are served by the
 * next time together.  Loop thread only.
 */
struct readings;

#define READINGS_TIMEOUT_MS  10000
#define READINGS_OUTPUT_MOST ((size_t) 8192)

/* config is borrowed until readings_close(). */
struct readings *readings_open(uv_loop_t *loop,
                               const struct agent_config *config);
/* Who still waits is not told any more.  Accepts NULL. */
void readings_close(struct readings *readings);

bool readings_can(const struct readings *readings);

/* rows: of struct radio_reading, moment not set; borrowed for the call.  The
 * fault's code is 0 when the radio was read. */
typedef void readings_done_fn(void *owner, const struct rows *rows,
                              const struct fault *fault);

/* on_done is called once, not before this returns.  latest_ns (monotonic; 0:
 * none): it is given up then, for the exchange begins. */
void readings_ask(struct readings *readings, uint64_t latest_ns,
                  readings_done_fn *on_done, void *owner);
/* Whatever this owner asked for is not wanted any more. */
void readings_forget(struct readings *readings, const void *owner);
/* Once, for the log, and to learn how long it takes. */
void readings_try(struct readings *readings);
/* How long it took last; 0: it was not run yet. */
uint64_t readings_took_ns(const struct readings *readings);
/* End the command that runs; all who ask hear of UV_ECANCELED from now on. */
void readings_cancel(struct readings *readings);

#endif
