/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/operator.h"

#include "agent/wire/readings.h"

#include <errno.h>
#include <poll.h>
#include <string.h>
#include <unistd.h>

/* So often the loop is run while the operator is waited for. */
static const int input_look_ms = 100;

/* The next byte of the input; false at its end, or when the operator wants to
 * end.  The loop runs meanwhile, for it hears of Ctrl-C; a blocking read would
 * be taken up again after the signal. */
static bool read_byte(struct conductor *conductor, char *ret_byte)
{
    struct pollfd input = { .fd = conductor->wish->input, .events = POLLIN };

    for (;;) {
        const int ready = poll(&input, 1, input_look_ms);

        (void) uv_run(&conductor->loop, UV_RUN_NOWAIT);
        if (conductor->stop)
            return false;
        if (ready > 0)
            return read(input.fd, ret_byte, 1) == 1;
        if (ready < 0 && errno != EINTR)
            return false;
    }
}

bool operator_read_line(struct conductor *conductor, char *ret_line,
                        size_t size)
{
    size_t used = 0;
    char byte;

    while (read_byte(conductor, &byte)) {
        if (byte == '\n') {
            ret_line[used] = '\0';
            return true;
        }
        if (byte != '\r' && used + 1 < size)
            ret_line[used++] = byte;
    }
    return false;
}

static bool is_blank(const char *line)
{
    return line[strspn(line, " \t")] == '\0';
}

/* The line, as one more reading; a mistake is said, and the operator goes on.*/
static void take_line(struct conductor *conductor, const char *line,
                      enum reading_moment moment, struct rows *readings,
                      struct rows *typed)
{
    struct fault fault = { 0 };
    struct radio_reading reading;

    if (readings_parse_line(line, strlen(line), &reading, &fault) == 0) {
        for (size_t i = 0; i < typed->count; i++) {
            if (strcmp(((struct radio_reading *) rows_at(typed, i))->name,
                       reading.name)
                == 0)
                (void) fault_set(&fault, UV_EINVAL,
                                 "found '%s' again, expected each name once",
                                 reading.name);
        }
        if (typed->count >= READINGS_MOST)
            (void) fault_set(&fault, UV_E2BIG,
                             "found more than %d readings, expected an empty "
                             "line",
                             READINGS_MOST);
    }
    if (fault.code) {
        display_say(conductor->display, "readings", TONE_DOUBT, "%s",
                    fault.text);
        return;
    }
    reading.moment = (int) moment;
    reading.source = READING_BY_OPERATOR;
    *(struct radio_reading *) rows_add(typed) = reading;
    *(struct radio_reading *) rows_add(readings) = reading;
}

void operator_ask_readings(struct conductor *conductor, int end,
                           enum reading_moment moment, struct rows *readings)
{
    struct rows typed = { .row_size = sizeof(struct radio_reading) };
    char line[256];

    display_clear_live(conductor->display);
    display_say(conductor->display, "readings", TONE_PLAIN,
                "readings at %s %s the exchange (name=value, empty line ends):",
                conductor->plan->ends[end].name,
                moment == READING_BEFORE ? "before" : "after");
    while (operator_read_line(conductor, line, sizeof(line)) && !is_blank(line))
        take_line(conductor, line, moment, readings, &typed);
    rows_clear(&typed);
}
