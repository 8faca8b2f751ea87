/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/keys.h"

#include <libgen.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <uv.h>

#define PLACES_MAX 4
#define PLACE_SIZE 4096

struct places {
    char paths[PLACES_MAX][PLACE_SIZE];
    size_t count;
};

static void add_place(struct places *places, const char *folder,
                      const char *name)
{
    (void) snprintf(places->paths[places->count++], PLACE_SIZE, "%s/%s", folder,
                    name);
}

static void folder_of(const char *plan_path, char *ret_folder, size_t size)
{
    char copy[PLACE_SIZE];

    (void) snprintf(copy, sizeof(copy), "%s", plan_path ? plan_path : "");
    (void) snprintf(ret_folder, size, "%s", dirname(copy));
}

/* The user's folder for settings of bothends; "" when there is none. */
static void config_folder(char *ret_folder, size_t size)
{
    const char *config = getenv("XDG_CONFIG_HOME");
    const char *home = getenv("HOME");

    if (config && *config)
        (void) snprintf(ret_folder, size, "%s/bothends", config);
    else if (home && *home)
        (void) snprintf(ret_folder, size, "%s/.config/bothends", home);
    else
        (void) snprintf(ret_folder, size, "%s", "");
}

static void list_places(const struct plan_end *end, const char *plan_path,
                        struct places *places)
{
    char folder[PLACE_SIZE - 64], name[NAME_SIZE + 8];

    (void) snprintf(name, sizeof(name), "%s.key", end->name);
    folder_of(plan_path, folder, sizeof(folder));
    add_place(places, folder, name);
    add_place(places, folder, "bothends.key");
    config_folder(folder, sizeof(folder));
    if (!folder[0])
        return;
    add_place(places, folder, name);
    add_place(places, folder, "bothends.key");
}

static int read_named_key(const struct plan_end *end, const char *plan_path,
                          struct wire_key *ret_key, char *ret_path,
                          size_t path_size, struct fault *fault)
{
    char folder[PLACE_SIZE - 256], path[PLACE_SIZE + 256];

    folder_of(plan_path, folder, sizeof(folder));
    if (end->key[0] == '/')
        (void) snprintf(path, sizeof(path), "%s", end->key);
    else
        (void) snprintf(path, sizeof(path), "%s/%s", folder, end->key);
    const int code = wire_key_read(path, ret_key, fault);
    if (!code)
        (void) snprintf(ret_path, path_size, "%s", path);
    return code;
}

int keys_find(const struct plan_end *end, const char *plan_path,
              struct wire_key *ret_key, char *ret_path, size_t path_size,
              struct fault *fault)
{
    struct places places = { .count = 0 };

    if (end->key[0])
        return read_named_key(end, plan_path, ret_key, ret_path, path_size,
                              fault);
    list_places(end, plan_path, &places);
    for (size_t i = 0; i < places.count; i++) {
        if (access(places.paths[i], F_OK) != 0)
            continue;
        (void) snprintf(ret_path, path_size, "%s", places.paths[i]);
        return wire_key_read(places.paths[i], ret_key, fault);
    }
    return fault_set(
        fault, UV_ENOENT,
        "%s: no key for its agent: looked for '%.120s' and '%.120s'"
        "; make one with 'bothends-agent --new-key %s.key' and "
        "give a copy to both computers",
        end->name, places.paths[0], places.paths[1], end->name);
}
