/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/payload.h"

#include "agent/memory.h"

#include <bothends/draw.h>
#include <stdio.h>
#include <string.h>

/* The header's share of a block: repeated headers are all that a compressor
 * finds to save, and it shall save no more than 3 %. */
#define HEADER_SHARE 40
/* Keeps the seeds of connections apart; plan seeds are below 2^53. */
#define CONNECTION_SHIFT 56

/* Of our own making; it need only be plain, readable and compressible. */
static const char plain_text[] =
    "This is a test of a radio link between two computers. The text that you "
    "read here is sent again and again, in clear and plain words, so that "
    "anybody who listens can tell what it is. It measures how fast the link "
    "carries ordinary text, such as letters, notes and web pages. A radio that "
    "compresses what it carries will carry this text faster than numbers that "
    "follow no pattern; a radio that does not compress will carry both at the "
    "same pace. When you compare the two you know which kind of radio you "
    "have. Nothing in this text is secret and nothing in it needs an answer. "
    "If it disturbs you, the call sign at the head of each block says whom to "
    "ask. Thank you for your patience, and good listening.\n";

size_t payload_block_bytes(double expected_bps, size_t header_bytes)
{
    const double quarter_second_bytes = expected_bps / BITS_PER_BYTE / 4;
    size_t block_bytes = PAYLOAD_BLOCK_LEAST;

    if (!(expected_bps > 0))
        return PAYLOAD_BLOCK_UNKNOWN;
    while (block_bytes < PAYLOAD_BLOCK_MOST
           && ((double) block_bytes * 1.5 < quarter_second_bytes
               || block_bytes < HEADER_SHARE * header_bytes))
        block_bytes *= 2;
    return block_bytes;
}

size_t payload_mark(const struct exchange_order *order,
                    char mark[PAYLOAD_HEADER_MOST])
{
    return (size_t) snprintf(mark, PAYLOAD_HEADER_MOST, "bothends %s de ",
                             order->id);
}

/* Cannot be cut: an id, a call and three numbers fit the room. */
static void begin_block(struct payload *payload)
{
    const struct exchange_order *order = payload->order;
    const char *call = order->own_call[0] ? order->own_call : order->own_name;

    payload->position = 0;
    payload->seed = order->seed + (payload->octets ? 0 : payload->block)
                    + (payload->connection << CONNECTION_SHIFT);
    payload->header_bytes = (size_t) snprintf(
        payload->header, sizeof(payload->header),
        "bothends %.39s de %.31s %u/%llu seed %llx, %s see README of "
        "bothends\n",
        order->id, call, (unsigned) payload->connection % 1000,
        (unsigned long long) payload->block % 1000000000ULL,
        (unsigned long long) payload->seed,
        payload->is_text ? "text," : "octets: SplitMix64,");
}

static size_t least_of(size_t one, size_t other)
{
    return one < other ? one : other;
}

static void fill_text(size_t from, unsigned char *room, size_t room_bytes)
{
    const size_t text_bytes = sizeof(plain_text) - 1;

    while (room_bytes) {
        const size_t start = from % text_bytes;
        const size_t piece_bytes = least_of(text_bytes - start, room_bytes);

        memcpy(room, plain_text + start, piece_bytes);
        from += piece_bytes;
        room += piece_bytes;
        room_bytes -= piece_bytes;
    }
}

/* Lowest octet first, on every computer. */
static void write_number(uint64_t number, unsigned char octets[8])
{
#if __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
    memcpy(octets, &number, 8);
#else
    for (int i = 0; i < 8; i++)
        octets[i] = (unsigned char) (number >> (8 * i));
#endif
}

/*
 * Octets from number `from` of the generator's row: SplitMix64 reaches any
 * place by a multiplication, so that a row can be taken up anywhere.
 */
static void fill_octets(uint64_t seed, size_t from, unsigned char *room,
                        size_t room_bytes)
{
    struct draw draw = { seed + from / 8 * UINT64_C(0x9e3779b97f4a7c15) };
    unsigned char octets[8];

    if (from % 8 && room_bytes) {
        const size_t piece_bytes = least_of(8 - from % 8, room_bytes);

        write_number(draw_next(&draw), octets);
        memcpy(room, octets + from % 8, piece_bytes);
        room += piece_bytes;
        room_bytes -= piece_bytes;
    }
    for (; room_bytes >= 8; room += 8, room_bytes -= 8)
        write_number(draw_next(&draw), room);
    if (room_bytes) {
        write_number(draw_next(&draw), octets);
        memcpy(room, octets, room_bytes);
    }
}

/* --- the row -------------------------------------------------------------- */

void payload_init(struct payload *payload, const struct exchange_order *order,
                  uint64_t connection, bool is_text)
{
    memset(payload, 0, sizeof(*payload));
    payload->order = order;
    payload->connection = connection;
    payload->is_text = is_text;
    begin_block(payload);
    payload->block_bytes =
        payload_block_bytes(order->expected_bps, payload->header_bytes);
    if (is_text || order->expected_bps < PAYLOAD_ONCE_BPS)
        return;
    payload->block_bytes = PAYLOAD_ONCE_BLOCK_BYTES;
    payload->octets = mem_checked(malloc(payload->block_bytes));
    fill_octets(payload->seed, 0, payload->octets, payload->block_bytes);
}

void payload_clear(struct payload *payload)
{
    free(payload->octets);
    payload->octets = NULL;
}

/* From the current place to the block's end at most; how many octets. */
static size_t fill_in_block(struct payload *payload, unsigned char *room,
                            size_t room_bytes)
{
    const size_t header_bytes = payload->header_bytes;
    const size_t from = payload->position;
    size_t piece_bytes;

    if (from < header_bytes) {
        piece_bytes = least_of(header_bytes - from, room_bytes);
        memcpy(room, payload->header + from, piece_bytes);
    } else {
        piece_bytes = least_of(payload->block_bytes - from, room_bytes);
        if (payload->octets)
            memcpy(room, payload->octets + from - header_bytes, piece_bytes);
        else if (payload->is_text)
            fill_text(from - header_bytes, room, piece_bytes);
        else
            fill_octets(payload->seed, from - header_bytes, room, piece_bytes);
    }
    payload->position += piece_bytes;
    return piece_bytes;
}

void payload_fill(struct payload *payload, void *room, size_t room_bytes)
{
    unsigned char *at = room;

    while (room_bytes) {
        const size_t piece_bytes = fill_in_block(payload, at, room_bytes);

        at += piece_bytes;
        room_bytes -= piece_bytes;
        if (payload->position == payload->block_bytes) {
            payload->block++;
            begin_block(payload);
        }
    }
}

void payload_block(const struct exchange_order *order, uint64_t connection,
                   uint64_t block, void *room, size_t room_bytes)
{
    struct payload payload = {
        .order = order,
        .connection = connection,
        .block = block,
        .block_bytes = SIZE_MAX,
    };

    begin_block(&payload);
    payload_fill(&payload, room, room_bytes);
}
