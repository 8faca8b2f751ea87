/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/exchanges/messages_frames.h"

#include <bothends/kinds/messages.h>
#include <ctype.h>
#include <string.h>
#include <uv.h>

static const char *const words[] = {
    [FRAME_MESSAGE] = "message",
    [FRAME_CONFIRM] = "confirm",
    [FRAME_END] = "end",
};

/* Of our own making; it need only be plain and readable. */
static const char plain_text[] =
    " This is one of many small texts that two computers send each other, in "
    "clear and plain words, to find out how soon each of them is confirmed.";

/* --- writing ------------------------------------------------------------- */

static const char *caller(const struct exchange_order *order)
{
    return order->own_call[0] ? order->own_call : order->own_name;
}

static void fill_text(const struct frame *frame,
                      const struct exchange_order *order, char *room)
{
    const size_t text_bytes = (size_t) frame->text_bytes;
    char greeting[FRAME_LINE_MOST + NAME_SIZE];
    size_t filled = (size_t) snprintf(
        greeting, sizeof(greeting), "%s to %s, test message %llu.",
        caller(order), order->peer_name, (unsigned long long) frame->number);

    if (filled > text_bytes)
        filled = text_bytes;
    memcpy(room, greeting, filled);
    while (filled < text_bytes) {
        const size_t left_bytes = text_bytes - filled;
        const size_t piece_bytes = left_bytes < sizeof(plain_text) - 1
                                       ? left_bytes
                                       : sizeof(plain_text) - 1;

        memcpy(room + filled, plain_text, piece_bytes);
        filled += piece_bytes;
    }
}

size_t frame_write(const struct frame *frame,
                   const struct exchange_order *order, char *room)
{
    /* Cannot be cut: a word, two numbers and a call fit the line. */
    const int line_bytes =
        snprintf(room, FRAME_LINE_MOST, "%s %llu %llu %.31s\n",
                 words[frame->kind], (unsigned long long) frame->number,
                 (unsigned long long) frame->text_bytes, caller(order));

    fill_text(frame, order, room + line_bytes);
    return (size_t) line_bytes + (size_t) frame->text_bytes;
}

/* --- reading ------------------------------------------------------------- */

/* Digits and a blank behind them; false: not so, or beyond the limit. */
static bool read_number(const char **at, uint64_t most, uint64_t *ret_number)
{
    const char *digit = *at;
    uint64_t number = 0;

    if (*digit < '0' || *digit > '9')
        return false;
    for (; *digit >= '0' && *digit <= '9'; digit++) {
        number = 10 * number + (uint64_t) (*digit - '0');
        if (number > most)
            return false;
    }
    if (*digit != ' ')
        return false;
    *at = digit + 1;
    *ret_number = number;
    return true;
}

static bool read_line(const char *line, struct frame *ret_frame)
{
    const size_t word_bytes = strcspn(line, " ");
    const char *at = line + word_bytes + (line[word_bytes] ? 1 : 0);
    size_t kind = 0;

    while (kind < COUNT_OF(words)
           && (strlen(words[kind]) != word_bytes
               || strncmp(words[kind], line, word_bytes) != 0))
        kind++;
    if (kind == COUNT_OF(words))
        return false;
    ret_frame->kind = (enum frame_kind) kind;
    return read_number(&at, MESSAGES_NUMBER_MAX, &ret_frame->number)
           && read_number(&at, MESSAGES_SIZE_MAX, &ret_frame->text_bytes)
           && (ret_frame->kind == FRAME_MESSAGE || ret_frame->text_bytes == 0);
}

static int refuse_line(const struct frame_reader *reader, struct fault *fault)
{
    char shown[41] = "";

    for (size_t i = 0; i < reader->line_bytes && i < sizeof(shown) - 1; i++)
        shown[i] =
            isprint((unsigned char) reader->line[i]) ? reader->line[i] : '?';
    return fault_set(fault, UV_EPROTO,
                     "found '%s' on the connection, expected the line of a "
                     "message such as 'message 12 57 Q0HUB'",
                     shown);
}

/* Up to the line feed; how many of the piece's bytes were used. */
static size_t take_line(struct frame_reader *reader, const char *piece,
                        size_t piece_bytes, bool *ret_is_whole)
{
    size_t used = 0;

    *ret_is_whole = false;
    while (used < piece_bytes && reader->line_bytes < FRAME_LINE_MOST) {
        const char letter = piece[used++];

        if (letter == '\n') {
            reader->line[reader->line_bytes] = '\0';
            *ret_is_whole = true;
            break;
        }
        reader->line[reader->line_bytes++] = letter;
    }
    return used;
}

int frame_take(struct frame_reader *reader, const char *piece,
               size_t piece_bytes, frame_fn *on_frame, void *owner,
               struct fault *fault)
{
    size_t used = 0;

    while (used < piece_bytes) {
        if (reader->is_in_text) {
            const uint64_t left_bytes = piece_bytes - used;
            const uint64_t taken_bytes = reader->text_left_bytes < left_bytes
                                             ? reader->text_left_bytes
                                             : left_bytes;

            used += (size_t) taken_bytes;
            reader->text_left_bytes -= taken_bytes;
        } else {
            bool is_whole;

            used +=
                take_line(reader, piece + used, piece_bytes - used, &is_whole);
            if (!is_whole && reader->line_bytes < FRAME_LINE_MOST)
                return 0;
            if (!is_whole || strlen(reader->line) != reader->line_bytes
                || !read_line(reader->line, &reader->frame))
                return refuse_line(reader, fault);
            reader->line_bytes = 0;
            reader->is_in_text = true;
            reader->text_left_bytes = reader->frame.text_bytes;
        }
        if (reader->text_left_bytes > 0)
            continue;
        reader->is_in_text = false;
        if (!on_frame(owner, &reader->frame))
            return 0;
    }
    return 0;
}
