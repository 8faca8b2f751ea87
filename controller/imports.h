/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_IMPORTS_H
#define CONTROLLER_IMPORTS_H

#include "controller/logbook.h"

/*
 * Takes accounts from an agent's spool folder (agent/spool.h) that came on a
 * memory stick instead of over the link.  Each finds its run by the exchange's
 * id: the exchange may be stored without this account, or, when the controller
 * died, not at all; then its group is stored now.  All of it, or nothing;
 * bringing the same folder twice does no harm.
 */

/* One run that something was taken for. */
struct import_run {
    int64_t run;
    uint64_t taken_count;
};

struct imports {
    struct rows runs; /* of struct import_run */
    uint64_t taken_count;
    uint64_t known_count;   /* in the logbook already */
    uint64_t foreign_count; /* of no run of this logbook */
    uint64_t damaged_count; /* files that are no account */
    uint64_t cut_count;     /* orders whose exchange never came to its end */
};

/* A line for the operator, about one account. */
typedef void imports_say_fn(void *owner, const char *what, const char *text);

/* UV_ENOENT and the like when the folder can't be read. */
int imports_take(struct logbook *logbook, const char *folder,
                 imports_say_fn *say_line, void *owner,
                 struct imports *ret_imports, struct fault *fault);
void imports_clear(struct imports *imports);

#endif
