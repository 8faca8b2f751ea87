/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_IMPORTS_INSIDE_H
#define CONTROLLER_IMPORTS_INSIDE_H

#include "controller/imports.h"
#include "controller/orders.h"

/* Between the files of an import only. */

/* An account of an exchange that the logbook has not: kept until all of its
 * group are known. */
struct orphan {
    const struct logbook_run *run; /* borrowed */
    struct order_id id;
    bool is_taken;
    struct exchange_account *account; /* owned */
};

struct importing {
    struct logbook *logbook;
    const char *folder;
    imports_say_fn *say;
    void *owner;
    struct imports *imports;
    struct rows runs;    /* of struct logbook_run: all of the logbook's */
    struct rows orphans; /* of struct orphan */
};

/* A line to the operator. */
void imports_say(const struct importing *importing, const char *what,
                 const char *format, ...) __attribute__((format(printf, 3, 4)));

/* Count it, and tell the operator of it. */
void imports_count(struct importing *importing, int64_t run, const char *end,
                   const struct exchange_account *account);

/* Orphans become the groups that their plans order (imports_groups.c). */
int imports_store_groups(struct importing *importing, struct fault *fault);

#endif
