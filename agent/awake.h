/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_AWAKE_H
#define AGENT_AWAKE_H

#include <stdbool.h>
#include <stdint.h>
#include <uv.h>

/*
 * Keeps this computer from going to sleep while an exchange is armed or under
 * way, where the system lets us: awake_linux.c, awake_portable.c.  That it did
 * sleep all the same shows in the account.  Loop thread only.
 */
struct awake;

/* Is there a way to ask for it?  The system may still refuse. */
bool awake_can(void);

struct awake *awake_open(uv_loop_t *loop);
/* Lets go and closes; accepts NULL. */
void awake_close(struct awake *awake);

/* At least until then (monotonic clock), or until let go. */
void awake_hold(struct awake *awake, uint64_t until_ns);
void awake_release(struct awake *awake);

#endif
