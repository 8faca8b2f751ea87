/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_DRIVER_CONTROL_H
#define REHEARSAL_DRIVER_CONTROL_H

#include <bothends/fault.h>

/*
 * The practice radios' control panel: a socket file in the rehearsal's folder,
 * that processes in any network namespace reach.  A message is "END\tSTEP" and
 * sets a step, or "END" and asks for the radio's readings; the answer is "ok"
 * (and the readings after a line end), or what was wrong.
 */
#define CONTROL_MESSAGE_SIZE 256
#define CONTROL_ANSWER_SIZE  1024

/* The listening socket. The file name is relative inside: a socket's path has
 * little room, a folder's may be long. */
int driver_control_listen(const char *folder, int *ret_socket,
                          struct fault *fault);
/* The file goes, so that later calls are told that nothing runs. */
void driver_control_remove(const char *folder);

#endif
