/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WIRE_MESSAGES_H
#define WIRE_MESSAGES_H

#include <bothends/exchange.h>
#include <bothends/fault.h>
#include <jansson.h>

/* Orders and accounts as JSON: see "Control protocol" in DEVELOPERS.md. */

#define WIRE_PROTOCOL 1

/* Gives a new reference; UV_EINVAL for a kind that is not known. */
int order_encode(const struct exchange_order *order, json_t **ret_json,
                 struct fault *fault);
/* Everything is checked: kind, part, id, spec; unknown members are errors. */
int order_decode(const json_t *json, struct exchange_order *ret_order,
                 struct fault *fault);

int account_encode(const struct exchange_account *account, json_t **ret_json,
                   struct fault *fault);
/* The caller clears the account, also after a failure. */
int account_decode(const json_t *json, struct exchange_account *ret_account,
                   struct fault *fault);

/* Letters a-z, digits and "-", at least one, less than ID_SIZE. */
bool id_is_valid(const char *id);

#endif
