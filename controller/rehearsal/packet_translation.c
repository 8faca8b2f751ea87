/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/packet_translation.h"

#include <netinet/in.h>
#include <string.h>

#define SOURCE_AT      12
#define DESTINATION_AT 16
#define ECHO_REPLY     0
#define ECHO_REQUEST   8

/* Where in a packet the things lie that are changed. */
struct places {
    unsigned protocol;
    size_t source_port_at, destination_port_at; /* or the echo's id */
    size_t checksum_at;                         /* of the transport */
    bool has_pseudo_header; /* the checksum covers the addresses */
    bool may_be_unsaid;     /* UDP: 0 says that there is no checksum */
};

static unsigned read_16(const unsigned char *bytes)
{
    return (unsigned) bytes[0] << 8 | bytes[1];
}

static void write_16(unsigned char *bytes, unsigned value)
{
    bytes[0] = (unsigned char) (value >> 8);
    bytes[1] = (unsigned char) value;
}

static bool find_transport(const unsigned char *bytes, size_t length, size_t at,
                           struct places *places)
{
    static const size_t header_bytes[] = {
        [IPPROTO_ICMP] = 8, [IPPROTO_TCP] = 20, [IPPROTO_UDP] = 8
    };
    const unsigned protocol = bytes[9];

    *places = (struct places){ .protocol = protocol,
                               .source_port_at = at,
                               .destination_port_at = at + 2,
                               .has_pseudo_header = true };
    if (protocol > IPPROTO_UDP || !header_bytes[protocol]
        || length < at + header_bytes[protocol])
        return false;
    switch (protocol) {
    case IPPROTO_TCP:
        places->checksum_at = at + 16;
        return true;
    case IPPROTO_UDP:
        places->checksum_at = at + 6;
        places->may_be_unsaid = true;
        return true;
    default:
        places->checksum_at = at + 2;
        places->source_port_at = places->destination_port_at = at + 4;
        places->has_pseudo_header = false;
        return bytes[at] == ECHO_REQUEST || bytes[at] == ECHO_REPLY;
    }
}

/* A fragment is not translated: only its first has ports. */
static bool find_places(const unsigned char *bytes, size_t length,
                        struct places *places)
{
    if (length < 20 || bytes[0] >> 4 != 4 || read_16(bytes + 6) & 0x3fff)
        return false;
    const size_t header_bytes = (size_t) (bytes[0] & 15) * 4;

    return header_bytes >= 20
           && find_transport(bytes, length, header_bytes, places);
}

/* RFC 1624, equation 3: HC' = ~(~HC + ~m + m'). */
static void mend_checksum(unsigned char *checksum, unsigned before,
                          unsigned after)
{
    uint32_t sum = (~read_16(checksum) & 0xffff) + (~before & 0xffff) + after;

    sum = (sum & 0xffff) + (sum >> 16);
    sum = (sum & 0xffff) + (sum >> 16);
    write_16(checksum, ~sum & 0xffff);
}

static void change_16(unsigned char *bytes, size_t at, unsigned value,
                      const struct places *places, bool is_of_transport)
{
    unsigned char *checksum = bytes + places->checksum_at;
    const bool is_unsaid = places->may_be_unsaid && read_16(checksum) == 0;

    if (is_of_transport && !is_unsaid) {
        mend_checksum(checksum, read_16(bytes + at), value);
        if (places->may_be_unsaid && read_16(checksum) == 0)
            write_16(checksum, 0xffff);
    }
    write_16(bytes + at, value);
}

static void change(unsigned char *bytes, size_t address_at,
                   const unsigned char address[4], size_t port_at,
                   unsigned port, const struct places *places)
{
    for (size_t i = 0; i < 4; i += 2) {
        const unsigned word = read_16(address + i);

        mend_checksum(bytes + 10, read_16(bytes + address_at + i), word);
        change_16(bytes, address_at + i, word, places,
                  places->has_pseudo_header);
    }
    change_16(bytes, port_at, port, places, true);
}

static size_t find_entry(struct translation *translation,
                         const struct translation_entry *wanted)
{
    for (size_t i = 0; i < TRANSLATION_ENTRIES_MAX; i++) {
        const struct translation_entry *entry = &translation->entries[i];

        if (entry->protocol == wanted->protocol
            && entry->inner_port == wanted->inner_port
            && memcmp(entry->inner, wanted->inner, 4) == 0
            && memcmp(entry->peer, wanted->peer, 4) == 0)
            return i;
    }
    const size_t taken = translation->next;

    translation->entries[taken] = *wanted;
    translation->next = (taken + 1) % TRANSLATION_ENTRIES_MAX;
    return taken;
}

bool translation_out(struct translation *translation, unsigned char *bytes,
                     size_t length)
{
    struct places places;

    if (!find_places(bytes, length, &places))
        return false;
    struct translation_entry wanted = {
        .protocol = places.protocol,
        .inner_port = (uint16_t) read_16(bytes + places.source_port_at),
    };

    memcpy(wanted.inner, bytes + SOURCE_AT, 4);
    memcpy(wanted.peer, bytes + DESTINATION_AT, 4);
    const size_t index = find_entry(translation, &wanted);

    change(bytes, SOURCE_AT, translation->outer, places.source_port_at,
           TRANSLATION_FIRST_PORT + (unsigned) index, &places);
    return true;
}

bool translation_in(struct translation *translation, unsigned char *bytes,
                    size_t length)
{
    struct places places;

    if (!find_places(bytes, length, &places))
        return false;
    const unsigned port = read_16(bytes + places.destination_port_at);

    if (port < TRANSLATION_FIRST_PORT
        || port >= TRANSLATION_FIRST_PORT + TRANSLATION_ENTRIES_MAX)
        return false;
    const struct translation_entry *entry =
        &translation->entries[port - TRANSLATION_FIRST_PORT];

    if (entry->protocol != places.protocol
        || memcmp(entry->peer, bytes + SOURCE_AT, 4) != 0)
        return false;
    change(bytes, DESTINATION_AT, entry->inner, places.destination_port_at,
           entry->inner_port, &places);
    return true;
}
