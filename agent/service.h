/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_SERVICE_H
#define AGENT_SERVICE_H

#include "agent/config.h"

#include <bothends/fault.h>
#include <uv.h>

/*
 * The agent's service: its TCP and UDP port, the control requests of
 * DEVELOPERS.md, the exchanges they arm.  Loop thread only.
 */
struct service;

#define SERVICE_ADDRESSES_MAX 16

struct service_site {
    uv_loop_t *loop;
    const char *addresses[SERVICE_ADDRESSES_MAX]; /* numeric */
    size_t address_count; /* 0: all with a key, loopback without */
    uint16_t port;        /* 0: a free one */
    const char *key_file; /* NULL: none */
    const char *spool_folder;
    const char *name;
    const struct agent_config *config;
};

/* The site's loop, name and config are borrowed until service_close() is
 * through.  On failure nothing is left but handles that close when the loop
 * runs. */
int service_open(const struct service_site *site, struct service **ret_service,
                 struct fault *fault);
uint16_t service_port(const struct service *service);
/* The addresses listened on, as a person writes them: "0.0.0.0, ::". */
const char *service_addresses(const struct service *service);

/* End: exchanges under way are cancelled and their accounts spooled, then
 * everything is closed, then on_closed is called. */
void service_close(struct service *service, void (*on_closed)(void *owner),
                   void *owner);

#endif
