/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/messages.h"

#include "agent/wire/codec.h"
#include "agent/wire/columns.h"

#include <bothends/kinds.h>
#include <string.h>
#include <uv.h>

bool id_is_valid(const char *id)
{
    const size_t length = strlen(id);

    return length > 0 && length < ID_SIZE
           && strspn(id, "abcdefghijklmnopqrstuvwxyz0123456789-") == length;
}

static int unknown_kind(const char *kind, struct fault *fault)
{
    char known[160] = "";

    for (size_t i = 0; i < COUNT_OF(exchange_kinds); i++) {
        const size_t length = strlen(known);

        (void) snprintf(known + length, sizeof(known) - length, "%s%s",
                        i ? ", " : "", exchange_kinds[i]->name);
    }
    return fault_set(fault, UV_EINVAL,
                     "kind: found '%.40s', expected one of: %s", kind, known);
}

/* An object whose members come from fields; name it in message. */
static int add_object(json_t *message, const char *name,
                      const struct field *fields, size_t field_count,
                      const void *record, struct fault *fault)
{
    json_t *members = json_object();

    if (!members || json_object_set_new(message, name, members) < 0)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    return codec_encode(fields, field_count, record, members, fault);
}

int order_encode(const struct exchange_order *order, json_t **ret_json,
                 struct fault *fault)
{
    const struct kind *kind = kind_by_name(order->kind);

    if (!kind)
        return unknown_kind(order->kind, fault);
    json_t *json = json_object();
    int code =
        codec_encode(order_fields, COUNT_OF(order_fields), order, json, fault);
    if (!code)
        code = add_object(json, "spec", kind->spec_fields,
                          kind->spec_field_count, &order->spec, fault);
    if (code) {
        json_decref(json);
        return code;
    }
    *ret_json = json;
    return 0;
}

static int check_order(const struct exchange_order *order,
                       const struct kind *kind, struct fault *fault)
{
    const char *objection =
        kind->objection ? kind->objection(&order->spec) : NULL;

    if (!id_is_valid(order->id))
        return fault_set(fault, UV_EINVAL,
                         "order.id: found '%s', expected small letters, digits "
                         "and '-'",
                         order->id);
    if (strcmp(order->part, kind->from_part) != 0
        && strcmp(order->part, kind->to_part) != 0)
        return fault_set(fault, UV_EINVAL,
                         "order.part: found '%s', expected '%s' or '%s'",
                         order->part, kind->from_part, kind->to_part);
    if (objection)
        return fault_set(fault, UV_EINVAL, "order.spec: %s", objection);
    return 0;
}

int order_decode(const json_t *json, struct exchange_order *ret_order,
                 struct fault *fault)
{
    static const char *const also[] = { "spec", NULL };
    struct exchange_order order;

    memset(&order, 0, sizeof(order));
    int code = codec_decode(order_fields, COUNT_OF(order_fields), json,
                            CODEC_KNOWN_ONLY, also, "order", &order, fault);
    if (code)
        return code;
    const struct kind *kind = kind_by_name(order.kind);
    if (!kind)
        return unknown_kind(order.kind, fault);
    code = codec_decode(kind->spec_fields, kind->spec_field_count,
                        json_object_get(json, "spec"), CODEC_KNOWN_ONLY, NULL,
                        "order.spec", &order.spec, fault);
    if (!code)
        code = check_order(&order, kind, fault);
    if (!code)
        *ret_order = order;
    return code;
}

int account_encode(const struct exchange_account *account, json_t **ret_json,
                   struct fault *fault)
{
    const struct kind *kind = kind_by_name(account->kind);

    if (!kind)
        return unknown_kind(account->kind, fault);
    json_t *json = json_object();
    json_t *all_series = json_object();
    int code = codec_encode(account_fields, COUNT_OF(account_fields), account,
                            json, fault);
    if (!code)
        code = add_object(json, "outcome", kind->outcome_fields,
                          kind->outcome_field_count, &account->outcome, fault);
    (void) json_object_set_new(json, "series", all_series);
    for (size_t i = 0; !code && i < kind->series_count; i++) {
        json_t *series = NULL;

        if (!account->series[i].count)
            continue; /* this part records none of these */
        code = columns_encode(&kind->series[i], &account->series[i], &series,
                              fault);
        if (!code)
            (void) json_object_set_new(all_series, kind->series[i].name,
                                       series);
    }
    if (!code && account->readings.count) {
        json_t *readings = NULL;

        code = columns_encode(&readings_series, &account->readings, &readings,
                              fault);
        if (!code)
            (void) json_object_set_new(json, readings_series.name, readings);
    }
    if (code) {
        json_decref(json);
        return code;
    }
    *ret_json = json;
    return 0;
}

static int decode_series(const struct kind *kind, const json_t *all_series,
                         struct exchange_account *account, struct fault *fault)
{
    int code = 0;

    for (size_t i = 0; !code && i < kind->series_count; i++) {
        const json_t *series =
            json_object_get(all_series, kind->series[i].name);

        account->series[i].row_size = kind->series[i].row_size;
        if (series)
            code = columns_decode(&kind->series[i], series, &account->series[i],
                                  fault);
    }
    return code;
}

/* What only accounts of a careless or hostile agent hold is refused here. */
static int decode_readings(const json_t *readings,
                           struct exchange_account *account,
                           struct fault *fault)
{
    account->readings.row_size = readings_series.row_size;
    if (!readings)
        return 0;
    const int code =
        columns_decode(&readings_series, readings, &account->readings, fault);

    if (!code && account->readings.count > (size_t) 2 * READINGS_MOST)
        return fault_set(fault, UV_E2BIG,
                         "account.readings: found %zu, expected at most %d",
                         account->readings.count, 2 * READINGS_MOST);
    return code;
}

int account_decode(const json_t *json, struct exchange_account *ret_account,
                   struct fault *fault)
{
    struct exchange_account *account = ret_account;

    memset(account, 0, sizeof(*account));
    int code = codec_decode(account_fields, COUNT_OF(account_fields), json,
                            CODEC_TOLERANT, NULL, "account", account, fault);
    if (code)
        return code;
    const struct kind *kind = kind_by_name(account->kind);
    if (!kind)
        return unknown_kind(account->kind, fault);
    if (!id_is_valid(account->id))
        return fault_set(fault, UV_EINVAL,
                         "account.id: found '%s', expected "
                         "small letters, digits and '-'",
                         account->id);
    code = codec_decode(kind->outcome_fields, kind->outcome_field_count,
                        json_object_get(json, "outcome"), CODEC_TOLERANT, NULL,
                        "account.outcome", &account->outcome, fault);
    if (!code)
        code = decode_series(kind, json_object_get(json, "series"), account,
                             fault);
    if (!code)
        code = decode_readings(json_object_get(json, readings_series.name),
                               account, fault);
    return code;
}
