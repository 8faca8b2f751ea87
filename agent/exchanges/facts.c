/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/facts.h"

#include "agent/clock.h"
#include "agent/netinfo.h"

/* Two readings of the sleep differ by a little also when nobody slept. */
#define SLEPT_LEAST_NS (10 * NS_PER_MS)

static void write_text(char *room, size_t room_bytes, const char *text)
{
    (void) snprintf(room, room_bytes, "%s", text);
}

/* The way to the peer, now. */
static struct netinfo_route find_way(const struct facts *facts)
{
    struct netinfo_route route = { 0 };

    (void) netinfo_route(facts->peer, facts->own, facts->interface, &route,
                         NULL);
    return route;
}

void facts_quiet(struct facts *facts, struct exchange_account *account)
{
    const struct netinfo_route route = find_way(facts);
    const uint64_t now_ns = clock_now_ns();
    struct netinfo_counters counters = { 0 };

    /* A loopback carries all that stays within the computer, also ours. */
    if (route.is_own || netinfo_counters(route.interface, &counters) != 0)
        return;
    const uint64_t bytes = counters.sent_bytes + counters.received_bytes;
    const uint64_t packets = counters.sent_packets + counters.received_packets;

    if (!facts->quiet_from_ns) {
        facts->quiet_from_ns = now_ns;
        facts->quiet_bytes = bytes;
        facts->quiet_packets = packets;
        return;
    }
    account->quiet_ns = now_ns - facts->quiet_from_ns;
    account->quiet_bytes = bytes - facts->quiet_bytes;
    account->quiet_packets = packets - facts->quiet_packets;
}

void facts_before(struct facts *facts, struct exchange_account *account)
{
    const struct netinfo_route route = find_way(facts);
    struct netinfo_counters counters = { 0 };

    account->wall_minus_monotonic_begun_ns =
        clock_wall_minus_monotonic_ns(NULL);
    facts->suspended_before_ns = clock_suspended_ns();
    write_text(account->interface, sizeof(account->interface), route.interface);
    write_text(account->source_address, sizeof(account->source_address),
               route.source_address);
    write_text(account->gateway, sizeof(account->gateway), route.gateway);
    account->mtu_bytes = route.mtu_bytes;
    (void) netinfo_counters(account->interface, &counters);
    account->sent_bytes_before = counters.sent_bytes;
    account->received_bytes_before = counters.received_bytes;
    account->sent_packets_before = counters.sent_packets;
    account->received_packets_before = counters.received_packets;
}

/* The same interface's counters as before, wherever the way goes now. */
void facts_after(const struct facts *facts, struct exchange_account *account)
{
    const struct netinfo_route route = find_way(facts);
    const uint64_t suspended_ns = clock_suspended_ns();
    struct netinfo_counters counters = { 0 };

    account->wall_minus_monotonic_ended_ns =
        clock_wall_minus_monotonic_ns(NULL);
    if (suspended_ns >= facts->suspended_before_ns + SLEPT_LEAST_NS)
        account->suspended_ns = suspended_ns - facts->suspended_before_ns;
    write_text(account->interface_after, sizeof(account->interface_after),
               route.interface);
    write_text(account->gateway_after, sizeof(account->gateway_after),
               route.gateway);
    write_text(account->source_address_after,
               sizeof(account->source_address_after), route.source_address);
    (void) netinfo_counters(account->interface, &counters);
    account->sent_bytes_after = counters.sent_bytes;
    account->received_bytes_after = counters.received_bytes;
    account->sent_packets_after = counters.sent_packets;
    account->received_packets_after = counters.received_packets;
}
