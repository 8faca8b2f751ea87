/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_PAYLOAD_H
#define AGENT_PAYLOAD_H

#include <bothends/exchange.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * What our traffic carries: an endless row of blocks, each of a clear-text
 * header line and, up to the block's size, octets of SplitMix64 (see
 * bothends/draw.h), each number as 8 octets, lowest first, the generator
 * starting at the seed in the header; or plain English text.  The header:
 *
 *   bothends ID de CALL K/N seed HEX, octets: SplitMix64, see README of
 * bothends
 *
 * K is the connection, N the block's number, from 0.  Anybody who hears the
 * block can tell who sends, and make the same octets from what it says.
 *
 * Each block has its own seed.  Only where the step is so fast that making
 * octets would hold it up, all blocks of a connection have the same one, and
 * its octets are made once: a compressor would have to look further back than
 * a block to gain by that.
 */

#define PAYLOAD_HEADER_MOST   192
#define PAYLOAD_BLOCK_LEAST   2048
#define PAYLOAD_BLOCK_MOST    262144
#define PAYLOAD_BLOCK_UNKNOWN 65536
/* From this rate on, octets are made once (measured: making them takes 0.1 s a
 * GB, as long as the kernel takes to carry them). */
#define PAYLOAD_ONCE_BPS         500e6
#define PAYLOAD_ONCE_BLOCK_BYTES 131072

struct payload {
    const struct exchange_order *order; /* borrowed */
    uint64_t connection;
    bool is_text;
    size_t block_bytes;
    /* Where in the row the next octet is. */
    uint64_t block;
    size_t position;
    size_t header_bytes;
    char header[PAYLOAD_HEADER_MOST];
    uint64_t seed;         /* of this block */
    unsigned char *octets; /* made once, a block of them; NULL: made anew */
};

/* The row of one connection, from its start.  order is borrowed until
 * payload_clear(). */
void payload_init(struct payload *payload, const struct exchange_order *order,
                  uint64_t connection, bool is_text);
void payload_clear(struct payload *payload);

/* The next octets of the row, as many as asked for. */
void payload_fill(struct payload *payload, void *room, size_t room_bytes);

/* One block alone (a probe's data), cut to the room. */
void payload_block(const struct exchange_order *order, uint64_t connection,
                   uint64_t block, void *room, size_t room_bytes);

/* What each block of this exchange begins with, whoever sends it: a receiver
 * tells by it that the data are the other end's.  Returns its length. */
size_t payload_mark(const struct exchange_order *order,
                    char mark[PAYLOAD_HEADER_MOST]);

/* About a quarter of a second of the step: a power of two within the limits,
 * and so large that the header is no more than a fortieth of it. */
size_t payload_block_bytes(double expected_bps, size_t header_bytes);

#endif
