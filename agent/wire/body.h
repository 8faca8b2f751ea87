/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WIRE_BODY_H
#define WIRE_BODY_H

#include <bothends/fault.h>
#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

/*
 * Bodies of the control protocol: JSON, gzip-coded (RFC 1952) where that is
 * shorter.  The digest is over the coded content.
 */
#define BODY_BYTES_MAX    (64u << 20) /* uncoded, either way */
#define BODY_TYPE_JSON    "application/json"
#define BODY_TYPE_PROBLEM "application/problem+json"

struct body {
    char *content; /* the caller frees it by body_clear() */
    size_t content_bytes;
    bool is_gzip;
};

/* json is borrowed; NULL makes an empty body. */
int body_encode(const json_t *json, struct body *ret_body, struct fault *fault);
/* coding: the Content-Encoding field, or NULL.  An empty body gives NULL. */
int body_decode(const void *content, size_t content_bytes, const char *coding,
                json_t **ret_json, struct fault *fault);
void body_clear(struct body *body);

/*
 * A problem (RFC 9457): word becomes tag:bothends,2026:WORD.  place may be
 * NULL. Gives a new reference.
 */
json_t *problem_new(int status, const char *word, const char *title,
                    const char *detail, const char *place);
/* "TITLE: DETAIL (PLACE)" of a problem, whatever it holds. */
void problem_text(const json_t *problem, char *ret_text, size_t size);

#endif
