/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/keys.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <uv.h>

#include <cmocka.h>

/* A plan's folder and a user's settings, both empty at first. */
struct fixture {
    char home[64], plan[96], settings[96];
    struct plan_end end;
    struct wire_key key;
    char path[256];
    struct fault fault;
};

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    assert_non_null(fixture);
    (void) snprintf(fixture->home, sizeof(fixture->home),
                    "/tmp/bothends-keys.XXXXXX");
    assert_non_null(mkdtemp(fixture->home));
    (void) snprintf(fixture->plan, sizeof(fixture->plan), "%s/club.yaml",
                    fixture->home);
    (void) snprintf(fixture->settings, sizeof(fixture->settings), "%s/bothends",
                    fixture->home);
    assert_int_equal(mkdir(fixture->settings, 0700), 0);
    assert_int_equal(setenv("XDG_CONFIG_HOME", fixture->home, 1), 0);
    (void) snprintf(fixture->end.name, NAME_SIZE, "skerry");
    *state = fixture;
    return 0;
}

static void in_folder(const char *folder, const char *name, char *room,
                      size_t size)
{
    (void) snprintf(room, size, "%s/%s", folder, name);
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;
    static const char *const names[] = { "skerry.key", "bothends.key",
                                         "other.key" };

    for (size_t i = 0; i < 3; i++) {
        char path[160];

        in_folder(fixture->home, names[i], path, sizeof(path));
        (void) unlink(path);
        in_folder(fixture->settings, names[i], path, sizeof(path));
        (void) unlink(path);
    }
    assert_int_equal(rmdir(fixture->settings), 0);
    assert_int_equal(rmdir(fixture->home), 0);
    free(fixture);
    return 0;
}

static void make_key(const char *folder, const char *name)
{
    char path[160];

    in_folder(folder, name, path, sizeof(path));
    assert_int_equal(wire_key_create(path, NULL), 0);
}

static int find(struct fixture *fixture)
{
    fixture->fault.code = 0;
    return keys_find(&fixture->end, fixture->plan, &fixture->key, fixture->path,
                     sizeof(fixture->path), &fixture->fault);
}

static void assert_found(struct fixture *fixture, const char *folder,
                         const char *name)
{
    char expected[160];

    in_folder(folder, name, expected, sizeof(expected));
    if (find(fixture))
        fail_msg("%s", fixture->fault.text);
    assert_string_equal(fixture->path, expected);
    assert_int_equal(strlen(fixture->key.id), 8);
}

/* From the last place that is looked at to the first. */
static void the_nearest_key_is_taken(void **state)
{
    struct fixture *fixture = *state;

    make_key(fixture->settings, "bothends.key");
    assert_found(fixture, fixture->settings, "bothends.key");
    make_key(fixture->settings, "skerry.key");
    assert_found(fixture, fixture->settings, "skerry.key");
    make_key(fixture->home, "bothends.key");
    assert_found(fixture, fixture->home, "bothends.key");
    make_key(fixture->home, "skerry.key");
    assert_found(fixture, fixture->home, "skerry.key");
    make_key(fixture->home, "other.key");
    (void) snprintf(fixture->end.key, sizeof(fixture->end.key), "other.key");
    assert_found(fixture, fixture->home, "other.key");
}

static void a_key_named_in_the_plan_may_have_a_whole_path(void **state)
{
    struct fixture *fixture = *state;

    make_key(fixture->settings, "other.key");
    in_folder(fixture->settings, "other.key", fixture->end.key,
              sizeof(fixture->end.key));
    assert_found(fixture, fixture->settings, "other.key");
}

static void a_key_named_in_the_plan_is_not_replaced_by_another(void **state)
{
    struct fixture *fixture = *state;

    make_key(fixture->home, "skerry.key");
    (void) snprintf(fixture->end.key, sizeof(fixture->end.key), "other.key");
    assert_int_equal(find(fixture), UV_ENOENT);
    assert_non_null(strstr(fixture->fault.text, "other.key"));
}

static void without_a_key_every_place_and_the_remedy_are_told(void **state)
{
    struct fixture *fixture = *state;
    char expected[512];

    assert_int_equal(find(fixture), UV_ENOENT);
    (void) snprintf(expected, sizeof(expected),
                    "skerry: no key for its agent: looked for skerry.key and "
                    "bothends.key in '%s' and '%s'; make one with "
                    "'bothends-agent --new-key skerry.key' and give a copy to "
                    "both computers",
                    fixture->home, fixture->settings);
    assert_string_equal(fixture->fault.text, expected);
}

static void a_key_that_others_can_read_is_not_passed_over(void **state)
{
    struct fixture *fixture = *state;
    char path[160];

    make_key(fixture->home, "skerry.key");
    make_key(fixture->settings, "skerry.key");
    in_folder(fixture->home, "skerry.key", path, sizeof(path));
    assert_int_equal(chmod(path, 0644), 0);
    assert_int_equal(find(fixture), UV_EACCES);
    assert_non_null(strstr(fixture->fault.text, "chmod 600"));
}

static void without_a_settings_folder_the_home_folder_has_one(void **state)
{
    struct fixture *fixture = *state;

    assert_int_equal(unsetenv("XDG_CONFIG_HOME"), 0);
    assert_int_equal(setenv("HOME", fixture->home, 1), 0);
    assert_int_equal(find(fixture), UV_ENOENT);
    assert_non_null(strstr(fixture->fault.text, "/.config/bothends'"));
    assert_int_equal(unsetenv("HOME"), 0);
    assert_int_equal(find(fixture), UV_ENOENT);
    assert_null(strstr(fixture->fault.text, ".config"));
}

static void a_path_that_is_too_long_is_refused(void **state)
{
    struct fixture *fixture = *state;

    assert_int_equal(keys_find(&fixture->end, fixture->plan, &fixture->key,
                               fixture->path, 10, &fixture->fault),
                     UV_ENAMETOOLONG);
}

int main(void)
{
#define WITH_FIXTURE(test)                                                     \
    cmocka_unit_test_setup_teardown(test, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        WITH_FIXTURE(the_nearest_key_is_taken),
        WITH_FIXTURE(a_key_named_in_the_plan_may_have_a_whole_path),
        WITH_FIXTURE(a_key_named_in_the_plan_is_not_replaced_by_another),
        WITH_FIXTURE(without_a_key_every_place_and_the_remedy_are_told),
        WITH_FIXTURE(a_key_that_others_can_read_is_not_passed_over),
        WITH_FIXTURE(without_a_settings_folder_the_home_folder_has_one),
        WITH_FIXTURE(a_path_that_is_too_long_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
