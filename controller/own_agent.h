/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_OWN_AGENT_H
#define CONTROLLER_OWN_AGENT_H

#include "agent/wire/key.h"

#include <bothends/fault.h>
#include <stdbool.h>
#include <stdint.h>
#include <uv.h>

/*
 * The agent of this computer, started by the controller when none runs: with a
 * fresh key in a folder that only this user reads, and ended with us.
 */
struct own_agent;

struct own_agent_wish {
    const char *name;   /* of the end */
    const char *listen; /* addresses, comma-separated */
    uint16_t port;      /* TCP and UDP */
    const char *key;    /* key file to use; "": a fresh one is made */
    const char *spool;  /* folder for results not yet fetched */
};

/* Is it an address of this computer?  Nothing is sent to find out. */
bool own_agent_has_address(uv_loop_t *loop, const char *address);

/*
 * Does nothing accept connections there?  Asked of this computer's own address
 * only.  The agent of a run that was just cut off ends by itself: what listens
 * has patience_ms to go away.
 */
bool own_agent_is_needed(uv_loop_t *loop, const char *address, uint16_t port,
                         uint64_t patience_ms);

/* Start it and wait until it listens. */
int own_agent_start(uv_loop_t *loop, const struct own_agent_wish *wish,
                    struct own_agent **ret_agent, struct fault *fault);
/* Its key, and the file that it was read from; borrowed until
 * own_agent_stop().  A fresh key's file is gone by then. */
const struct wire_key *own_agent_key(const struct own_agent *agent,
                                     const char **ret_path);
/* End it.  Accepts NULL. */
void own_agent_stop(struct own_agent *agent);

#endif
