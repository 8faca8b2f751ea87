/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_ROSTER_H
#define AGENT_ROSTER_H

#include "agent/config.h"
#include "agent/exchanges/exchange.h"
#include "agent/spool.h"

/*
 * The exchanges of this agent: under way (armed, running, or ended and on the
 * way to the spool), and ready (the account is in the spool).  Orders come in
 * here and are checked; accounts go to the spool before anybody hears of them.
 * Only one run's exchanges are under way at a time.
 */
struct roster;

#define ROSTER_EXCHANGES_MAX 64

/* site, spool and config are borrowed until roster_close() is through.
 * on_ready is called for each account when it can be had. */
struct roster *roster_open(const struct exchange_site *site,
                           struct spool *spool,
                           const struct agent_config *config,
                           void (*on_ready)(void *owner, const char *id),
                           void *owner);
/* What a former agent was in the middle of becomes an account "broken". */
void roster_recover(struct roster *roster);
/* Cancel what is under way; on_closed when all accounts are in the spool. */
void roster_close(struct roster *roster, void (*on_closed)(void *owner));

/* "k3v9" of "k3v9-2-1": exchanges of one run begin alike. */
size_t roster_run_tag_length(const char *id);

enum roster_answer {
    ROSTER_ARMED,       /* taken */
    ROSTER_TOLD_BEFORE, /* and a new start or stop is taken over, if not begun*/
    ROSTER_REFUSED,     /* a mistake in the order, or it can't be carried out */
    ROSTER_BUSY,        /* with another run, or with too many */
    ROSTER_CONFLICT,    /* another order of that id was told before */
};

/* The fault says what was found, and what was expected or can be done. */
enum roster_answer roster_take(struct roster *roster,
                               const struct exchange_order *order,
                               struct fault *fault);

enum roster_place {
    ROSTER_UNKNOWN,
    ROSTER_UNDER_WAY,
    ROSTER_READY
};

/* ret_state is that of an exchange under way. */
enum roster_place roster_find(const struct roster *roster, const char *id,
                              enum account_state *ret_state);
/* End it now; on_ready follows, not before this returns. */
void roster_cancel(struct roster *roster, const char *id);

/* What reads this agent's radio; borrowed. */
struct readings;
const struct readings *roster_readings(const struct roster *roster);
/* Is no exchange under way? */
bool roster_is_empty(const struct roster *roster);

/* NULL: not under way. */
struct exchange *roster_by_id(const struct roster *roster, const char *id);
struct exchange *roster_by_ticket(const struct roster *roster,
                                  const char *ticket);
/* A datagram for whichever exchange under way says that it is its own. */
void roster_offer_datagram(const struct roster *roster,
                           const struct stamped_event *event,
                           const void *bytes);

#endif
