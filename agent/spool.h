/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_SPOOL_H
#define AGENT_SPOOL_H

#include <bothends/fault.h>
#include <stdbool.h>
#include <stddef.h>
#include <uv.h>

/*
 * The folder of finished accounts: each stands there as ID.json before anybody
 * hears of it, and leaves when the controller has said that it is committed.
 * While an exchange is armed or running, ID.order stands there instead, so that
 * a restarted agent knows what it was in the middle of.
 *
 * A file appears whole or not at all (written aside, fsync, rename, fsync of
 * the folder).  Accounts are written by the loop's thread pool: a slow card
 * must not hold up an exchange that is still running.  Loop thread only.
 */
struct spool;

/* Makes the folder where it is not there; refuses one that another agent uses
 * or that can't be written. */
int spool_open(uv_loop_t *loop, const char *folder, struct spool **ret_spool,
               struct fault *fault);
/* Not while a spool_put() is under way.  Accepts NULL. */
void spool_close(struct spool *spool);
/* $XDG_STATE_HOME/bothends/spool, ~/.local/state/..., for root /var/lib/...; 0
 * or UV_ENOENT when there is no home folder. */
int spool_default_folder(char *room, size_t room_bytes);

/* May this be an id?  ([a-z0-9-], 1 to 39 of them.) */
bool spool_id_is_right(const char *id);

/* Note that the exchange of this order is under way; at once. */
int spool_mark(struct spool *spool, const char *id, const char *order,
               size_t order_bytes, struct fault *fault);

typedef void spool_put_fn(void *owner, const char *id,
                          const struct fault *fault);

/*
 * Write an account (taken: malloc'ed) and remove the mark.  on_put is called
 * once, from the loop; when the fault says that the file could not be written,
 * the account is kept in memory and served from there.
 */
void spool_put(struct spool *spool, const char *id, char *account,
               size_t account_bytes, spool_put_fn *on_put, void *owner);
/* Replace an account that is kept in memory only (taken). */
void spool_keep(struct spool *spool, const char *id, char *account,
                size_t account_bytes);
bool spool_has(const struct spool *spool, const char *id);
/* The account's text, which the caller frees; UV_ENOENT: there is none. */
int spool_get(const struct spool *spool, const char *id, char **ret_account,
              size_t *ret_account_bytes);
/* Drop an account, or a mark without one.  Unknown ids are no failure. */
void spool_drop(struct spool *spool, const char *id);

/* Each account's id, or each mark's: orders that a former agent left. */
void spool_each(const struct spool *spool, bool marks,
                void (*each)(void *owner, const char *id), void *owner);
/* The order that a mark holds, like spool_get(). */
int spool_get_order(const struct spool *spool, const char *id, char **ret_order,
                    size_t *ret_order_bytes);

#endif
