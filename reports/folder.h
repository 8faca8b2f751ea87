/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_FOLDER_H
#define REPORTS_FOLDER_H

#include <bothends/fault.h>

#define FOLDER_SIZE 4096

/* The folder and those that it lies in; one that is there is fine. */
int folder_make(const char *path, struct fault *fault);
/* The folder in which that file will lie. */
int folder_make_for(const char *file, struct fault *fault);

#endif
