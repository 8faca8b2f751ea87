/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/exchange_pair.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

/* A web server of a few lines, in a process of its own. */
#define FILE_BYTES 50000

struct web {
    pid_t pid;
    uint16_t port;
};

static void send_all(int socket, const char *text, size_t bytes)
{
    while (bytes > 0) {
        const ssize_t sent = send(socket, text, bytes, MSG_NOSIGNAL);

        if (sent <= 0)
            return;
        text += sent;
        bytes -= (size_t) sent;
    }
}

static void send_text(int socket, const char *text)
{
    send_all(socket, text, strlen(text));
}

static void send_file(int socket)
{
    char block[1000];

    memset(block, 'w', sizeof(block));
    for (int i = 0; i < FILE_BYTES / (int) sizeof(block); i++)
        send_all(socket, block, sizeof(block));
}

static void answer(int socket)
{
    char request[2048] = "";
    size_t have = 0;

    while (have + 1 < sizeof(request) && !strstr(request, "\r\n\r\n")) {
        const ssize_t got =
            recv(socket, request + have, sizeof(request) - 1 - have, 0);

        if (got <= 0)
            return;
        have += (size_t) got;
        request[have] = '\0';
    }
    if (strncmp(request, "GET /files/moved ", 17) == 0) {
        send_text(socket, "HTTP/1.1 302 Found\r\nLocation: /files/one\r\n"
                          "Content-Length: 0\r\n\r\n");
    } else if (strncmp(request, "GET /files/missing ", 19) == 0) {
        send_text(socket, "HTTP/1.1 404 Not Found\r\nContent-Length: 12\r\n\r\n"
                          "no such file");
    } else if (strncmp(request, "GET /files/endless ", 19) == 0) {
        send_text(socket, "HTTP/1.1 200 OK\r\n\r\n");
        while (send(socket, "drip", 4, MSG_NOSIGNAL) == 4)
            (void) usleep(5000);
    } else {
        send_text(socket, "HTTP/1.1 200 OK\r\nContent-Length: 50000\r\n\r\n");
        send_file(socket);
    }
}

static void serve(int listener)
{
    for (;;) {
        const int socket = accept(listener, NULL, NULL);

        if (socket < 0)
            _exit(1);
        answer(socket);
        (void) close(socket);
    }
}

static void web_start(struct web *web)
{
    struct sockaddr_in address = { .sin_family = AF_INET };
    socklen_t bytes = sizeof(address);
    const int listener = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);

    assert_true(listener >= 0);
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    assert_int_equal(bind(listener, (struct sockaddr *) &address, bytes), 0);
    assert_int_equal(listen(listener, 8), 0);
    assert_int_equal(
        getsockname(listener, (struct sockaddr *) &address, &bytes), 0);
    web->port = ntohs(address.sin_port);
    web->pid = fork();
    assert_true(web->pid >= 0);
    if (web->pid == 0) {
        (void) prctl(PR_SET_PDEATHSIG, SIGKILL);
        serve(listener);
    }
    (void) close(listener);
}

static void web_stop(const struct web *web)
{
    (void) kill(web->pid, SIGKILL);
    (void) waitpid(web->pid, NULL, 0);
}

static int arm_fetch(struct pair *pair, uint16_t port, const char *path,
                     uint64_t for_ns, struct fault *fault)
{
    struct exchange_order order = pair_order(pair, "download", "receiver");
    struct download_spec spec = { .for_ns = for_ns,
                                  .at_most_ns = 10 * NS_PER_S,
                                  .connections = 1 };

    (void) snprintf(spec.url, sizeof(spec.url), "http://127.0.0.1:%u/%s",
                    (unsigned) port, path);
    memcpy(order.spec.bytes, &spec, sizeof(spec));
    order.peer_port = 0;
    return pair_arm(pair, 0, &order, fault);
}

static void allow(struct pair *pair, uint16_t port, const char *path)
{
    (void) snprintf(pair->urls[0].text, URL_SIZE, "http://127.0.0.1:%u/%s",
                    (unsigned) port, path);
    pair->url_count = 1;
}

static const struct download_outcome *outcome_of(const struct pair *pair)
{
    return (const struct download_outcome *) (const void *) pair->ends[0]
        .account.outcome.bytes;
}

static void an_allowed_file_arrives_whole(void **state)
{
    struct pair *pair = *state;
    struct web web;

    web_start(&web);
    allow(pair, web.port, "files/");
    assert_int_equal(arm_fetch(pair, web.port, "files/one", 0, NULL), 0);
    pair_run(pair);
    web_stop(&web);
    assert_string_equal(pair->ends[0].account.trouble, "");
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_DONE);
    assert_int_equal(outcome_of(pair)->content_bytes, FILE_BYTES);
    const struct rows *arrivals = &pair->ends[0].account.series[0];
    uint64_t arrived_bytes = 0;
    for (size_t i = 0; i < arrivals->count; i++) {
        const struct download_arrival *arrival = rows_at(arrivals, i);

        arrived_bytes += arrival->bytes;
    }
    assert_int_equal(arrived_bytes, FILE_BYTES);
}

static void a_redirect_is_not_followed(void **state)
{
    struct pair *pair = *state;
    struct web web;

    web_start(&web);
    allow(pair, web.port, "");
    assert_int_equal(arm_fetch(pair, web.port, "files/moved", 0, NULL), 0);
    pair_run(pair);
    web_stop(&web);
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_FAILED);
    assert_non_null(
        strstr(pair->ends[0].account.trouble, "302 and points elsewhere"));
    assert_int_equal(outcome_of(pair)->content_bytes, 0);
}

static void a_missing_file_is_told_in_the_servers_words(void **state)
{
    struct pair *pair = *state;
    struct web web;

    web_start(&web);
    allow(pair, web.port, "files/");
    assert_int_equal(arm_fetch(pair, web.port, "files/missing", 0, NULL), 0);
    pair_run(pair);
    web_stop(&web);
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_FAILED);
    assert_non_null(strstr(pair->ends[0].account.trouble, "404: no such file"));
}

static void by_time_the_receiver_ends_it(void **state)
{
    struct pair *pair = *state;
    struct web web;

    web_start(&web);
    allow(pair, web.port, "files/");
    assert_int_equal(
        arm_fetch(pair, web.port, "files/endless", 600 * NS_PER_MS, NULL), 0);
    pair_run(pair);
    web_stop(&web);
    assert_string_equal(pair->ends[0].account.trouble, "");
    assert_int_equal(pair->ends[0].account.state, ACCOUNT_DONE);
    assert_true(outcome_of(pair)->content_bytes > 0);
}

static void a_url_that_the_owner_does_not_allow_is_refused(void **state)
{
    static const char *const paths[] = { "other/one", "files", "../files/one",
                                         "files/../other/one",
                                         "files/%2E%2e/other" };
    struct pair *pair = *state;

    allow(pair, 8080, "files/");
    for (size_t i = 0; i < COUNT_OF(paths); i++) {
        struct fault fault = { 0 };

        assert_true(arm_fetch(pair, 8080, paths[i], 0, &fault) < 0);
    }
    struct fault fault = { 0 };
    assert_true(arm_fetch(pair, 8080, "other/one", 0, &fault) < 0);
    assert_non_null(strstr(fault.text, "allow_urls"));
    assert_non_null(strstr(fault.text, "http://127.0.0.1:8080/other/one"));
    pair->url_count = 0;
    fault = (struct fault){ 0 };
    assert_true(arm_fetch(pair, 8080, "files/one", 0, &fault) < 0);
    assert_non_null(strstr(fault.text, "empty or not there"));
}

static void an_address_that_is_not_the_urls_host_is_refused(void **state)
{
    struct pair *pair = *state;
    struct exchange_order order = pair_order(pair, "download", "receiver");
    struct download_spec spec = { .at_most_ns = NS_PER_S,
                                  .connections = 1,
                                  .url = "http://127.0.0.1:8080/files/one" };
    struct fault fault = { 0 };

    allow(pair, 8080, "files/");
    (void) snprintf(order.peer_address, ADDRESS_SIZE, "127.0.0.2");
    memcpy(order.spec.bytes, &spec, sizeof(spec));
    assert_true(pair_arm(pair, 0, &order, &fault) < 0);
    assert_non_null(strstr(fault.text, "the order's address is 127.0.0.2"));
}

static void urls_are_read_as_rfc_3986_writes_them(void **state)
{
    static const struct {
        const char *text, *host;
        uint16_t port;
    } good[] = {
        { "http://10.71.0.1/", "10.71.0.1", 80 },
        { "http://router.example:8080/a/b?c=d", "router.example", 8080 },
        { "http://[fd71::1]:81/x", "fd71::1", 81 },
        { "http://10.71.0.1/a..b/...c/.hidden", "10.71.0.1", 80 },
    };
    static const char *const bad[] = {
        "https://10.71.0.1/",
        "http://10.71.0.1",
        "http:///x",
        "http://me@10.71.0.1/",
        "http://10.71.0.1:0/",
        "http://10.71.0.1:65536/",
        "http://10.71.0.1:1x/",
        "http://[fd71::1/",
        "http://10.71.0.1/a b",
        "http://10.71.0.1/a/../b",
        "http://10.71.0.1/a/.",
        "http://10.71.0.1/%2e%2E/b",
        "http://10.71.0.1/a#b",
        "ftp://10.71.0.1/",
        "http://10.71.0.1/\x01",
        "",
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(good); i++) {
        struct url url;

        assert_null(url_objection(good[i].text));
        assert_true(url_split(good[i].text, &url));
        assert_string_equal(url.host, good[i].host);
        assert_int_equal(url.port, good[i].port);
    }
    for (size_t i = 0; i < COUNT_OF(bad); i++)
        assert_non_null(url_objection(bad[i]));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(urls_are_read_as_rfc_3986_writes_them),
        PAIR_TEST(an_allowed_file_arrives_whole),
        PAIR_TEST(a_redirect_is_not_followed),
        PAIR_TEST(a_missing_file_is_told_in_the_servers_words),
        PAIR_TEST(by_time_the_receiver_ends_it),
        PAIR_TEST(a_url_that_the_owner_does_not_allow_is_refused),
        PAIR_TEST(an_address_that_is_not_the_urls_host_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
