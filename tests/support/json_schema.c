/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/json_schema.h"

#include <regex.h>
#include <stdio.h>
#include <string.h>

/* Where in the value we are, and the whole schema for $ref. */
struct place {
    const json_t *root; /* borrowed */
    char path[200];
    char why[SCHEMA_WHY_SIZE]; /* "" until something does not hold */
};

typedef bool keyword_fn(struct place *place, const json_t *schema,
                        const json_t *argument, const json_t *value);

static bool holds(struct place *place, const json_t *schema,
                  const json_t *value);

static bool refuse(struct place *place, const char *what, const char *word)
{
    if (!place->why[0])
        (void) snprintf(place->why, sizeof(place->why), "%.190s: %s '%.100s'",
                        place->path[0] ? place->path : "/", what, word);
    return false;
}

static bool is_of_type(const json_t *value, const char *type)
{
    static const struct {
        const char *name;
        json_type types[2];
    } rows[] = {
        { "object", { JSON_OBJECT, JSON_OBJECT } },
        { "array", { JSON_ARRAY, JSON_ARRAY } },
        { "string", { JSON_STRING, JSON_STRING } },
        { "integer", { JSON_INTEGER, JSON_INTEGER } },
        { "number", { JSON_INTEGER, JSON_REAL } },
        { "boolean", { JSON_TRUE, JSON_FALSE } },
        { "null", { JSON_NULL, JSON_NULL } },
    };

    for (size_t i = 0; i < sizeof(rows) / sizeof(rows[0]); i++) {
        if (strcmp(rows[i].name, type) == 0)
            return json_typeof(value) == rows[i].types[0]
                   || json_typeof(value) == rows[i].types[1];
    }
    return false;
}

static bool check_type(struct place *place, const json_t *schema,
                       const json_t *argument, const json_t *value)
{
    (void) schema;
    if (json_is_string(argument))
        return is_of_type(value, json_string_value(argument))
               || refuse(place, "expected the type",
                         json_string_value(argument));
    for (size_t i = 0; i < json_array_size(argument); i++) {
        if (is_of_type(value, json_string_value(json_array_get(argument, i))))
            return true;
    }
    return refuse(place, "expected another", "type");
}

/* Below, under that name; back again when it holds. */
static bool holds_below(struct place *place, const char *name,
                        const json_t *schema, const json_t *value)
{
    const size_t used = strlen(place->path);

    (void) snprintf(place->path + used, sizeof(place->path) - used, "/%s",
                    name);
    if (!holds(place, schema, value))
        return false;
    place->path[used] = '\0';
    return true;
}

static bool check_properties(struct place *place, const json_t *schema,
                             const json_t *argument, const json_t *value)
{
    (void) schema;
    for (void *at = json_object_iter((json_t *) (size_t) argument); at;
         at = json_object_iter_next((json_t *) (size_t) argument, at)) {
        const char *name = json_object_iter_key(at);
        const json_t *member = json_object_get(value, name);

        if (member
            && !holds_below(place, name, json_object_iter_value(at), member))
            return false;
    }
    return true;
}

static bool check_required(struct place *place, const json_t *schema,
                           const json_t *argument, const json_t *value)
{
    (void) schema;
    for (size_t i = 0; i < json_array_size(argument); i++) {
        const char *name = json_string_value(json_array_get(argument, i));

        if (json_is_object(value) && !json_object_get(value, name))
            return refuse(place, "lacks", name);
    }
    return true;
}

static bool check_additional(struct place *place, const json_t *schema,
                             const json_t *argument, const json_t *value)
{
    if (!json_is_false(argument))
        return refuse(place, "only false is known for", "additionalProperties");
    for (void *at = json_object_iter((json_t *) (size_t) value); at;
         at = json_object_iter_next((json_t *) (size_t) value, at)) {
        const char *name = json_object_iter_key(at);

        if (!json_object_get(json_object_get(schema, "properties"), name))
            return refuse(place, "has the unknown member", name);
    }
    return true;
}

static bool check_items(struct place *place, const json_t *schema,
                        const json_t *argument, const json_t *value)
{
    (void) schema;
    for (size_t i = 0; i < json_array_size(value); i++) {
        char number[24];

        (void) snprintf(number, sizeof(number), "%zu", i);
        if (!holds_below(place, number, argument, json_array_get(value, i)))
            return false;
    }
    return true;
}

static bool check_enum(struct place *place, const json_t *schema,
                       const json_t *argument, const json_t *value)
{
    (void) schema;
    for (size_t i = 0; i < json_array_size(argument); i++) {
        if (json_equal(json_array_get(argument, i), value))
            return true;
    }
    return refuse(place, "is none of the choices",
                  json_is_string(value) ? json_string_value(value) : "");
}

static bool check_const(struct place *place, const json_t *schema,
                        const json_t *argument, const json_t *value)
{
    (void) schema;
    return json_equal(argument, value) || refuse(place, "is not", "const");
}

static bool check_minimum(struct place *place, const json_t *schema,
                          const json_t *argument, const json_t *value)
{
    (void) schema;
    return !json_is_number(value)
           || json_number_value(value) >= json_number_value(argument)
           || refuse(place, "is below", "minimum");
}

static bool check_maximum(struct place *place, const json_t *schema,
                          const json_t *argument, const json_t *value)
{
    (void) schema;
    return !json_is_number(value)
           || json_number_value(value) <= json_number_value(argument)
           || refuse(place, "is above", "maximum");
}

static bool check_length(struct place *place, const json_t *schema,
                         const json_t *argument, const json_t *value)
{
    (void) schema;
    return !json_is_string(value)
           || json_string_length(value) >= (size_t) json_integer_value(argument)
           || refuse(place, "is shorter than", "minLength");
}

static bool check_pattern(struct place *place, const json_t *schema,
                          const json_t *argument, const json_t *value)
{
    regex_t pattern;

    (void) schema;
    if (!json_is_string(value))
        return true;
    if (regcomp(&pattern, json_string_value(argument),
                REG_EXTENDED | REG_NOSUB))
        return refuse(place, "bad pattern", json_string_value(argument));
    const int code = regexec(&pattern, json_string_value(value), 0, NULL, 0);

    regfree(&pattern);
    return code == 0
           || refuse(place, "does not match", json_string_value(argument));
}

/* Does it hold, without a word? */
static bool holds_quietly(const struct place *place, const json_t *schema,
                          const json_t *value)
{
    struct place trial = *place;

    return holds(&trial, schema, value);
}

static bool check_any(struct place *place, const json_t *schema,
                      const json_t *argument, const json_t *value)
{
    (void) schema;
    for (size_t i = 0; i < json_array_size(argument); i++) {
        if (holds_quietly(place, json_array_get(argument, i), value))
            return true;
    }
    return refuse(place, "is none of", "anyOf");
}

static bool check_all(struct place *place, const json_t *schema,
                      const json_t *argument, const json_t *value)
{
    (void) schema;
    for (size_t i = 0; i < json_array_size(argument); i++) {
        if (!holds(place, json_array_get(argument, i), value))
            return false;
    }
    return true;
}

static bool check_if(struct place *place, const json_t *schema,
                     const json_t *argument, const json_t *value)
{
    const json_t *then = json_object_get(schema, "then");

    return !holds_quietly(place, argument, value) || !then
           || holds(place, then, value);
}

static bool check_ref(struct place *place, const json_t *schema,
                      const json_t *argument, const json_t *value)
{
    static const char prefix[] = "#/$defs/";
    const char *name = json_string_value(argument);

    (void) schema;
    if (!name || strncmp(name, prefix, strlen(prefix)) != 0)
        return refuse(place, "unknown $ref", name ? name : "");
    const json_t *found = json_object_get(json_object_get(place->root, "$defs"),
                                          name + strlen(prefix));

    return found ? holds(place, found, value)
                 : refuse(place, "unknown $ref", name);
}

static bool check_nothing(struct place *place, const json_t *schema,
                          const json_t *argument, const json_t *value)
{
    (void) place;
    (void) schema;
    (void) argument;
    (void) value;
    return true;
}

static keyword_fn *find_keyword(const char *name)
{
    static const struct {
        const char *name;
        keyword_fn *check;
    } keywords[] = {
        { "type", check_type },
        { "properties", check_properties },
        { "required", check_required },
        { "additionalProperties", check_additional },
        { "items", check_items },
        { "enum", check_enum },
        { "const", check_const },
        { "minimum", check_minimum },
        { "maximum", check_maximum },
        { "minLength", check_length },
        { "pattern", check_pattern },
        { "anyOf", check_any },
        { "allOf", check_all },
        { "if", check_if },
        { "then", check_nothing },
        { "$ref", check_ref },
        { "$defs", check_nothing },
        { "$schema", check_nothing },
        { "title", check_nothing },
        { "description", check_nothing },
    };

    for (size_t i = 0; i < sizeof(keywords) / sizeof(keywords[0]); i++) {
        if (strcmp(keywords[i].name, name) == 0)
            return keywords[i].check;
    }
    return NULL;
}

static bool holds(struct place *place, const json_t *schema,
                  const json_t *value)
{
    for (void *at = json_object_iter((json_t *) (size_t) schema); at;
         at = json_object_iter_next((json_t *) (size_t) schema, at)) {
        keyword_fn *check = find_keyword(json_object_iter_key(at));

        if (!check)
            return refuse(place, "unknown keyword", json_object_iter_key(at));
        if (!check(place, schema, json_object_iter_value(at), value))
            return false;
    }
    return true;
}

bool schema_holds(const json_t *schema, const json_t *value,
                  char ret_why[SCHEMA_WHY_SIZE])
{
    struct place place = { .root = schema };
    const bool is_held = holds(&place, schema, value);

    (void) snprintf(ret_why, SCHEMA_WHY_SIZE, "%s", place.why);
    return is_held;
}
