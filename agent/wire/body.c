/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/body.h"

#include <bothends/characters.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <uv.h>
#define ZLIB_CONST /* zlib does not write to its input */
#include <zlib.h>

/* Below this a body is sent as it is: gzip's own head costs 18 bytes. */
#define GZIP_FROM_BYTES    200
#define GZIP_WINDOW_BITS   (15 + 16) /* zlib's way of saying: gzip format */
#define INFLATE_STEP_BYTES (64u << 10)

/* Above this a body is columns of numbers, and short matches of digits cost
 * more than they save: Z_FILTERED makes those 4 % shorter, orders 3 % longer.
 */
#define FILTERED_FROM_BYTES 2000

void body_clear(struct body *body)
{
    free(body->content);
    *body = (struct body){ NULL, 0, false };
}

static int deflate_body(struct body *body, struct fault *fault)
{
    z_stream stream = { .next_in = (const unsigned char *) body->content,
                        .avail_in = (uInt) body->content_bytes };
    const int strategy = body->content_bytes >= FILTERED_FROM_BYTES
                             ? Z_FILTERED
                             : Z_DEFAULT_STRATEGY;

    if (deflateInit2(&stream, Z_BEST_COMPRESSION, Z_DEFLATED, GZIP_WINDOW_BITS,
                     9, strategy)
        != Z_OK)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    const uLong room = deflateBound(&stream, (uLong) body->content_bytes);
    char *coded = malloc(room);

    if (!coded) {
        (void) deflateEnd(&stream);
        return fault_set(fault, UV_ENOMEM, "out of memory");
    }
    stream.next_out = (unsigned char *) coded;
    stream.avail_out = (uInt) room;
    const int state = deflate(&stream, Z_FINISH);
    const size_t coded_bytes = stream.total_out;
    (void) deflateEnd(&stream);
    if (state != Z_STREAM_END || coded_bytes >= body->content_bytes) {
        free(coded); /* no shorter: it goes as it is */
        return 0;
    }
    free(body->content);
    *body = (struct body){ coded, coded_bytes, true };
    return 0;
}

int body_encode(const json_t *json, struct body *ret_body, struct fault *fault)
{
    struct body body = { NULL, 0, false };

    if (json) {
        body.content = json_dumps(json, JSON_COMPACT | JSON_REAL_PRECISION(17));
        if (!body.content)
            return fault_set(fault, UV_ENOMEM, "cannot write the body as JSON");
        body.content_bytes = strlen(body.content);
    }
    if (body.content_bytes > BODY_BYTES_MAX) {
        body_clear(&body);
        return fault_set(fault, UV_E2BIG,
                         "the body is larger than %u MiB, more than an agent "
                         "or a controller takes",
                         BODY_BYTES_MAX >> 20);
    }
    if (body.content_bytes >= GZIP_FROM_BYTES) {
        const int code = deflate_body(&body, fault);

        if (code) {
            body_clear(&body);
            return code;
        }
    }
    *ret_body = body;
    return 0;
}

/* Twice what there is, so that little is copied on the way; and no more than
 * shows that it is too much. */
static size_t next_step_bytes(size_t plain_bytes)
{
    const size_t wanted =
        plain_bytes > INFLATE_STEP_BYTES ? plain_bytes : INFLATE_STEP_BYTES;
    const size_t left = BODY_BYTES_MAX + 1 - plain_bytes;

    return wanted < left ? wanted : left;
}

/* Grows plain as far as BODY_BYTES_MAX: a small body may hide a huge one. */
static int inflate_all(z_stream *stream, char **plain, size_t *plain_bytes,
                       struct fault *fault)
{
    int state;

    do {
        const size_t more_bytes = next_step_bytes(*plain_bytes);
        char *larger = realloc(*plain, *plain_bytes + more_bytes);
        if (!larger)
            return fault_set(fault, UV_ENOMEM, "out of memory");
        *plain = larger;
        stream->next_out = (unsigned char *) larger + *plain_bytes;
        stream->avail_out = (uInt) more_bytes;
        state = inflate(stream, Z_NO_FLUSH);
        *plain_bytes += more_bytes - stream->avail_out;
        if (*plain_bytes > BODY_BYTES_MAX)
            return fault_set(fault, UV_E2BIG,
                             "the body is larger than %u MiB when unpacked",
                             BODY_BYTES_MAX >> 20);
    } while (state == Z_OK);
    if (state != Z_STREAM_END || stream->avail_in)
        return fault_set(fault, UV_EPROTO, "the body is no whole gzip stream");
    return 0;
}

static int inflate_body(const void *content, size_t content_bytes,
                        char **ret_plain, size_t *ret_bytes,
                        struct fault *fault)
{
    z_stream stream = { .next_in = content, .avail_in = (uInt) content_bytes };
    char *plain = NULL;
    size_t plain_bytes = 0;

    if (inflateInit2(&stream, GZIP_WINDOW_BITS) != Z_OK)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    const int code = inflate_all(&stream, &plain, &plain_bytes, fault);
    (void) inflateEnd(&stream);
    if (code) {
        free(plain);
        return code;
    }
    *ret_plain = plain;
    *ret_bytes = plain_bytes;
    return 0;
}

static int parse_json(const char *text, size_t text_bytes, json_t **ret_json,
                      struct fault *fault)
{
    json_error_t error;
    json_t *json = json_loadb(text, text_bytes, JSON_REJECT_DUPLICATES, &error);

    if (!json)
        return fault_set(fault, UV_EPROTO,
                         "the body is no JSON: line %d, column %d: %.120s",
                         error.line, error.column, error.text);
    *ret_json = json;
    return 0;
}

int body_decode(const void *content, size_t content_bytes, const char *coding,
                json_t **ret_json, struct fault *fault)
{
    char *plain = NULL;
    size_t plain_bytes = 0;

    if (content_bytes > BODY_BYTES_MAX)
        return fault_set(fault, UV_E2BIG, "the body is larger than %u MiB",
                         BODY_BYTES_MAX >> 20);
    if (!content_bytes) {
        *ret_json = NULL;
        return 0;
    }
    if (!coding)
        return parse_json(content, content_bytes, ret_json, fault);
    if (strcmp(coding, "gzip") != 0)
        return fault_set(
            fault, UV_EPROTO,
            "found Content-Encoding '%.40s', expected gzip or none", coding);
    int code =
        inflate_body(content, content_bytes, &plain, &plain_bytes, fault);
    if (!code)
        code = parse_json(plain, plain_bytes, ret_json, fault);
    free(plain);
    return code;
}

json_t *problem_new(int status, const char *word, const char *title,
                    const char *detail, const char *place)
{
    char type[96];

    (void) snprintf(type, sizeof(type), "tag:bothends,2026:%s", word);
    json_t *problem = json_pack("{s:s, s:s, s:i, s:s}", "type", type, "title",
                                title, "status", status, "detail", detail);
    if (problem && place)
        (void) json_object_set_new(problem, "place", json_string(place));
    return problem;
}

static const char *text_member(const json_t *object, const char *name)
{
    /* A member of the wrong type is as good as missing (RFC 9457, 3.1). */
    const char *text = json_string_value(json_object_get(object, name));

    return text ? text : "";
}

void problem_text(const json_t *problem, char *ret_text, size_t size)
{
    const char *title = text_member(problem, "title");
    const char *detail = text_member(problem, "detail");
    const char *place = text_member(problem, "place");

    (void) snprintf(ret_text, size, "%s%s%s%s%s%s",
                    *title || *detail ? title : "no reason given",
                    *title && *detail ? ": " : "", detail, *place ? " (" : "",
                    place, *place ? ")" : "");
    /* It goes to a terminal; a letter may have been cut at the end. */
    size_t bytes;
    for (char *at = ret_text; *at; at += bytes) {
        if (!character_is_clean(character_at(at, &bytes)))
            memset(at, ' ', bytes);
    }
}
