/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/keys.h"

#include <libgen.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <uv.h>

#define FOLDER_SIZE 2048
#define FOLDERS_MAX 2 /* the plan's, and the user's settings */
#define ANY_KEY     "bothends.key"

struct places {
    char folders[FOLDERS_MAX][FOLDER_SIZE];
    size_t count;
};

static void folder_of(const char *plan_path, char *ret_folder, size_t size)
{
    char copy[FOLDER_SIZE];

    (void) snprintf(copy, sizeof(copy), "%s", plan_path ? plan_path : "");
    (void) snprintf(ret_folder, size, "%s", dirname(copy));
}

static void list_places(const char *plan_path, struct places *places)
{
    const char *config = getenv("XDG_CONFIG_HOME");
    const char *home = getenv("HOME");
    char *settings = places->folders[1];

    folder_of(plan_path, places->folders[0], FOLDER_SIZE);
    places->count = FOLDERS_MAX;
    if (config && *config)
        (void) snprintf(settings, FOLDER_SIZE, "%s/bothends", config);
    else if (home && *home)
        (void) snprintf(settings, FOLDER_SIZE, "%s/.config/bothends", home);
    else
        places->count--;
}

/* The path of a key; UV_ENAMETOOLONG rather than that of another file. */
static int join(const char *folder, const char *name, char *ret_path,
                size_t path_size, struct fault *fault)
{
    const int length =
        name[0] == '/' ? snprintf(ret_path, path_size, "%s", name)
                       : snprintf(ret_path, path_size, "%s/%s", folder, name);

    if (length < 0 || (size_t) length >= path_size)
        return fault_set(fault, UV_ENAMETOOLONG,
                         "the path of the key '%.80s' is too long", name);
    return 0;
}

static int read_key(const char *folder, const char *name,
                    struct wire_key *ret_key, char *ret_path, size_t path_size,
                    struct fault *fault)
{
    const int code = join(folder, name, ret_path, path_size, fault);

    return code ? code : wire_key_read(ret_path, ret_key, fault);
}

/* UV_ENOENT without words: the next place may have one. */
static int look_in(const char *folder, const char *own_name,
                   struct wire_key *ret_key, char *ret_path, size_t path_size,
                   struct fault *fault)
{
    const char *const names[] = { own_name, ANY_KEY };

    for (size_t i = 0; i < 2; i++) {
        const int code = join(folder, names[i], ret_path, path_size, fault);

        if (code)
            return code;
        if (access(ret_path, F_OK) == 0)
            return wire_key_read(ret_path, ret_key, fault);
    }
    return UV_ENOENT;
}

static int say_where_i_looked(const struct plan_end *end, const char *own_name,
                              const struct places *places, struct fault *fault)
{
    const bool has_settings = places->count > 1;

    return fault_set(
        fault, UV_ENOENT,
        "%s: no key for its agent: looked for %s and " ANY_KEY
        " in '%.100s'%s%.100s%s; make one with 'bothends-agent --new-key %s' "
        "and give a copy to both computers",
        end->name, own_name, places->folders[0], has_settings ? " and '" : "",
        has_settings ? places->folders[1] : "", has_settings ? "'" : "",
        own_name);
}

int keys_find(const struct plan_end *end, const char *plan_path,
              struct wire_key *ret_key, char *ret_path, size_t path_size,
              struct fault *fault)
{
    struct places places = { .count = 0 };
    char own_name[NAME_SIZE + sizeof(".key")];

    list_places(plan_path, &places);
    if (end->key[0])
        return read_key(places.folders[0], end->key, ret_key, ret_path,
                        path_size, fault);
    (void) snprintf(own_name, sizeof(own_name), "%s.key", end->name);
    for (size_t i = 0; i < places.count; i++) {
        const int code = look_in(places.folders[i], own_name, ret_key, ret_path,
                                 path_size, fault);

        if (code != UV_ENOENT)
            return code;
    }
    return say_where_i_looked(end, own_name, &places, fault);
}
