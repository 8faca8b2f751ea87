/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * Exercises controller/plan/event.c with controller/quantity: any text is read
 * as an event, and then written as words that read back as the same; or refused
 * with something that can be printed.
 */
#include "controller/plan/event.h"
#include "controller/text.h"
#include "tests/support/replay.h"

#include <stdlib.h>
#include <string.h>

#define TEXT_BYTES_MAX 1000

static const struct plan plan = {
    .steps = { { .name = "slow" }, { .name = "quick" } },
    .step_count = 2,
    .ends = { { .name = "harbour", .role = ROLE_HUB },
              { .name = "skerry", .role = ROLE_STATION },
              { .name = "radio",
                .role = ROLE_STATION,
                .landmark = LANDMARK_FAR_RADIO } },
    .end_count = 3,
};

static void fail(const char *what, const char *words)
{
    (void) fprintf(stderr, "%s: %s\n", what, words);
    abort();
}

static void check_round_trip(const struct plan_event *event)
{
    struct plan_event again;
    struct fault fault = { 0 };
    char words[EVENT_TEXT_SIZE];

    event_write(event, words);
    if (event_read(&plan, words, event->at_ns, &again, &fault) != 0)
        fail(fault.text, words);
    for (size_t i = 0; i < COUNT_OF(plan_event_fields); i++) {
        const struct field *field = &plan_event_fields[i];

        if (memcmp(field_of(field, event), field_of(field, &again), field->size)
            != 0)
            fail("reads back as another event", words);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char words[TEXT_BYTES_MAX + 1];
    struct plan_event event;
    struct fault fault = { 0 };

    if (size > TEXT_BYTES_MAX)
        return 0;
    memcpy(words, data, size);
    words[size] = '\0';
    if (event_read(&plan, words, 42, &event, &fault) == 0)
        check_round_trip(&event);
    else if (!fault.text[0] || !text_is_printable(fault.text))
        fail("a mistake that can't be printed", words);
    return 0;
}
