/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/readings.h"

#include "agent/clock.h"
#include "agent/command.h"
#include "agent/log.h"
#include "agent/memory.h"
#include "agent/wire/readings.h"

#include <assert.h>

/* Not worth starting a command for. */
#define SHORTEST_MS 20

struct request {
    struct request *next;
    uint64_t latest_ns; /* 0: none */
    bool is_served;     /* by the command that runs */
    readings_done_fn *on_done;
    void *owner; /* borrowed */
};

struct readings {
    uv_loop_t *loop;
    const struct agent_config *config; /* borrowed */
    struct request *requests;
    struct command *command;    /* NULL: none runs */
    uv_idle_t idle;             /* starts the next one, from the loop */
    uint64_t begun_ns, took_ns; /* the latest one */
    bool is_closing, is_cancelled;
};

/* The flow, top to bottom. */
static void on_idle(uv_idle_t *idle);
static void on_command_done(void *owner, const struct fault *fault,
                            const char *output, size_t output_bytes);
static void answer_served(struct readings *readings, const struct rows *rows,
                          const struct fault *fault);
static void start_when_wanted(struct readings *readings);
static void close_when_free(struct readings *readings);

struct readings *readings_open(uv_loop_t *loop,
                               const struct agent_config *config)
{
    struct readings *readings = mem_new(struct readings);

    readings->loop = loop;
    readings->config = config;
    (void) uv_idle_init(loop, &readings->idle);
    readings->idle.data = readings;
    return readings;
}

bool readings_can(const struct readings *readings)
{
    return readings->config && readings->config->readings_command[0];
}

void readings_ask(struct readings *readings, uint64_t latest_ns,
                  readings_done_fn *on_done, void *owner)
{
    struct request *request = mem_new(struct request);
    struct request **link = &readings->requests;

    assert(readings_can(readings) && !readings->is_closing);
    request->latest_ns = latest_ns;
    request->on_done = on_done;
    request->owner = owner;
    while (*link)
        link = &(*link)->next;
    *link = request;
    start_when_wanted(readings);
}

void readings_forget(struct readings *readings, const void *owner)
{
    for (struct request **link = &readings->requests; *link;) {
        struct request *request = *link;

        if (request->owner != owner) {
            link = &request->next;
            continue;
        }
        *link = request->next;
        free(request);
    }
}

void readings_cancel(struct readings *readings)
{
    readings->is_cancelled = true;
    if (readings->command)
        command_cancel(readings->command);
}

uint64_t readings_took_ns(const struct readings *readings)
{
    return readings->took_ns;
}

static void on_tried(void *owner, const struct rows *rows,
                     const struct fault *fault)
{
    (void) owner;
    if (!fault->code)
        log_info("readings: the owner's command tells %zu values", rows->count);
}

void readings_try(struct readings *readings)
{
    if (readings_can(readings))
        readings_ask(readings, 0, on_tried, readings);
}

static void start_when_wanted(struct readings *readings)
{
    if (readings->requests && !readings->command && !readings->is_closing)
        (void) uv_idle_start(&readings->idle, on_idle);
}

/* The most time that all who are served have. */
static uint64_t timeout_ms(const struct readings *readings)
{
    const uint64_t now_ns = clock_now_ns();
    uint64_t most_ms = READINGS_TIMEOUT_MS;

    for (const struct request *request = readings->requests; request;
         request = request->next) {
        const uint64_t left_ms = request->latest_ns > now_ns
                                     ? (request->latest_ns - now_ns) / NS_PER_MS
                                     : 0;

        if (request->latest_ns && left_ms < most_ms)
            most_ms = left_ms;
    }
    return most_ms;
}

static void on_idle(uv_idle_t *idle)
{
    struct readings *readings = idle->data;
    struct fault fault = { 0 };
    const struct command_wish wish = {
        .loop = readings->loop,
        .arguments = readings->config->readings_command,
        .timeout_ms = timeout_ms(readings),
        .output_most_bytes = READINGS_OUTPUT_MOST,
        .on_done = on_command_done,
        .owner = readings,
    };

    (void) uv_idle_stop(idle);
    for (struct request *request = readings->requests; request;
         request = request->next)
        request->is_served = true;
    if (!readings->requests)
        return;
    readings->begun_ns = clock_now_ns();
    if (readings->is_cancelled)
        (void) fault_set(&fault, UV_ECANCELED, "the agent is ending");
    else if (wish.timeout_ms < SHORTEST_MS)
        (void) fault_set(&fault, UV_ETIMEDOUT,
                         "no time was left before the start");
    else
        (void) command_start(&wish, &readings->command, &fault);
    if (fault.code)
        answer_served(readings, NULL, &fault);
}

static void on_command_done(void *owner, const struct fault *fault,
                            const char *output, size_t output_bytes)
{
    struct readings *readings = owner;
    struct rows rows = { .row_size = sizeof(struct radio_reading) };
    struct fault trouble = *fault;
    struct fault why = { 0 };

    readings->command = NULL;
    readings->took_ns = clock_now_ns() - readings->begun_ns;
    if (!trouble.code
        && readings_parse(output, output_bytes, READING_BEFORE,
                          READING_BY_COMMAND, &rows, &why)
               < 0)
        (void) fault_set(&trouble, why.code, "'%s': %s",
                         readings->config->readings_command[0], why.text);
    if (trouble.code)
        log_warning("readings: %s", trouble.text);
    answer_served(readings, &rows, &trouble);
    rows_clear(&rows);
    close_when_free(readings);
}

/* Those who are told may ask again, or forget others. */
static void answer_served(struct readings *readings, const struct rows *rows,
                          const struct fault *fault)
{
    for (;;) {
        struct request **link = &readings->requests;

        while (*link && !(*link)->is_served)
            link = &(*link)->next;
        struct request *request = *link;
        if (!request)
            break;
        *link = request->next;
        request->on_done(request->owner, rows, fault);
        free(request);
    }
    start_when_wanted(readings);
}

static void on_closed(uv_handle_t *handle)
{
    free(handle->data);
}

static void close_when_free(struct readings *readings)
{
    if (readings->is_closing && !readings->command)
        uv_close((uv_handle_t *) &readings->idle, on_closed);
}

void readings_close(struct readings *readings)
{
    if (!readings)
        return;
    while (readings->requests)
        readings_forget(readings, readings->requests->owner);
    readings->is_closing = true;
    readings_cancel(readings);
    close_when_free(readings);
}
