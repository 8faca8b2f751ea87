/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/options.h"

#include "controller/quantity.h"
#include "controller/text.h"

#include <ctype.h>
#include <string.h>
#include <uv.h>

#define OPTION_COUNT_MAX 32
#define NUMBER_MAX       1e9 /* beyond it any number will do */
#define LINE_COLUMNS     79
#define HELP_INDENT      24 /* column at which the explanations begin */

struct command_line {
    const struct command *command;
    const char *const *words; /* borrowed */
    size_t word_count, next;
    void *options;
    bool given[OPTION_COUNT_MAX];
    struct fault *fault;
};

static int refuse_unknown(const struct command_line *line, const char *word)
{
    const struct command *command = line->command;
    const char *known[OPTION_COUNT_MAX + 2] = { "help" };
    char quoted[128];

    for (size_t i = 0; i < command->option_count; i++)
        known[i + 1] = command->options[i].key;
    known[command->option_count + 1] = NULL;

    const char *nearest = text_nearest(word, known);
    quantity_quote(word, quoted, sizeof(quoted));
    if (nearest)
        return fault_set(line->fault, UV_EINVAL,
                         "unknown option '--%s, did you mean '--%s'?",
                         quoted + 1, nearest);
    return fault_set(line->fault, UV_EINVAL,
                     "unknown option '--%s; 'bothends %s --help' lists them",
                     quoted + 1, command->name);
}

static const struct field *find_option(const struct command *command,
                                       const char *word, size_t length)
{
    for (size_t i = 0; i < command->option_count; i++) {
        const char *key = command->options[i].key;

        if (strlen(key) == length && strncmp(key, word, length) == 0)
            return &command->options[i];
    }
    return NULL;
}

/* The value behind '=', or the next word; NULL when there is none. */
static const char *take_value(struct command_line *line, const char *equals)
{
    if (equals)
        return equals + 1;
    if (line->next == line->word_count)
        return NULL;
    return line->words[line->next++];
}

static int set_option(struct command_line *line, const struct field *option,
                      const char *equals)
{
    const bool is_flag = option->shape == FIELD_FLAG;
    struct complaint complaint;
    char expected[sizeof(complaint.expected)];

    if (is_flag && equals)
        return fault_set(line->fault, UV_EINVAL, "option '--%s' takes no value",
                         option->key);
    quantity_describe(option, expected, sizeof(expected));
    const char *value = is_flag ? "yes" : take_value(line, equals);
    if (!value || !value[0])
        return fault_set(line->fault, UV_EINVAL,
                         "option '--%s': found nothing, expected %s",
                         option->key, expected);
    if (quantity_read(option, value, line->options, &complaint) != 0)
        return fault_set(line->fault, UV_EINVAL,
                         "option '--%s': found %s, expected %s", option->key,
                         complaint.found, complaint.expected);
    return 0;
}

static int read_option(struct command_line *line, const char *word)
{
    const size_t length = strcspn(word, "=");
    const char *equals = word[length] ? word + length : NULL;
    const struct field *option = find_option(line->command, word, length);

    if (strcmp(word, "help") == 0)
        return OPTIONS_HELP;
    if (!option) {
        char name[64];

        (void) snprintf(name, sizeof(name), "%.*s", (int) length, word);
        return refuse_unknown(line, name);
    }
    bool *given = &line->given[option - line->command->options];
    if (*given)
        return fault_set(line->fault, UV_EINVAL, "option '--%s' is given twice",
                         option->key);
    *given = true;
    return set_option(line, option, equals);
}

static int check_needed(const struct command_line *line)
{
    const struct command *command = line->command;

    for (size_t i = 0; i < command->option_count; i++) {
        if (!command->options[i].preset && !line->given[i])
            return fault_set(line->fault, UV_EINVAL,
                             "option '--%s' is needed (%s)",
                             command->options[i].key, command->options[i].help);
    }
    return 0;
}

static int check_argument_count(const struct command_line *line, size_t count)
{
    const struct command *command = line->command;

    if (count < command->least_arguments)
        return fault_set(line->fault, UV_EINVAL,
                         "found %s, expected: bothends %s %s",
                         count ? "too few arguments" : "no argument",
                         command->name, command->arguments);
    if (count > command->most_arguments)
        return fault_set(line->fault, UV_EINVAL,
                         "found %zu argument%s, expected: bothends %s%s%s",
                         count, count == 1 ? "" : "s", command->name,
                         command->arguments[0] ? " " : "", command->arguments);
    return 0;
}

int options_read(const struct command *command, const char *const *words,
                 size_t word_count, void *options, const char **ret_arguments,
                 size_t *ret_argument_count, struct fault *fault)
{
    struct command_line line = { .command = command,
                                 .words = words,
                                 .word_count = word_count,
                                 .options = options,
                                 .fault = fault };
    bool is_option_possible = true;
    size_t count = 0;

    quantity_preset_all(command->options, command->option_count, options);
    while (line.next < word_count) {
        const char *word = words[line.next++];
        int status = 0;

        if (is_option_possible && strcmp(word, "--") == 0)
            is_option_possible = false;
        else if (is_option_possible && strncmp(word, "--", 2) == 0)
            status = read_option(&line, word + 2);
        else if (is_option_possible && word[0] == '-' && word[1])
            return fault_set(fault, UV_EINVAL,
                             "options are long ones, such as --help");
        else
            ret_arguments[count++] = word;
        if (status != 0)
            return status;
    }
    *ret_argument_count = count;
    if (check_argument_count(&line, count) != 0)
        return UV_EINVAL;
    return check_needed(&line);
}

/* Where a line of at most that many columns may end: at a blank, if any. */
static size_t break_at(const char *text, size_t columns)
{
    size_t end = columns;

    if (strlen(text) <= columns)
        return strlen(text);
    while (end > 0 && text[end] != ' ')
        end--;
    return end ? end : strcspn(text, " ");
}

void options_print_wrapped(FILE *out, int indent, const char *text)
{
    const size_t columns = (size_t) (LINE_COLUMNS - indent);

    for (;;) {
        const size_t length = break_at(text, columns);

        (void) fprintf(out, "%.*s\n", (int) length, text);
        text += length;
        text += strspn(text, " ");
        if (!*text)
            return;
        (void) fprintf(out, "%*s", indent, "");
    }
}

/* "how long to wait (1 ms to 1 min); default: 2 s": what holds where the option
 * is left out comes last, be it a preset or words of its help. */
static void explain_option(const struct field *option, char *ret_text,
                           size_t size)
{
    const char *otherwise = strstr(option->help, "; default: ");
    const int explained = (int) (otherwise ? otherwise - option->help
                                           : (ptrdiff_t) strlen(option->help));
    const bool has_preset =
        option->shape != FIELD_FLAG && option->preset && option->preset[0];
    char limits[96] = "", choices[256] = "";

    if (option->most < NUMBER_MAX || option->unit != UNIT_COUNT)
        quantity_limits(option, limits, sizeof(limits));
    if (option->shape == FIELD_CHOICE)
        text_join(option->choices, choices, sizeof(choices));
    (void) snprintf(ret_text, size, "%.*s%s%s%s%s%s%s%s%s", explained,
                    option->help, choices[0] ? ": " : "", choices,
                    limits[0] ? " (" : "", limits, limits[0] ? ")" : "",
                    otherwise ? otherwise : "", has_preset ? "; default: " : "",
                    has_preset ? option->preset : "");
}

static void print_option(FILE *out, const struct field *option)
{
    char word[64], text[512];
    size_t used = (size_t) snprintf(word, sizeof(word), "  --%s", option->key);

    if (option->shape != FIELD_FLAG && used < sizeof(word)) {
        word[used++] = ' ';
        for (const char *at = option->name; *at && used + 1 < sizeof(word);
             at++)
            word[used++] = (char) toupper((unsigned char) *at);
        word[used] = '\0';
    }
    explain_option(option, text, sizeof(text));
    (void) fprintf(out, "%-*s", HELP_INDENT, word);
    if (strlen(word) >= HELP_INDENT)
        (void) fprintf(out, "\n%*s", HELP_INDENT, "");
    options_print_wrapped(out, HELP_INDENT, text);
}

void options_print_help(FILE *out, const struct command *command)
{
    (void) fprintf(out, "usage: bothends %s%s%s%s\n\n", command->name,
                   command->option_count ? " [OPTIONS]" : "",
                   command->arguments[0] ? " " : "", command->arguments);
    options_print_wrapped(out, 0, command->help);
    (void) fputs("\n", out);
    for (size_t i = 0; i < command->option_count; i++)
        print_option(out, &command->options[i]);
    (void) fprintf(out, "%-*s%s\n", HELP_INDENT, "  --help",
                   "explain this command");
}
