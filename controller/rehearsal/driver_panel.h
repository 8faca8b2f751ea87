/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_DRIVER_PANEL_H
#define REHEARSAL_DRIVER_PANEL_H

#include <bothends/fault.h>
#include <poll.h>
#include <stddef.h>
#include <stdint.h>

/*
 * Those who stand at the control panel (driver_control.h): a question each,
 * and its answer.  None of them keeps the air from its work: what has not come
 * is not waited for, and who says nothing is sent away.
 */

/* At once; further ones wait. */
#define PANEL_CLIENTS_MAX 8
#define PANEL_POLLS       (1 + PANEL_CLIENTS_MAX)

/* The answer to a message, which may be changed. */
typedef void panel_answer_fn(void *owner, char *message, char *answer,
                             size_t size);

struct panel {
    struct pollfd *polls; /* borrowed: PANEL_POLLS, the first one listens */
    uint64_t since_ns[PANEL_CLIENTS_MAX];
    panel_answer_fn *on_message;
    void *owner; /* borrowed */
};

/* Give each poll's descriptor and events; those of nobody are -1. */
int panel_open(struct panel *panel, const char *folder, struct fault *fault);
void panel_close(struct panel *panel, const char *folder);

/* After the polls were waited for. */
void panel_serve(struct panel *panel, uint64_t woken_ns);

#endif
