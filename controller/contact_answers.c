/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/contact.h"

#include "agent/wire/messages.h"

#include <inttypes.h>
#include <string.h>
#include <uv.h>

static void copy_text(const json_t *object, const char *key, char *ret_text,
                      size_t size)
{
    const char *text = json_string_value(json_object_get(object, key));

    (void) snprintf(ret_text, size, "%s", text ? text : "");
}

static uint64_t whole_of(const json_t *object, const char *key)
{
    const json_int_t value = json_integer_value(json_object_get(object, key));

    return value > 0 ? (uint64_t) value : 0;
}

static void read_power(const json_t *body, struct contact_self *self)
{
    const json_t *percent = json_object_get(body, "battery_percent");
    const json_int_t value = json_integer_value(percent);

    self->battery_percent =
        json_is_integer(percent) && value >= 0 && value <= 100 ? (int) value
                                                               : -1;
    self->on_mains = json_is_true(json_object_get(body, "on_mains"));
}

int contact_read_self(const json_t *body, struct contact_self *ret_self,
                      struct fault *fault)
{
    *ret_self = (struct contact_self){ 0 };
    if (!json_is_object(body))
        return fault_set(fault, UV_EPROTO,
                         "found no self-description in the agent's answer, "
                         "expected one");
    ret_self->protocol = json_integer_value(json_object_get(body, "protocol"));
    copy_text(body, "version", ret_self->version, sizeof(ret_self->version));
    copy_text(body, "icmp", ret_self->icmp, sizeof(ret_self->icmp));
    ret_self->wall_minus_monotonic_ns =
        json_integer_value(json_object_get(body, "wall_minus_monotonic_ns"));
    read_power(body, ret_self);
    ret_self->reads_radio =
        json_is_true(json_object_get(body, "can_read_radio"));
    ret_self->readings_ns = whole_of(body, "readings_ns");
    if (ret_self->protocol != WIRE_PROTOCOL)
        return fault_set(fault, UV_EPROTO,
                         "found an agent (version '%.20s') that speaks "
                         "protocol %" PRId64 ", expected %d as this bothends "
                         "(%s): install the same version at both ends",
                         ret_self->version, ret_self->protocol, WIRE_PROTOCOL,
                         BOTHENDS_VERSION);
    return 0;
}

uint64_t contact_hops(uint64_t ttl)
{
    const uint64_t begun = ttl <= 64 ? 64 : ttl <= 128 ? 128 : 255;

    return ttl > 0 && ttl <= 255 ? begun - ttl + 1 : 0;
}

static void read_echo(const json_t *echo, struct contact_way *way)
{
    const uint64_t rtt_ns = whole_of(echo, "rtt_ns");

    way->echo_count++;
    if (!json_is_true(json_object_get(echo, "answered")))
        return;
    if (way->answered_count == 0 || rtt_ns < way->least_rtt_ns)
        way->least_rtt_ns = rtt_ns;
    way->hops = contact_hops(whole_of(echo, "ttl"));
    way->answered_count++;
}

/* As contact_add_way() counts them; an agent's own answer has one. */
static uint64_t whole_count(const json_t *whole, const char *key, uint64_t none)
{
    return json_object_get(whole, key) ? whole_of(whole, key) : none;
}

void contact_add_way(json_t *body, const json_t *again)
{
    static const char *const keys[] = { "asked_count", "answered_count" };
    json_t *whole = json_object_get(body, "whole");
    const json_t *more = json_object_get(again, "whole");
    const bool is_answered = json_is_true(json_object_get(whole, "answered"));
    const bool more_is = json_is_true(json_object_get(more, "answered"));

    (void) json_array_extend(json_object_get(body, "echoes"),
                             json_object_get(again, "echoes"));
    if (!json_is_object(whole) || !json_is_object(more))
        return;
    for (size_t i = 0; i < COUNT_OF(keys); i++) {
        const uint64_t count =
            whole_count(whole, keys[i], i == 0 || is_answered)
            + whole_count(more, keys[i], i == 0 || more_is);

        (void) json_object_set_new(whole, keys[i],
                                   json_integer((json_int_t) count));
    }
    (void) json_object_set_new(whole, "answered",
                               json_boolean(is_answered || more_is));
    if (json_object_get(more, "trouble"))
        (void) json_object_set(whole, "trouble",
                               json_object_get(more, "trouble"));
}

int contact_read_way(const json_t *body, struct contact_way *ret_way,
                     struct fault *fault)
{
    const json_t *echoes = json_object_get(body, "echoes");
    const json_t *whole = json_object_get(body, "whole");
    const json_t *echo;
    size_t i;

    *ret_way = (struct contact_way){ 0 };
    if (!json_is_object(body) || !json_is_array(echoes))
        return fault_set(fault, UV_EPROTO,
                         "found no way in the agent's answer, expected one");
    copy_text(body, "interface", ret_way->interface, NAME_SIZE);
    copy_text(body, "source_address", ret_way->source_address, ADDRESS_SIZE);
    copy_text(body, "gateway", ret_way->gateway, ADDRESS_SIZE);
    copy_text(body, "trouble", ret_way->trouble, sizeof(ret_way->trouble));
    ret_way->mtu_bytes = whole_of(body, "mtu_bytes");
    ret_way->is_own = json_is_true(json_object_get(body, "is_own"));
    json_array_foreach(echoes, i, echo) read_echo(echo, ret_way);
    if (json_is_object(whole)) {
        ret_way->whole_bytes = whole_of(whole, "bytes");
        ret_way->whole_asked_count = whole_count(whole, "asked_count", 1);
        ret_way->whole_answered_count =
            whole_count(whole, "answered_count",
                        json_is_true(json_object_get(whole, "answered")));
        copy_text(whole, "trouble", ret_way->whole_trouble,
                  sizeof(ret_way->whole_trouble));
    }
    return 0;
}
