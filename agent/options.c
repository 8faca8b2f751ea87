/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/options.h"

#include "agent/log.h"

#include <bothends/plan.h>
#include <errno.h>
#include <string.h>
#include <uv.h>

struct option_row {
    struct field field;
    const char *value_word; /* in the help; NULL: takes no value */
    bool repeats;           /* given again: joined by a comma */
};

#define AT(member)  FIELD_AT(struct agent_options, member)
#define PORT_PRESET "7907"

/* Of the help. */
#define HELP_INDENT  24
#define LINE_COLUMNS 79

/* clang-format off */
static const char *const log_choices[] = { "error", "warning", "info", "debug", NULL };

static const struct option_row option_rows[] = {
    { { "listen", "listen", FIELD_TEXT, UNIT_NONE, AT(listen), 0, 0, "", NULL, "address to listen on, or several with commas between; default: all with a key, loopback only without one" }, "ADDRESS", true },
    { { "port", "port", FIELD_WHOLE, UNIT_NONE, AT(port), 0, 65535, PORT_PRESET, NULL, "TCP and UDP port; 0: a free one" }, "N", false },
    { { "key", "key", FIELD_TEXT, UNIT_NONE, AT(key), 0, 0, "", NULL, "file with this agent's key, shared with the controller" }, "FILE", false },
    { { "new_key", "new-key", FIELD_TEXT, UNIT_NONE, AT(new_key), 0, 0, "", NULL, "make a key, write it to this file, and end" }, "FILE", false },
    { { "spool", "spool", FIELD_TEXT, UNIT_NONE, AT(spool), 0, 0, "", NULL, "folder for results that the controller has not fetched yet; default: .local/state/bothends/spool at home, /var/lib/bothends/spool for root" }, "DIR", false },
    { { "config", "config", FIELD_TEXT, UNIT_NONE, AT(config), 0, 0, "", NULL, "the owner's file: which rate steps may be set and by what command, what reads the radio, what may be fetched" }, "FILE", false },
    { { "name", "name", FIELD_TEXT, UNIT_NONE, AT(name), 0, 0, "", NULL, "what this end is called when it tells of itself; default: the computer's name" }, "NAME", false },
    { { "practice_clock", "practice-clock", FIELD_TEXT, UNIT_NONE, AT(practice_clock), 0, 0, "", NULL, "on a practice link: file that says how wrong this computer's wall clock is" }, "FILE", false },
    { { "log", "log", FIELD_CHOICE, UNIT_NONE, AT(log), 0, 0, "warning", log_choices, "how much is told on standard error: error, warning, info or debug" }, "LEVEL", false },
    { { "end_with_parent", "end-with-parent", FIELD_FLAG, UNIT_NONE, AT(end_with_parent), 0, 0, "no", NULL, "end when the program that started this one ends" }, NULL, false },
    { { "help", "help", FIELD_FLAG, UNIT_NONE, AT(help), 0, 0, "no", NULL, "explain these options" }, NULL, false },
    { { "version", "version", FIELD_FLAG, UNIT_NONE, AT(version), 0, 0, "no", NULL, "tell which bothends this is" }, NULL, false },
};
/* clang-format on */

static_assert(AGENT_PORT == 7907, "the help and the plan name one port");

static const struct option_row *find_row(const char *word, size_t word_length)
{
    for (size_t i = 0; i < COUNT_OF(option_rows); i++) {
        const char *key = option_rows[i].field.key;

        if (strlen(key) == word_length && strncmp(key, word, word_length) == 0)
            return &option_rows[i];
    }
    return NULL;
}

static int read_text(const struct option_row *row, const char *text, char *room,
                     struct fault *fault)
{
    const size_t used = row->repeats ? strlen(room) : 0;
    const size_t room_bytes = row->field.size - used;
    const int length =
        snprintf(room + used, room_bytes, used ? ",%s" : "%s", text);

    if (text[0] == '\0')
        return fault_set(fault, UV_EINVAL, "--%s: found nothing, expected %s",
                         row->field.key, row->value_word);
    if (length < 0 || (size_t) length >= room_bytes)
        return fault_set(fault, UV_E2BIG,
                         "--%s: found more than %zu bytes, expected less",
                         row->field.key, row->field.size - 1);
    return 0;
}

static int read_whole(const struct option_row *row, const char *text,
                      uint64_t *value, struct fault *fault)
{
    char *end = NULL;

    errno = 0;
    const unsigned long long number = strtoull(text, &end, 10);
    if (text[0] < '0' || text[0] > '9' || *end || errno
        || (double) number < row->field.least
        || (double) number > row->field.most)
        return fault_set(fault, UV_EINVAL,
                         "--%s: found '%.60s', expected a whole number from "
                         "%.0f to %.0f",
                         row->field.key, text, row->field.least,
                         row->field.most);
    *value = number;
    return 0;
}

static int read_choice(const struct option_row *row, const char *text,
                       int *value, struct fault *fault)
{
    char offered[128] = "";
    size_t used = 0;

    for (int i = 0; row->field.choices[i]; i++) {
        if (strcmp(row->field.choices[i], text) == 0) {
            *value = i;
            return 0;
        }
        used += (size_t) snprintf(offered + used, sizeof(offered) - used,
                                  "%s%s", i ? ", " : "", row->field.choices[i]);
    }
    return fault_set(fault, UV_EINVAL,
                     "--%s: found '%.60s', expected one of %s", row->field.key,
                     text, offered);
}

static int read_value(const struct option_row *row, const char *text,
                      struct agent_options *options, struct fault *fault)
{
    void *member = field_in(&row->field, options);

    switch (row->field.shape) {
    case FIELD_TEXT:
        return read_text(row, text, member, fault);
    case FIELD_WHOLE:
        return read_whole(row, text, member, fault);
    case FIELD_CHOICE:
        return read_choice(row, text, member, fault);
    case FIELD_FLAG:
        *(bool *) member = strcmp(text, "yes") == 0;
        return 0;
    case FIELD_SIGNED:
    case FIELD_REAL:
    case FIELD_RANGE:
    case FIELD_SPREAD:
        break;
    }
    return fault_set(fault, UV_ENOSYS, "--%s: not of a shape known here",
                     row->field.key);
}

static int read_presets(struct agent_options *options, struct fault *fault)
{
    int result = 0;

    memset(options, 0, sizeof(*options));
    for (size_t i = 0; i < COUNT_OF(option_rows) && result == 0; i++) {
        if (option_rows[i].field.preset[0])
            result = read_value(&option_rows[i], option_rows[i].field.preset,
                                options, fault);
    }
    return result;
}

/* One option; *at moves on by what it took. */
static int read_option(char *const *arguments, int argument_count, int *at,
                       struct agent_options *options, struct fault *fault)
{
    const char *argument = arguments[(*at)++];

    if (strncmp(argument, "--", 2) != 0 || !argument[2])
        return fault_set(fault, UV_EINVAL,
                         "found '%.60s', expected options only; see --help",
                         argument);
    const char *word = argument + 2;
    const size_t word_length = strcspn(word, "=");
    const char *value = word[word_length] ? word + word_length + 1 : NULL;
    const struct option_row *row = find_row(word, word_length);
    if (!row)
        return fault_set(fault, UV_EINVAL,
                         "unknown option '--%.*s'; see --help",
                         (int) (word_length < 60 ? word_length : 60), word);
    if (!row->value_word && value)
        return fault_set(fault, UV_EINVAL,
                         "--%s: found '%.60s', expected no value",
                         row->field.key, value);
    if (!row->value_word)
        value = "yes";
    if (!value && *at < argument_count)
        value = arguments[(*at)++];
    if (!value)
        return fault_set(fault, UV_EINVAL, "--%s: found nothing, expected %s",
                         row->field.key, row->value_word);
    return read_value(row, value, options, fault);
}

int options_read(int argument_count, char *const *arguments,
                 struct agent_options *ret_options, struct fault *fault)
{
    struct agent_options options;
    int result = read_presets(&options, fault);

    for (int at = 1; at < argument_count && result == 0;)
        result = read_option(arguments, argument_count, &at, &options, fault);
    if (result == 0)
        *ret_options = options;
    return result;
}

/* Behind the option's word, broken at blanks. */
static void print_explanation(FILE *out, const char *text)
{
    int column = HELP_INDENT;

    while (*text) {
        const int length = (int) strcspn(text, " ");

        if (column > HELP_INDENT && column + 1 + length > LINE_COLUMNS) {
            (void) fprintf(out, "\n%*s", HELP_INDENT, "");
            column = HELP_INDENT;
        }
        const bool is_first = column == HELP_INDENT;
        (void) fprintf(out, "%s%.*s", is_first ? "" : " ", length, text);
        column += length + !is_first;
        text += length;
        text += strspn(text, " ");
    }
    (void) fputc('\n', out);
}

void options_print_help(FILE *out)
{
    (void) fputs("usage: bothends-agent [OPTIONS]\n\n"
                 "The program on each end of a link: it takes part in "
                 "exchanges that a controller\n"
                 "(bothends run) asks for, and hands back what it saw.\n\n",
                 out);
    for (size_t i = 0; i < COUNT_OF(option_rows); i++) {
        const struct option_row *row = &option_rows[i];
        const bool has_preset = row->value_word && row->field.preset[0];
        char head[64], text[256];

        (void) snprintf(head, sizeof(head), "  --%s %s", row->field.key,
                        row->value_word ? row->value_word : "");
        (void) snprintf(text, sizeof(text), "%s%s%s", row->field.help,
                        has_preset ? "; default: " : "",
                        has_preset ? row->field.preset : "");
        (void) fprintf(out, "%-*s", HELP_INDENT, head);
        if (strlen(head) >= HELP_INDENT)
            (void) fprintf(out, "\n%*s", HELP_INDENT, "");
        print_explanation(out, text);
    }
}
