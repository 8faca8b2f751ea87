/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/reader.h"

#include "controller/plan/reading.h"
#include "controller/plan/scan.h"
#include "controller/quantity.h"
#include "controller/text.h"

#include <errno.h>
#include <string.h>
#include <uv.h>

#define TEXT_BYTES_MAX 1000000 /* of a plan file */

static const char *const sections[] = {
    "link", "steps", "ends", "controller_at", "sequence", "practice", NULL
};
static const char byte_order_mark[] = "\xef\xbb\xbf"; /* some editors */
static const char *const no_keys[] = { NULL };

int reading_find_end(const struct plan *plan, const char *name)
{
    for (size_t i = 0; i < plan->end_count; i++) {
        if (strcmp(plan->ends[i].name, name) == 0)
            return (int) i;
    }
    return -1;
}

void reading_list_ends(const struct plan *plan, char *ret_text, size_t size)
{
    const char *names[PLAN_ENDS_MAX + 1] = { NULL };
    size_t count = 0;

    for (size_t i = 0; i < plan->end_count; i++) {
        if (plan->ends[i].name[0])
            names[count++] = plan->ends[i].name;
    }
    text_join(names, ret_text, size);
}

/* A section that is a mapping with keys of its own. */
static bool read_section(struct reading *reading, const yaml_node_t *node,
                         const struct path *path, const struct field *fields,
                         size_t field_count, void *record,
                         bool ret_said[FIELDS_MAX])
{
    const struct field_list list = { fields, field_count, no_keys };
    const size_t before = reading->walk.mistakes.count;

    if (walk_is_mapping(&reading->walk, node, path, "a mapping of keys"))
        walk_fields(&reading->walk, path, node, &list, record, ret_said);
    return reading->walk.mistakes.count == before;
}

const yaml_node_t *reading_place(struct reading *reading,
                                 const yaml_node_t *mapping, const char *key)
{
    const char *dot = strchr(key, '.');
    char outer[NAME_SIZE];

    (void) snprintf(outer, sizeof(outer), "%.*s",
                    dot ? (int) (dot - key) : (int) sizeof(outer) - 1, key);
    const yaml_node_t *value = walk_value(&reading->walk, mapping, outer);
    if (value && dot && walk_value(&reading->walk, value, dot + 1))
        value = walk_value(&reading->walk, value, dot + 1);
    return value ? value : mapping;
}

static void read_link(struct reading *reading)
{
    const struct path path = { NULL, "link" };

    quantity_preset_all(link_fields, COUNT_OF(link_fields),
                        &reading->plan->link);
    reading->is_link_sound = true;
    reading->link = walk_value(&reading->walk, reading->root, "link");
    if (reading->link)
        reading->is_link_sound =
            read_section(reading, reading->link, &path, link_fields,
                         COUNT_OF(link_fields), &reading->plan->link, NULL);
}

/* The section's node, or NULL and a mistake. */
static const yaml_node_t *need_section(struct reading *reading,
                                       const struct path *path,
                                       const char *expected)
{
    const yaml_node_t *node =
        walk_value(&reading->walk, reading->root, path->word);

    if (!node)
        walk_mistake(&reading->walk, reading->root, path, NULL, "nothing", "%s",
                     expected);
    return node;
}

static void check_name(struct reading *reading, const yaml_node_t *node,
                       const struct path *path, const char *name)
{
    char quoted[80];

    quantity_quote(name, quoted, sizeof(quoted));
    if (!text_is_name(name))
        walk_mistake(&reading->walk, node, path, NULL, quoted,
                     "a name of letters, digits, - and _");
    else if (strlen(name) >= NAME_SIZE)
        walk_mistake(&reading->walk, node, path, NULL, quoted,
                     "a name of at most %d characters", NAME_SIZE - 1);
}

static void check_step_name(struct reading *reading, size_t index,
                            const struct path *path)
{
    const struct plan *plan = reading->plan;
    const char *name = plan->steps[index].name;
    const struct path inner = { path, "name" };
    const yaml_node_t *value =
        walk_value(&reading->walk, reading->steps[index], "name");
    char quoted[80];

    check_name(reading, value, &inner, name);
    quantity_quote(name, quoted, sizeof(quoted));
    for (size_t i = 0; i < index; i++) {
        if (strcmp(plan->steps[i].name, name) == 0)
            walk_mistake(&reading->walk, value, &inner, NULL, quoted,
                         "a name that no other step has");
    }
}

static void read_step(struct reading *reading, const yaml_node_t *item,
                      const struct path *path)
{
    const size_t index = reading->plan->step_count++;
    struct plan_step *step = &reading->plan->steps[index];
    const size_t before = reading->walk.mistakes.count;

    reading->steps[index] = item;
    quantity_preset_all(step_fields, COUNT_OF(step_fields), step);
    (void) read_section(reading, item, path, step_fields, COUNT_OF(step_fields),
                        step, reading->step_said[index]);
    if (step->name[0])
        check_step_name(reading, index, path);
    reading->is_step_sound[index] = reading->walk.mistakes.count == before;
}

static void read_steps(struct reading *reading)
{
    const struct path path = { NULL, "steps" };
    static const char expected[] =
        "a list of rate steps such as - {name: slow, usable_rate: 60 kbit/s}";
    const yaml_node_t *list = need_section(reading, &path, expected);
    const yaml_node_t *item;

    if (!list || !walk_is_list(&reading->walk, list, &path, expected))
        return;
    for (size_t i = 0; (item = walk_item(&reading->walk, list, i)) != NULL;
         i++) {
        if (i == PLAN_STEPS_MAX) {
            walk_mistake(&reading->walk, item, &path, NULL, "too many steps",
                         "at most %d", PLAN_STEPS_MAX);
            return;
        }
        read_step(reading, item, &path);
    }
}

static void read_end(struct reading *reading, const yaml_node_pair_t *pair,
                     const struct path *path)
{
    const yaml_node_t *key = walk_node(&reading->walk, pair->key);
    const yaml_node_t *value = walk_node(&reading->walk, pair->value);
    const size_t before = reading->walk.mistakes.count;

    if (key->type != YAML_SCALAR_NODE)
        return;
    const size_t index = reading->plan->end_count++;
    struct plan_end *end = &reading->plan->ends[index];
    const char *name = (const char *) key->data.scalar.value;
    const bool is_name = text_is_name(name) && strlen(name) < NAME_SIZE;
    const struct path inner = { path, is_name ? name : "?" };

    reading->ends[index] = value;
    check_name(reading, key, path, name);
    /* A second end of that name was refused with the keys. */
    if (is_name && reading_find_end(reading->plan, name) < 0)
        memcpy(end->name, name, strlen(name));
    quantity_preset_all(end_fields, COUNT_OF(end_fields), end);
    (void) read_section(reading, value, &inner, end_fields,
                        COUNT_OF(end_fields), end, NULL);
    reading->is_end_sound[index] = reading->walk.mistakes.count == before;
}

static void read_ends(struct reading *reading)
{
    const struct path path = { NULL, "ends" };
    static const char expected[] =
        "the ends by name, each with its role and address";
    const yaml_node_t *mapping = need_section(reading, &path, expected);
    const yaml_node_pair_t *pair;

    if (!mapping || !walk_is_mapping(&reading->walk, mapping, &path, expected))
        return;
    for (size_t i = 0; (pair = walk_pair(mapping, i)) != NULL; i++) {
        if (i == PLAN_ENDS_MAX) {
            walk_mistake(&reading->walk, walk_node(&reading->walk, pair->key),
                         &path, NULL, "too many ends", "at most %d",
                         PLAN_ENDS_MAX);
            return;
        }
        read_end(reading, pair, &path);
    }
}

static void read_controller(struct reading *reading)
{
    const struct path path = { NULL, "controller_at" };
    char expected[200], all[160], quoted[80];

    reading_list_ends(reading->plan, all, sizeof(all));
    (void) snprintf(expected, sizeof(expected),
                    "the end at whose computer you sit%s%s", all[0] ? ": " : "",
                    all);
    const yaml_node_t *node = need_section(reading, &path, expected);
    const char *name =
        node ? walk_scalar(&reading->walk, node, &path, expected) : NULL;
    if (!name || reading->plan->end_count == 0)
        return;
    quantity_quote(name, quoted, sizeof(quoted));
    reading->plan->controller_end = reading_find_end(reading->plan, name);
    if (reading->plan->controller_end < 0)
        walk_mistake(&reading->walk, node, &path, NULL, quoted, "%s", expected);
}

static void read_root(struct reading *reading)
{
    const struct field_list list = { plan_fields, COUNT_OF(plan_fields),
                                     sections };

    quantity_preset_all(plan_fields, COUNT_OF(plan_fields), reading->plan);
    reading->root = yaml_document_get_root_node(&reading->walk.document);
    if (!walk_is_mapping(&reading->walk, reading->root, NULL,
                         "the keys of a plan ('bothends draft' prints one)"))
        return;
    walk_fields(&reading->walk, NULL, reading->root, &list, reading->plan,
                NULL);
    read_link(reading);
    read_steps(reading);
    read_ends(reading);
    read_controller(reading);
    reading_sequence(reading);
    reading_practice(reading);
    reading_check_rules(reading);
    reading_check_radio(reading);
}

static void load(struct reading *reading, const char *text, size_t text_bytes)
{
    yaml_parser_t parser;

    if (!yaml_parser_initialize(&parser)) {
        (void) fputs("out of memory\n", stderr);
        abort();
    }
    yaml_parser_set_encoding(&parser, YAML_UTF8_ENCODING);
    yaml_parser_set_input_string(&parser, (const unsigned char *) text,
                                 text_bytes);
    if (yaml_parser_load(&parser, &reading->walk.document)) {
        if (yaml_document_get_root_node(&reading->walk.document))
            read_root(reading);
        yaml_document_delete(&reading->walk.document);
    } else if (reading->walk.mistakes.count == 0) {
        /* Readable as events, but not as a document.  (An alias of nothing
         * was noted with the aliases.) */
        walk_mistake_at(&reading->walk, &parser.problem_mark, "",
                        parser.problem ? parser.problem : "unreadable text",
                        "YAML");
    }
    yaml_parser_delete(&parser);
}

static int by_place(const void *a, const void *b)
{
    const struct plan_mistake *one = a, *two = b;

    if (one->line != two->line)
        return one->line < two->line ? -1 : 1;
    if (one->column != two->column)
        return one->column < two->column ? -1 : 1;
    const int order = strcmp(one->key, two->key);
    return order ? order : strcmp(one->expected, two->expected);
}

int plan_read_text(const char *text, size_t text_bytes, struct plan *ret_plan,
                   struct plan_mistakes *mistakes)
{
    struct reading reading = { .plan = ret_plan };
    const yaml_mark_t top = { 0, 0, 0 };

    memset(ret_plan, 0, sizeof(*ret_plan));
    if (text && text_bytes >= sizeof(byte_order_mark) - 1
        && memcmp(text, byte_order_mark, sizeof(byte_order_mark) - 1) == 0) {
        text += sizeof(byte_order_mark) - 1;
        text_bytes -= sizeof(byte_order_mark) - 1;
    }
    reading.walk.mistakes.row_size = sizeof(struct plan_mistake);
    reading.exchanges.row_size = sizeof(struct plan_exchange);
    reading.groups.row_size = sizeof(struct plan_group);
    if (text_bytes > TEXT_BYTES_MAX)
        walk_mistake_at(&reading.walk, &top, "", "more than 1 MB", "a plan");
    else if (plan_scan(&reading.walk, text, text_bytes))
        load(&reading, text, text_bytes);

    ret_plan->exchanges = reading.exchanges.data;
    ret_plan->exchange_count = reading.exchanges.count;
    ret_plan->groups = reading.groups.data;
    ret_plan->group_count = reading.groups.count;
    mistakes->items = reading.walk.mistakes.data;
    mistakes->count = reading.walk.mistakes.count;
    if (mistakes->count == 0)
        return 0;
    qsort(mistakes->items, mistakes->count, sizeof(*mistakes->items), by_place);
    plan_clear(ret_plan);
    return UV_EINVAL;
}

/* Whole file as text; one byte more than allowed is enough to refuse it. */
static int read_file(FILE *file, char **ret_text, size_t *ret_bytes)
{
    char *text = malloc(TEXT_BYTES_MAX + 2);

    if (!text)
        return UV_ENOMEM;
    errno = 0;
    *ret_bytes = fread(text, 1, TEXT_BYTES_MAX + 1, file);
    if (ferror(file)) {
        const int code = uv_translate_sys_error(errno ? errno : EIO);

        free(text);
        return code;
    }
    text[*ret_bytes] = '\0';
    *ret_text = text;
    return 0;
}

int plan_read_file(const char *path, struct plan *ret_plan, char **ret_text,
                   struct plan_mistakes *mistakes, struct fault *fault)
{
    FILE *file = fopen(path, "rbe");
    size_t text_bytes = 0;
    char *text = NULL;

    memset(ret_plan, 0, sizeof(*ret_plan));
    memset(mistakes, 0, sizeof(*mistakes));
    *ret_text = NULL;
    if (!file) {
        const int code = uv_translate_sys_error(errno);

        return fault_set(fault, code, "cannot open '%s': %s", path,
                         uv_strerror(code));
    }
    const int code = read_file(file, &text, &text_bytes);
    (void) fclose(file);
    if (code != 0)
        return fault_set(fault, code, "cannot read '%s': %s", path,
                         uv_strerror(code));
    *ret_text = text;
    return plan_read_text(text, text_bytes, ret_plan, mistakes);
}

void plan_clear(struct plan *plan)
{
    free(plan->exchanges);
    free(plan->groups);
    memset(plan, 0, sizeof(*plan));
}

void plan_mistakes_print(FILE *out, const char *name,
                         const struct plan_mistakes *mistakes)
{
    for (size_t i = 0; i < mistakes->count; i++) {
        const struct plan_mistake *mistake = &mistakes->items[i];

        (void) fprintf(out, "%s:%d:%d: %s%sfound %s, expected %s\n", name,
                       mistake->line, mistake->column, mistake->key,
                       mistake->key[0] ? ": " : "", mistake->found,
                       mistake->expected);
    }
}

void plan_mistakes_clear(struct plan_mistakes *mistakes)
{
    free(mistakes->items);
    memset(mistakes, 0, sizeof(*mistakes));
}
