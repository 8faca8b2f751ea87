/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WIRE_SIGNATURE_H
#define WIRE_SIGNATURE_H

#include "agent/wire/key.h"

#include <bothends/fault.h>
#include <stddef.h>

/*
 * HTTP Message Signatures (RFC 9421) with hmac-sha256, as far as the control
 * protocol needs them: see "Control protocol" in DEVELOPERS.md.  Nothing is
 * encrypted: a radio amateur's licence forbids that.
 */

/* --- the general part: the signature base (RFC 9421 section 2.5) ---------- */

struct signature_component {
    const char *name;   /* lower case, without quotes: "@method", "date" */
    const char *params; /* appended as they are: ";req"; NULL: none */
    const char *value;
};

/*
 * parameters is the inner list with its parameters, byte for byte as it stands
 * in Signature-Input after the label.  Gives the base (the caller frees it);
 * UV_EINVAL when a component is named twice, is @signature-params, or a value
 * has characters that can't be signed.
 */
int signature_base(const struct signature_component *components, size_t count,
                   const char *parameters, char **ret_base,
                   struct fault *fault);

/* HMAC-SHA-256 of text under any key, as base64. */
#define SIGNATURE_BASE64_SIZE 45
void signature_hmac(const void *key, size_t key_bytes, const char *text,
                    char ret_base64[SIGNATURE_BASE64_SIZE]);

/* --- content digest (RFC 9530) -------------------------------------------- */

#define DIGEST_FIELD_SIZE 64
/* "sha-256=:...:" over the coded content. */
void digest_field(const void *content, size_t content_bytes,
                  char ret_field[DIGEST_FIELD_SIZE]);
/* 0, or UV_EPROTO: the field is not that of this content. */
int digest_check(const char *field, const void *content, size_t content_bytes,
                 struct fault *fault);

/* --- our two profiles ----------------------------------------------------- */

#define NONCE_SIZE           48
#define SIGNATURE_INPUT_SIZE 320
#define SIGNATURE_FIELD_SIZE 64

/* What is covered of a request; all borrowed. path and query raw, query without
 * its "?". */
struct signed_request {
    const char *method, *path, *query;
    const char *content_type, *content_digest;
};

/* Values for the header fields Signature-Input and Signature. */
struct signature_fields {
    char input[SIGNATURE_INPUT_SIZE];
    char signature[SIGNATURE_FIELD_SIZE];
};

int signature_sign_request(const struct wire_key *key,
                           const struct signed_request *request,
                           const char *nonce, struct signature_fields *ret,
                           struct fault *fault);

/*
 * Whether the request is signed with the key; gives its nonce, which the caller
 * then holds against those it gave out.  input and signature are the header
 * values as received, NULL when they are not there.  UV_EACCES and words when
 * not.  The body's digest is checked apart, when the body is in.
 */
int signature_verify_request(const struct wire_key *key,
                             const struct signed_request *request,
                             const char *input, const char *signature,
                             char ret_nonce[NONCE_SIZE], struct fault *fault);

struct signed_answer {
    int status;
    const char *content_digest, *next_nonce;
    const char *request_signature; /* value of the request's Signature field */
};

int signature_sign_answer(const struct wire_key *key,
                          const struct signed_answer *answer,
                          struct signature_fields *ret, struct fault *fault);
int signature_verify_answer(const struct wire_key *key,
                            const struct signed_answer *answer,
                            const char *input, const char *signature,
                            struct fault *fault);

#endif
