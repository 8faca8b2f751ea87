/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/bench/web_server.h"

#include "tests/bench/programs.h"

#include <curl/curl.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define FILE_BYTES    ((off_t) 1 << 32) /* holds no data on the disk */
#define BUFFER_BYTES  (512L * 1024)     /* as the agent's own */
#define CONNECT_TRIES 60
#define TRY_WAIT_NS   50000000L
#define PORT          "18907"
#define URL           "http://127.0.0.1:" PORT "/web/large"

static pid_t start_server(void)
{
    (void) fflush(stdout); /* the child's freopen() would print it again */
    const pid_t pid = fork();

    if (pid != 0)
        return pid;
    (void) prctl(PR_SET_PDEATHSIG, SIGKILL);
    if (!freopen("web.said", "w", stdout) || !freopen("web.said", "w", stderr))
        _exit(127);
    (void) execlp("python3", "python3", "-m", "http.server", "--bind",
                  "127.0.0.1", PORT, (char *) NULL);
    _exit(127);
}

static size_t swallow(char *content, size_t unit_bytes, size_t unit_count,
                      void *owner)
{
    (void) content;
    (void) owner;
    return unit_bytes * unit_count;
}

/* 0: nobody answered. */
static double fetch_bps(int seconds_most)
{
    curl_off_t bytes_per_s = 0;
    CURL *easy = curl_easy_init();

    if (!easy)
        return 0;
    (void) curl_easy_setopt(easy, CURLOPT_URL, URL);
    (void) curl_easy_setopt(easy, CURLOPT_PROXY, "");
    (void) curl_easy_setopt(easy, CURLOPT_FAILONERROR, 1L);
    (void) curl_easy_setopt(easy, CURLOPT_BUFFERSIZE, BUFFER_BYTES);
    (void) curl_easy_setopt(easy, CURLOPT_WRITEFUNCTION, swallow);
    (void) curl_easy_setopt(easy, CURLOPT_TIMEOUT, (long) seconds_most);
    const CURLcode code = curl_easy_perform(easy);
    /* The time may be over before the file is. */
    if (code == CURLE_OK || code == CURLE_OPERATION_TIMEDOUT)
        (void) curl_easy_getinfo(easy, CURLINFO_SPEED_DOWNLOAD_T, &bytes_per_s);
    curl_easy_cleanup(easy);
    return (double) bytes_per_s * 8;
}

void web_server_beside(int seconds_most)
{
    const struct timespec wait = { .tv_nsec = TRY_WAIT_NS };
    double bps = 0;

    bench_command("mkdir web && truncate -s %lld web/large",
                  (long long) FILE_BYTES);
    const pid_t server = start_server();
    for (int i = 0; i < CONNECT_TRIES && bps <= 0 && server > 0; i++) {
        if (waitpid(server, NULL, WNOHANG) == server) {
            (void) printf("no general web server here to compare with\n");
            return;
        }
        (void) nanosleep(&wait, NULL);
        bps = fetch_bps(seconds_most);
    }
    if (server > 0) {
        (void) kill(server, SIGKILL);
        (void) waitpid(server, NULL, 0);
    }
    (void) printf("the same client from a general web server: %.2f Gbit/s\n",
                  bps / 1e9);
}
