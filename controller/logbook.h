/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef CONTROLLER_LOGBOOK_H
#define CONTROLLER_LOGBOOK_H

#include <bothends/exchange.h>
#include <bothends/fault.h>
#include <bothends/rows.h>
#include <sqlite3.h>

/*
 * The logbook, as bothends/logbook.h describes its tables.  This module is the
 * only one that writes it.  A group of exchanges is stored in one transaction:
 * after a full disk or a lost battery it is there whole, or not at all.
 *
 * Texts in the structs below are borrowed when they go in, and owned by the
 * struct when they come out (logbook_run_clear() frees them).
 */
struct logbook;

enum logbook_use {
    LOGBOOK_READ, /* must exist; may be write-protected */
    LOGBOOK_WRITE /* made when it is not there, its folder too */
};

/* path NULL: the user's own logbook, see logbook_default_path(). */
int logbook_open(const char *path, enum logbook_use use,
                 struct logbook **ret_logbook, struct fault *fault);
void logbook_close(struct logbook *logbook);
/* $XDG_DATA_HOME/bothends/logbook.db, or in ~/.local/share */
int logbook_default_path(char *ret_path, size_t size, struct fault *fault);

/* For readers of samples; borrowed until logbook_close(). */
sqlite3 *logbook_database(const struct logbook *logbook);
const char *logbook_path(const struct logbook *logbook);

/* --- writing ------------------------------------------------------------ */

/* What is written from here on is there whole, or not at all.  finish takes the
 * code of what was done in between: other than 0 undoes all of it. */
int logbook_begin(struct logbook *logbook, struct fault *fault);
int logbook_finish(struct logbook *logbook, int code, struct fault *fault);

struct logbook_run {
    int64_t run; /* its number; given by logbook_begin_run() */
    char *title, *plan_text, *plan_path;
    bool practice;
    uint64_t started_unix_ns, ended_unix_ns; /* ended 0: not ended */
    char state[16]; /* running, complete, interrupted, failed */
    uint64_t seed;
    uint64_t group_count; /* stored so far; only read */
};

/* Takes the title, plan, practice, start and seed.  The start is moved on by
 * nanoseconds until no run in this logbook has the same tag. */
int logbook_begin_run(struct logbook *logbook, struct logbook_run *run,
                      struct fault *fault);

/* The ids of a run's exchanges begin with its tag, made from its start. */
#define LOGBOOK_TAG_SIZE 8
void logbook_tag(uint64_t started_unix_ns, char ret_tag[LOGBOOK_TAG_SIZE]);

int logbook_store_end(struct logbook *logbook, int64_t run, const char *end,
                      const char *self_json, const char *contact_json,
                      struct fault *fault);

struct logbook_account {
    const char *end;
    uint64_t start_ns; /* ordered, on that agent's clock */
    uint64_t start_uncertainty_ns;
    int64_t offset_ns; /* controller's monotonic clock minus the agent's */
    const struct exchange_account *account;
};

/* What the operator typed of the radio at an end, which may have no agent. */
struct logbook_typed {
    const char *end;
    const struct rows *readings; /* of struct radio_reading */
};

struct logbook_exchange {
    const char *id, *from, *to, *condition;
    const struct kind *kind;
    const void *spec;
    uint64_t seed;
    uint64_t plan_index;
    struct logbook_account accounts[2];
    size_t account_count;
    struct logbook_typed typed[2];
    size_t typed_count;
};

struct logbook_note {
    uint64_t at_unix_ns;
    char class[NAME_SIZE];
    char text[512];
};

struct logbook_group {
    uint64_t position, round, place;
    bool is_cut; /* ended by the operator, to be done again: see below */
    const char *step;
    uint64_t started_unix_ns, ended_unix_ns;
    uint64_t control_sent_bytes, control_received_bytes;
    const struct logbook_exchange *exchanges;
    size_t exchange_count;
    const struct logbook_note *notes;
    size_t note_count;
};

/* All of it, or nothing.  A group that was cut short is kept beside the run's
 * positions, under -1, -2 ..., so that a resumed run does it again. */
int logbook_store_group(struct logbook *logbook, int64_t run,
                        const struct logbook_group *group, struct fault *fault);

/* How often the run was taken up again, this time included. */
int logbook_count_resumes(struct logbook *logbook, int64_t run,
                          uint64_t *ret_count, struct fault *fault);

/* An account that came late, of an exchange that is there.  One that is there
 * already is left as it is: bringing it twice does no harm. */
int logbook_add_account(struct logbook *logbook, const char *exchange_id,
                        const struct logbook_account *account,
                        struct fault *fault);

int logbook_store_note(struct logbook *logbook, int64_t run,
                       const struct logbook_note *note, struct fault *fault);

int logbook_end_run(struct logbook *logbook, int64_t run, const char *state,
                    uint64_t ended_unix_ns, struct fault *fault);
/* It goes on: running again. */
int logbook_reopen_run(struct logbook *logbook, int64_t run,
                       struct fault *fault);

/* --- reading ------------------------------------------------------------ */

/* run 0: the last one.  UV_ENOENT when there is none. */
int logbook_find_run(struct logbook *logbook, int64_t run,
                     struct logbook_run *ret_run, struct fault *fault);
/* The last one that is not complete; those that failed before anything was
 * measured are passed over.  UV_ENOENT when there is none. */
int logbook_find_unfinished(struct logbook *logbook,
                            struct logbook_run *ret_run, struct fault *fault);
/* All, oldest first, as rows of struct logbook_run. */
int logbook_list_runs(struct logbook *logbook, struct rows *ret_runs,
                      struct fault *fault);
void logbook_run_clear(struct logbook_run *run);

int logbook_has_group(struct logbook *logbook, int64_t run, uint64_t position,
                      bool *ret_has, struct fault *fault);

/* Of the groups that need not be done again. */
int logbook_count_accounts(struct logbook *logbook, int64_t run,
                           uint64_t *ret_count, struct fault *fault);

struct logbook_found {
    int64_t run;
    char kind[NAME_SIZE], from[ADDRESS_SIZE], to[ADDRESS_SIZE];
};

/* The exchange of that id; UV_ENOENT, without a fault, when there is none. */
int logbook_find_exchange(struct logbook *logbook, const char *exchange_id,
                          struct logbook_found *ret_found, struct fault *fault);

enum logbook_presence {
    LOGBOOK_UNKNOWN,    /* no such exchange */
    LOGBOOK_NO_ACCOUNT, /* the exchange is there, this end's account is not */
    LOGBOOK_THERE,
};

int logbook_look_for_account(struct logbook *logbook, const char *exchange_id,
                             const char *end,
                             enum logbook_presence *ret_presence,
                             struct fault *fault);

#endif
