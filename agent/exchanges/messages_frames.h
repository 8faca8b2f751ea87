/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_MESSAGES_FRAMES_H
#define AGENT_MESSAGES_FRAMES_H

#include <bothends/exchange.h>
#include <bothends/fault.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * The frames that cross a messages' connection once it is open, in clear text:
 *
 *   message 12 57 Q0HUB<LF>   and then 57 bytes of text
 *   confirm 12 0 Q1FLD<LF>    the message of that number has been read
 *   end 60 0 Q0HUB<LF>        this end sent 60 messages, and waits no longer
 *
 * A word, a number, the bytes of text that follow, and who sends this.
 */
enum frame_kind {
    FRAME_MESSAGE,
    FRAME_CONFIRM,
    FRAME_END
};

struct frame {
    enum frame_kind kind;
    uint64_t number;
    uint64_t text_bytes; /* of a message; else 0 */
};

#define FRAME_LINE_MOST 80 /* with its line feed */

/* Write a frame: the line, and a message's text, which names the station.  room
 * holds FRAME_LINE_MOST and the text.  Returns its length. */
size_t frame_write(const struct frame *frame,
                   const struct exchange_order *order, char *room);

/* What has come of a frame that is not whole yet; zeroed at the start. */
struct frame_reader {
    char line[FRAME_LINE_MOST + 1];
    size_t line_bytes;
    struct frame frame;
    uint64_t text_left_bytes;
    bool is_in_text;
};

/* Called for each frame once all of it is there; false: take no more. */
typedef bool frame_fn(void *owner, const struct frame *frame);

/* Take what was read, in pieces of any size.  0, or UV_EPROTO with words. */
int frame_take(struct frame_reader *reader, const char *piece,
               size_t piece_bytes, frame_fn *on_frame, void *owner,
               struct fault *fault);

#endif
