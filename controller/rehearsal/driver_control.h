/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_DRIVER_CONTROL_H
#define REHEARSAL_DRIVER_CONTROL_H

#include <bothends/fault.h>

/*
 * The practice radios' control panel: a socket file in the rehearsal's folder,
 * that processes in any network namespace reach.  A message is one of
 *
 *     END\tSTEP       set a radio to a step
 *     END             asks for that radio's readings
 *     begin:\tWORDS   an event begins now (controller/plan/event.h)
 *     end:\tNUMBER    it ends
 *     events:         asks which hold
 *
 * and the answer is "ok", with what was asked for (the event's number, lines)
 * after a line end, or what was wrong.
 */
#define CONTROL_MESSAGE_SIZE 768
#define CONTROL_ANSWER_SIZE  4096

#define CONTROL_BEGIN  "begin:"
#define CONTROL_END    "end:"
#define CONTROL_EVENTS "events:"

/* The listening socket. The file name is relative inside: a socket's path has
 * little room, a folder's may be long. */
int driver_control_listen(const char *folder, int *ret_socket,
                          struct fault *fault);
/* The file goes, so that later calls are told that nothing runs. */
void driver_control_remove(const char *folder);

#endif
