/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * Exercises agent/exchanges/messages_frames.c: any bytes are taken for what
 * comes over a messages' connection.  Whole or byte by byte, they give the same
 * frames, and a refusal comes with words.
 */
#include "agent/exchanges/messages_frames.h"
#include "tests/support/replay.h"

#include <stdlib.h>
#include <string.h>

#define STREAM_BYTES_MAX 20000
#define FRAMES_MAX       4000

struct taken {
    struct frame frames[FRAMES_MAX];
    size_t count;
    bool was_refused;
};

static bool keep_frame(void *owner, const struct frame *frame)
{
    struct taken *taken = owner;

    if (taken->count == FRAMES_MAX)
        return false;
    taken->frames[taken->count++] = *frame;
    return true;
}

static void take(const char *stream, size_t stream_bytes, size_t piece_bytes,
                 struct taken *taken)
{
    struct frame_reader reader = { 0 };
    struct fault fault = { 0 };

    memset(taken, 0, sizeof(*taken));
    for (size_t at = 0;
         at < stream_bytes && !taken->was_refused && taken->count < FRAMES_MAX;
         at += piece_bytes) {
        const size_t left_bytes = stream_bytes - at;

        taken->was_refused =
            frame_take(&reader, stream + at,
                       left_bytes < piece_bytes ? left_bytes : piece_bytes,
                       keep_frame, taken, &fault)
            != 0;
    }
    if (taken->was_refused && !fault.text[0])
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct taken whole, single;

    if (size == 0 || size > STREAM_BYTES_MAX)
        return 0;
    take((const char *) data, size, size, &whole);
    take((const char *) data, size, 1, &single);
    if (whole.count != single.count || whole.was_refused != single.was_refused
        || memcmp(whole.frames, single.frames,
                  whole.count * sizeof(whole.frames[0]))
               != 0)
        abort();
    return 0;
}
