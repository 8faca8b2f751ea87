/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/transfer.h"

#include "agent/wire/body.h"

#include <stdlib.h>
#include <string.h>
#include <strings.h>

struct transfer {
    struct curl_loop *curl; /* borrowed */
    CURL *easy;
    struct curl_slist *fields;
    uint64_t *sent_bytes, *received_bytes; /* borrowed */
    struct transfer_reply reply;
    transfer_done_fn *on_done;
    void *owner; /* borrowed */
};

/* --- what libcurl tells on the way ---------------------------------------- */

/* NOLINTNEXTLINE(readability-non-const-parameter): libcurl's signature */
static int on_before_request(void *owner, char *peer_address, char *own_address,
                             int peer_port, int own_port)
{
    struct transfer *transfer = owner;

    transfer->reply.sent_ns = uv_hrtime();
    (void) peer_address;
    (void) own_address;
    (void) peer_port;
    (void) own_port;
    return CURL_PREREQFUNC_OK;
}

/* libcurl's account of bytes leaves some out; this sees all that passes.
 * NOLINTNEXTLINE(readability-non-const-parameter): libcurl's signature */
static int on_traffic(CURL *easy, curl_infotype type, char *bytes,
                      size_t byte_count, void *owner)
{
    const struct transfer *transfer = owner;

    (void) easy;
    (void) bytes;
    if (type == CURLINFO_HEADER_OUT || type == CURLINFO_DATA_OUT)
        *transfer->sent_bytes += byte_count;
    if (type == CURLINFO_HEADER_IN || type == CURLINFO_DATA_IN)
        *transfer->received_bytes += byte_count;
    return 0;
}

static void take_field(const char *line, size_t length, const char *name,
                       char *room, size_t size)
{
    const size_t name_length = strlen(name);

    if (length <= name_length || line[name_length] != ':'
        || strncasecmp(line, name, name_length) != 0)
        return;
    const char *value = line + name_length + 1;
    size_t left = length - name_length - 1;
    while (left && (*value == ' ' || *value == '\t')) {
        value++;
        left--;
    }
    while (left && strchr(" \t\r\n", value[left - 1]))
        left--;
    /* Repeated fields are one list (RFC 9421, 2.1), which none of ours is. */
    const char *first = room[0] ? ", " : "";
    const size_t used = strlen(room);
    (void) snprintf(room + used, size - used, "%s%.*s", first, (int) left,
                    value);
}

static void forget_fields(struct transfer_reply *reply)
{
    reply->digest[0] = reply->next_nonce[0] = reply->input[0] = '\0';
    reply->signature[0] = reply->coding[0] = '\0';
}

static size_t on_head_line(char *line, size_t size, size_t count, void *owner)
{
    struct transfer_reply *reply = &((struct transfer *) owner)->reply;
    const size_t length = size * count;

    if (length > 5 && memcmp(line, "HTTP/", 5) == 0) {
        reply->answered_ns = uv_hrtime();
        forget_fields(reply); /* what came with a 1xx before it */
    }
    take_field(line, length, "Content-Digest", reply->digest,
               sizeof(reply->digest));
    take_field(line, length, "Next-Nonce", reply->next_nonce,
               sizeof(reply->next_nonce));
    take_field(line, length, "Signature-Input", reply->input,
               sizeof(reply->input));
    take_field(line, length, "Signature", reply->signature,
               sizeof(reply->signature));
    take_field(line, length, "Content-Encoding", reply->coding,
               sizeof(reply->coding));
    return length;
}

static size_t on_content(char *piece, size_t size, size_t count, void *owner)
{
    struct transfer_reply *reply = &((struct transfer *) owner)->reply;
    const size_t length = size * count;

    if (length > BODY_BYTES_MAX - reply->content_bytes)
        return 0; /* libcurl ends the transfer */
    char *larger = realloc(reply->content, reply->content_bytes + length + 1);
    if (!larger)
        return 0;
    memcpy(larger + reply->content_bytes, piece, length);
    reply->content = larger;
    reply->content_bytes += length;
    return length;
}

/* --- start and end -------------------------------------------------------- */

static bool add_field(struct transfer *transfer, const char *name,
                      const char *value)
{
    char line[512];

    /* With nothing after the colon libcurl leaves its own field out. */
    (void) snprintf(line, sizeof(line), "%s:%s%s", name, *value ? " " : "",
                    value);
    struct curl_slist *longer = curl_slist_append(transfer->fields, line);
    if (longer)
        transfer->fields = longer;
    return longer != NULL;
}

static bool add_fields(struct transfer *transfer,
                       const struct transfer_request *request)
{
    for (size_t i = 0; i < request->field_count; i++) {
        if (!add_field(transfer, request->fields[i].name,
                       request->fields[i].value))
            return false;
    }
    return add_field(transfer, "Accept", "")
           && add_field(transfer, "Expect", "");
}

static void set_connection_options(CURL *easy, long timeout_ms)
{
    (void) curl_easy_setopt(easy, CURLOPT_PROXY, "");
    (void) curl_easy_setopt(easy, CURLOPT_NOSIGNAL, 1L);
    (void) curl_easy_setopt(easy, CURLOPT_HTTP_VERSION,
                            (long) CURL_HTTP_VERSION_1_1);
    (void) curl_easy_setopt(easy, CURLOPT_TCP_KEEPALIVE, 0L);
    /* A connection may have been silent for as long as an exchange lasts. */
    (void) curl_easy_setopt(easy, CURLOPT_MAXAGE_CONN, 7L * 86400);
    (void) curl_easy_setopt(easy, CURLOPT_TIMEOUT_MS, timeout_ms);
    (void) curl_easy_setopt(easy, CURLOPT_CONNECTTIMEOUT_MS, timeout_ms);
}

/* libcurl closes a connection. */
static int on_close(void *owner, curl_socket_t socket)
{
    lost_close(owner, socket);
    return 0;
}

static void set_request_options(const struct transfer *transfer,
                                const struct transfer_request *request)
{
    CURL *easy = transfer->easy;

    (void) curl_easy_setopt(easy, CURLOPT_URL, request->url);
    (void) curl_easy_setopt(easy, CURLOPT_PATH_AS_IS, 1L);
    (void) curl_easy_setopt(easy, CURLOPT_HTTPHEADER, transfer->fields);
    if (request->content_bytes) {
        (void) curl_easy_setopt(easy, CURLOPT_POSTFIELDSIZE_LARGE,
                                (curl_off_t) request->content_bytes);
        (void) curl_easy_setopt(easy, CURLOPT_POSTFIELDS, request->content);
    }
    (void) curl_easy_setopt(easy, CURLOPT_CUSTOMREQUEST, request->method);
    (void) curl_easy_setopt(easy, CURLOPT_CLOSESOCKETFUNCTION, on_close);
    (void) curl_easy_setopt(easy, CURLOPT_CLOSESOCKETDATA, request->lost);
}

static void set_watchers(struct transfer *transfer)
{
    CURL *easy = transfer->easy;

    (void) curl_easy_setopt(easy, CURLOPT_PRIVATE, transfer);
    (void) curl_easy_setopt(easy, CURLOPT_PREREQFUNCTION, on_before_request);
    (void) curl_easy_setopt(easy, CURLOPT_PREREQDATA, transfer);
    (void) curl_easy_setopt(easy, CURLOPT_VERBOSE, 1L); /* for on_traffic */
    (void) curl_easy_setopt(easy, CURLOPT_DEBUGFUNCTION, on_traffic);
    (void) curl_easy_setopt(easy, CURLOPT_DEBUGDATA, transfer);
    (void) curl_easy_setopt(easy, CURLOPT_HEADERFUNCTION, on_head_line);
    (void) curl_easy_setopt(easy, CURLOPT_HEADERDATA, transfer);
    (void) curl_easy_setopt(easy, CURLOPT_WRITEFUNCTION, on_content);
    (void) curl_easy_setopt(easy, CURLOPT_WRITEDATA, transfer);
}

int transfer_start(struct curl_loop *curl,
                   const struct transfer_request *request,
                   transfer_done_fn *on_done, void *owner,
                   struct transfer **ret_transfer, struct fault *fault)
{
    struct transfer *transfer = calloc(1, sizeof(*transfer));

    if (!transfer)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    transfer->curl = curl;
    transfer->sent_bytes = request->sent_bytes;
    transfer->received_bytes = request->received_bytes;
    transfer->on_done = on_done;
    transfer->owner = owner;
    transfer->easy = curl_easy_init();
    if (!transfer->easy || !add_fields(transfer, request)) {
        transfer_free(transfer);
        return fault_set(fault, UV_ENOMEM, "out of memory");
    }
    set_connection_options(transfer->easy, (long) request->timeout_ms);
    set_request_options(transfer, request);
    set_watchers(transfer);
    if (curl_multi_add_handle(curl->multi, transfer->easy) != CURLM_OK) {
        transfer_free(transfer);
        return fault_set(fault, UV_ENOMEM, "cannot start a transfer");
    }
    *ret_transfer = transfer;
    return 0;
}

static int code_of(CURL *easy, CURLcode code)
{
    long os_error = 0;

    if (code == CURLE_OK)
        return 0;
    if (code == CURLE_OPERATION_TIMEDOUT)
        return UV_ETIMEDOUT;
    if (code == CURLE_COULDNT_RESOLVE_HOST || code == CURLE_URL_MALFORMAT)
        return UV_EAI_NONAME;
    (void) curl_easy_getinfo(easy, CURLINFO_OS_ERRNO, &os_error);
    if (code == CURLE_COULDNT_CONNECT)
        return os_error ? (int) -os_error : UV_ECONNREFUSED;
    if (code == CURLE_WRITE_ERROR)
        return UV_E2BIG;
    return UV_ECONNRESET;
}

void transfer_ended(void *owner, CURL *easy, CURLcode code)
{
    struct transfer *transfer = NULL;
    long status = 0;

    (void) owner;
    (void) curl_easy_getinfo(easy, CURLINFO_PRIVATE, &transfer);
    (void) curl_easy_getinfo(easy, CURLINFO_RESPONSE_CODE, &status);
    transfer->reply.code = code_of(easy, code);
    transfer->reply.status = (int) status;
    transfer->on_done(transfer->owner, &transfer->reply);
}

void transfer_free(struct transfer *transfer)
{
    if (!transfer)
        return;
    if (transfer->easy) {
        (void) curl_multi_remove_handle(transfer->curl->multi, transfer->easy);
        curl_easy_cleanup(transfer->easy);
    }
    curl_slist_free_all(transfer->fields);
    free(transfer->reply.content);
    free(transfer);
}
