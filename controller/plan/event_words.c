/* SPDX-License-Identifier: GPL-3.0-or-later */

/* Events as words: "loss chance=10% from=skerry". */
#include "controller/plan/event.h"
#include "controller/quantity.h"

#include <string.h>
#include <uv.h>

#define WORDS_SIZE 400

static int refuse_words(struct fault *fault, const char *key, const char *found,
                        const char *expected)
{
    return fault_set(fault, UV_EINVAL, "%s: found %s, expected %s", key, found,
                     expected);
}

/* "other traffic": all words before the first key. */
static int read_what(const char *words, size_t length,
                     struct plan_event *ret_event, struct fault *fault)
{
    const struct field *field = &plan_event_fields[event_row("what", 4)];
    struct complaint complaint;
    char what[WORDS_SIZE];

    (void) snprintf(what, sizeof(what), "%.*s", (int) length, words);
    if (length == 0) {
        char expected[sizeof(complaint.expected)];

        quantity_describe(field, expected, sizeof(expected));
        return refuse_words(fault, "event", "nothing", expected);
    }
    if (quantity_read(field, what, ret_event, &complaint) != 0)
        return refuse_words(fault, "event", complaint.found,
                            complaint.expected);
    return 0;
}

/* What was said before the keys, and when: as soon as it is read. */
static bool is_key(size_t row)
{
    return row < COUNT_OF(plan_event_fields)
           && strcmp(plan_event_fields[row].key, "at") != 0
           && strcmp(plan_event_fields[row].key, "what") != 0;
}

static int refuse_unknown_key(const char *word, int what, struct fault *fault)
{
    char found[80], all[160];

    quantity_quote(word, found, sizeof(found));
    event_list_keys(what, all, sizeof(all));
    return fault_set(fault, UV_EINVAL, "%s: found %s, expected KEY=VALUE of %s",
                     plan_event_words[what], found, all);
}

/* "chance=10%" */
static int read_word(const char *word, struct plan_event *event, bool said[],
                     struct fault *fault)
{
    const char *equals = strchr(word, '=');
    const size_t length = equals ? (size_t) (equals - word) : 0;
    const size_t row = event_row(word, length);
    struct complaint complaint;

    if (!equals || !is_key(row))
        return refuse_unknown_key(word, event->what, fault);
    const struct field *field = &plan_event_fields[row];
    if (said[row])
        return refuse_words(fault, field->key, "it twice", "each key once");
    said[row] = true;
    if (quantity_read(field, equals + 1, event, &complaint) != 0)
        return refuse_words(fault, field->key, complaint.found,
                            complaint.expected);
    return 0;
}

/* Where the first word with '=' begins; the end where none has. */
static size_t keys_begin(const char *words)
{
    size_t at = 0;

    while (words[at]) {
        const size_t length = strcspn(words + at, " ");

        if (memchr(words + at, '=', length))
            break;
        at += length;
        at += strspn(words + at, " ");
    }
    return at;
}

int event_read(const struct plan *plan, const char *words, uint64_t at_ns,
               struct plan_event *ret_event, struct fault *fault)
{
    bool said[COUNT_OF(plan_event_fields)] = { false };
    struct event_mistake mistake;
    struct plan_event event;
    char copy[WORDS_SIZE], *rest = NULL;

    words += strspn(words, " ");
    if (strlen(words) >= sizeof(copy))
        return refuse_words(fault, "event", "a longer text",
                            "what and its keys");
    quantity_preset_all(plan_event_fields, COUNT_OF(plan_event_fields), &event);
    const size_t begin = keys_begin(words);
    size_t what_length = begin;
    while (what_length > 0 && words[what_length - 1] == ' ')
        what_length--;
    int status = read_what(words, what_length, &event, fault);

    memcpy(copy, words + begin, strlen(words + begin) + 1);
    for (char *word = strtok_r(copy, " ", &rest); word && !status;
         word = strtok_r(NULL, " ", &rest))
        status = read_word(word, &event, said, fault);
    if (!status && !event_is_right(plan, &event, said, &mistake))
        status =
            refuse_words(fault, mistake.key, mistake.found, mistake.expected);
    if (status)
        return status;
    event.at_ns = at_ns;
    *ret_event = event;
    return 0;
}

void event_write(const struct plan_event *event, char *ret_text)
{
    size_t used = (size_t) snprintf(ret_text, EVENT_TEXT_SIZE, "%s",
                                    plan_event_words[event->what]);

    for (size_t i = 0; i < COUNT_OF(plan_event_fields); i++) {
        const struct field *field = &plan_event_fields[i];
        char value[QUANTITY_TEXT_SIZE];

        if (!is_key(i) || !quantity_is_said(field, event)
            || quantity_is_preset(field, event) || used >= EVENT_TEXT_SIZE)
            continue;
        quantity_write(field, event, value, sizeof(value));
        used += (size_t) snprintf(ret_text + used, EVENT_TEXT_SIZE - used,
                                  " %s=", field->key);
        for (const char *at = value; *at && used + 1 < EVENT_TEXT_SIZE; at++) {
            if (*at != ' ')
                ret_text[used++] = *at;
        }
        if (used < EVENT_TEXT_SIZE)
            ret_text[used] = '\0';
    }
}
