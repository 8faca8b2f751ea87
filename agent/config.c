/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/config.h"

#include "agent/memory.h"

#include <errno.h>
#include <fcntl.h>
#include <jansson.h>
#include <sys/stat.h>
#include <unistd.h>
#include <uv.h>

#define CONFIG_MOST_BYTES ((size_t) 64 * 1024)
#define STEP_PLACEHOLDER  "{step}"

/* What a mistake calls the value that it found. */
static const char *describe(const json_t *value, char room[80])
{
    switch (json_typeof(value)) {
    case JSON_STRING:
        (void) snprintf(room, 80, "'%.60s'", json_string_value(value));
        return room;
    case JSON_OBJECT:
        return "an object";
    case JSON_ARRAY:
        return json_array_size(value) ? "a list" : "an empty list";
    case JSON_INTEGER:
    case JSON_REAL:
        return "a number";
    case JSON_TRUE:
    case JSON_FALSE:
        return "true or false";
    case JSON_NULL:
        return "null";
    }
    return "something else";
}

static int mistake(struct fault *fault, const char *place, const json_t *found,
                   const char *expected)
{
    char room[80];

    return fault_set(fault, UV_EINVAL, "%s: found %s, expected %s", place,
                     describe(found, room), expected);
}

static size_t count_placeholders(const char *text)
{
    size_t count = 0;

    for (const char *at = strstr(text, STEP_PLACEHOLDER); at;
         at = strstr(at + 1, STEP_PLACEHOLDER))
        count++;
    return count;
}

/* The program and its arguments; what may not stand where is the caller's. */
static int read_command(const json_t *list, const char *name, const char *key,
                        const char *expected, char **ret_command,
                        struct fault *fault)
{
    char place[160];

    (void) snprintf(place, sizeof(place), "%.100s: %s", name, key);
    if (!json_is_array(list) || json_array_size(list) == 0
        || json_array_size(list) > CONFIG_ARGUMENTS_MAX)
        return mistake(fault, place, list, expected);
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *item = json_array_get(list, i);

        (void) snprintf(place, sizeof(place), "%.100s: %s[%zu]", name, key, i);
        if (!json_is_string(item) || (i == 0 && json_string_length(item) == 0))
            return mistake(fault, place, item,
                           i ? "a text" : "the program's name");
        if (i == 0 && count_placeholders(json_string_value(item)) > 0)
            return mistake(fault, place, item,
                           "the program's name, without {step}");
        ret_command[i] = mem_text(json_string_value(item));
    }
    return 0;
}

static int read_step_command(const json_t *list, const char *name,
                             struct agent_config *config, struct fault *fault)
{
    size_t placeholder_count = 0;
    const int result =
        read_command(list, name, "step_command",
                     "a list of 1 to 32 texts: the program and its "
                     "arguments, one of them with {step}",
                     config->step_command, fault);

    if (result < 0)
        return result;
    for (size_t i = 0; config->step_command[i]; i++)
        placeholder_count += count_placeholders(config->step_command[i]);
    if (placeholder_count != 1)
        return fault_set(fault, UV_EINVAL,
                         "%.100s: step_command: found {step} %zu times, "
                         "expected it once among the arguments",
                         name, placeholder_count);
    return 0;
}

static int read_readings_command(const json_t *list, const char *name,
                                 struct agent_config *config,
                                 struct fault *fault)
{
    return read_command(list, name, "readings_command",
                        "a list of 1 to 32 texts: the program and its "
                        "arguments",
                        config->readings_command, fault);
}

/* It becomes an argument of the owner's program: nothing that could be taken
 * for an option. */
static bool is_step_name(const json_t *value)
{
    const char *text = json_string_value(value);

    if (!text || text[0] == '\0' || text[0] == '-' || strlen(text) >= NAME_SIZE)
        return false;
    for (; *text; text++) {
        if ((unsigned char) *text < 0x20 || *text == 0x7f)
            return false;
    }
    return true;
}

static int read_steps(const json_t *list, const char *name,
                      struct agent_config *config, struct fault *fault)
{
    char place[160];

    (void) snprintf(place, sizeof(place), "%.100s: steps", name);
    if (!json_is_array(list) || json_array_size(list) == 0
        || json_array_size(list) > CONFIG_STEPS_MAX)
        return mistake(fault, place, list,
                       "a list of 1 to 64 step names, such as [\"breeze\"]");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *item = json_array_get(list, i);

        (void) snprintf(place, sizeof(place), "%.100s: steps[%zu]", name, i);
        if (!is_step_name(item))
            return mistake(fault, place, item,
                           "a step's name of 1 to 31 bytes that does not "
                           "begin with '-'");
        if (config_has_step(config, json_string_value(item)))
            return mistake(fault, place, item, "each name once");
        (void) snprintf(config->steps[config->step_count++], NAME_SIZE, "%s",
                        json_string_value(item));
    }
    return 0;
}

static int read_urls(const json_t *list, const char *name,
                     struct agent_config *config, struct fault *fault)
{
    char place[160];

    (void) snprintf(place, sizeof(place), "%.100s: allow_urls", name);
    if (!json_is_array(list) || json_array_size(list) > CONFIG_URLS_MAX)
        return mistake(fault, place, list,
                       "a list of at most 16 texts, such as "
                       "[\"http://10.71.0.1/test/\"]");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *item = json_array_get(list, i);

        (void) snprintf(place, sizeof(place), "%.100s: allow_urls[%zu]", name,
                        i);
        if (!json_is_string(item) || json_string_length(item) >= URL_SIZE
            || url_objection(json_string_value(item)))
            return mistake(fault, place, item,
                           "what a URL may begin with: http://HOST/ at least");
        (void) snprintf(config->urls[config->url_count++].text, URL_SIZE, "%s",
                        json_string_value(item));
    }
    return 0;
}

/* clang-format off */
static const struct config_key {
    const char *name;
    int (*read)(const json_t *value, const char *name, struct agent_config *config, struct fault *fault);
} config_keys[] = {
    { "step_command", read_step_command },
    { "steps", read_steps },
    { "readings_command", read_readings_command },
    { "allow_urls", read_urls },
};
/* clang-format on */

static int read_key(const char *key, const json_t *value, const char *name,
                    struct agent_config *config, struct fault *fault)
{
    for (size_t i = 0; i < COUNT_OF(config_keys); i++) {
        if (strcmp(config_keys[i].name, key) == 0)
            return config_keys[i].read(value, name, config, fault);
    }
    return fault_set(fault, UV_EINVAL,
                     "%.100s: found the key '%.60s', expected step_command, "
                     "steps, readings_command or allow_urls",
                     name, key);
}

static int read_object(json_t *object, const char *name,
                       struct agent_config *config, struct fault *fault)
{
    const char *key = NULL;
    json_t *value = NULL;
    char place[128];

    (void) snprintf(place, sizeof(place), "%.100s", name);
    if (!json_is_object(object))
        return mistake(fault, place, object, "an object");
    json_object_foreach(object, key, value)
    {
        const int result = read_key(key, value, name, config, fault);
        if (result < 0)
            return result;
    }
    if (!config->step_command[0] != !config->step_count)
        return fault_set(fault, UV_EINVAL,
                         "%.100s: found %s without %s, expected both or "
                         "neither",
                         name, config->step_count ? "steps" : "step_command",
                         config->step_count ? "step_command" : "steps");
    return 0;
}

int config_read_text(const char *text, size_t text_bytes, const char *name,
                     struct agent_config *ret_config, struct fault *fault)
{
    struct agent_config config = { 0 };
    json_error_t error;
    json_t *object = json_loadb(
        text, text_bytes, JSON_REJECT_DUPLICATES | JSON_DECODE_ANY, &error);
    if (!object)
        return fault_set(fault, UV_EINVAL,
                         "%.100s:%d:%d: %s, expected a JSON object", name,
                         error.line, error.column, error.text);
    const int result = read_object(object, name, &config, fault);
    json_decref(object);
    if (result < 0)
        config_clear(&config);
    else
        *ret_config = config;
    return result;
}

static int check_file(int fd, const char *path, struct fault *fault)
{
    struct stat facts;

    if (fstat(fd, &facts) < 0)
        return fault_set(fault, -errno, "cannot read '%s': %s", path,
                         strerror(errno));
    if (!S_ISREG(facts.st_mode))
        return fault_set(fault, UV_EINVAL, "%s: expected an ordinary file",
                         path);
    if (facts.st_uid != 0 && facts.st_uid != geteuid())
        return fault_set(fault, UV_EPERM,
                         "%s: belongs to another user, expected root or the "
                         "user that runs the agent: it names a command",
                         path);
    if (facts.st_mode & (S_IWGRP | S_IWOTH))
        return fault_set(fault, UV_EPERM,
                         "%s: others may write it, and it names a command; "
                         "type: chmod go-w %s",
                         path, path);
    if ((uintmax_t) facts.st_size > CONFIG_MOST_BYTES)
        return fault_set(fault, UV_E2BIG,
                         "%s: found %jd bytes, expected at most %zu", path,
                         (intmax_t) facts.st_size, CONFIG_MOST_BYTES);
    return 0;
}

int config_read_file(const char *path, struct agent_config *ret_config,
                     struct fault *fault)
{
    char *text = NULL;
    size_t have = 0;
    const int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (fd < 0)
        return fault_set(fault, -errno, "cannot open '%s': %s", path,
                         strerror(errno));
    int result = check_file(fd, path, fault);
    if (result < 0)
        goto done;
    text = mem_checked(malloc(CONFIG_MOST_BYTES));
    for (ssize_t got = 1; got > 0 && have < CONFIG_MOST_BYTES;
         have += (size_t) got) {
        got = read(fd, text + have, CONFIG_MOST_BYTES - have);
        if (got < 0) {
            result = fault_set(fault, -errno, "cannot read '%s': %s", path,
                               strerror(errno));
            goto done;
        }
    }
    result = config_read_text(text, have, path, ret_config, fault);
done:
    free(text);
    (void) close(fd);
    return result;
}

void config_clear(struct agent_config *config)
{
    for (size_t i = 0; config->step_command[i]; i++)
        free(config->step_command[i]);
    for (size_t i = 0; config->readings_command[i]; i++)
        free(config->readings_command[i]);
    memset(config, 0, sizeof(*config));
}

bool config_has_step(const struct agent_config *config, const char *name)
{
    for (size_t i = 0; i < config->step_count; i++) {
        if (strcmp(config->steps[i], name) == 0)
            return true;
    }
    return false;
}
