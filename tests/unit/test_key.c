/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/key.h"

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <uv.h>

#include <cmocka.h>

/* Fault injection (linked with --wrap): the disk is full. */
int __real_fsync(int fd);
int __wrap_fsync(int fd);
static bool disk_is_full;

int __wrap_fsync(int fd)
{
    if (!disk_is_full)
        return __real_fsync(fd);
    errno = ENOSPC;
    return -1;
}

struct fixture {
    char folder[64];
    char path[96];
};

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    (void) snprintf(fixture->folder, sizeof(fixture->folder),
                    "/tmp/bothends-key.XXXXXX");
    assert_non_null(mkdtemp(fixture->folder));
    (void) snprintf(fixture->path, sizeof(fixture->path), "%s/skerry.key",
                    fixture->folder);
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;

    (void) unlink(fixture->path);
    assert_int_equal(rmdir(fixture->folder), 0);
    free(fixture);
    return 0;
}

static void write_file(const char *path, const char *text, mode_t mode)
{
    FILE *file = fopen(path, "w");

    assert_non_null(file);
    assert_true(fputs(text, file) >= 0);
    assert_int_equal(fclose(file), 0);
    assert_int_equal(chmod(path, mode), 0);
}

static void assert_not_read(const char *path, int code, const char *words)
{
    struct wire_key key;
    struct fault fault = { 0 };

    assert_int_equal(wire_key_read(path, &key, &fault), code);
    assert_non_null(strstr(fault.text, path));
    if (!strstr(fault.text, words))
        fail_msg("'%s' does not say '%s'", fault.text, words);
}

static void a_new_key_is_written_for_its_owner_only_and_read_back(void **state)
{
    const struct fixture *fixture = *state;
    struct fault fault = { 0 };
    struct wire_key key, again;
    struct stat status;

    if (wire_key_create(fixture->path, &fault))
        fail_msg("%s", fault.text);
    assert_int_equal(stat(fixture->path, &status), 0);
    assert_int_equal(status.st_mode & 07777, 0600);
    assert_int_equal(status.st_size, 2 * WIRE_KEY_BYTES + 1);
    assert_int_equal(wire_key_read(fixture->path, &key, &fault), 0);
    assert_int_equal(wire_key_read(fixture->path, &again, &fault), 0);
    assert_memory_equal(key.bytes, again.bytes, WIRE_KEY_BYTES);
    assert_int_equal(strlen(key.id), 8);
}

static void two_new_keys_differ(void **state)
{
    struct wire_key one, other;

    (void) state;
    wire_key_random(&one);
    wire_key_random(&other);
    assert_memory_not_equal(one.bytes, other.bytes, WIRE_KEY_BYTES);
}

static void a_key_that_is_there_is_never_overwritten(void **state)
{
    const struct fixture *fixture = *state;
    struct fault fault = { 0 };
    struct wire_key before, after;

    assert_int_equal(wire_key_create(fixture->path, &fault), 0);
    assert_int_equal(wire_key_read(fixture->path, &before, &fault), 0);
    assert_int_equal(wire_key_create(fixture->path, &fault), UV_EEXIST);
    assert_non_null(strstr(fault.text, "stays as it is"));
    assert_int_equal(wire_key_read(fixture->path, &after, NULL), 0);
    assert_memory_equal(before.bytes, after.bytes, WIRE_KEY_BYTES);
}

static void half_a_key_is_not_left_behind(void **state)
{
    const struct fixture *fixture = *state;
    struct fault fault = { 0 };

    disk_is_full = true;
    const int code = wire_key_create(fixture->path, &fault);
    disk_is_full = false;
    assert_int_equal(code, UV_EIO);
    assert_non_null(strstr(fault.text, "No space left on device"));
    assert_int_equal(access(fixture->path, F_OK), -1);
}

/* FIPS 180-4: SHA-256 of 32 zero octets begins with 66687aad. */
static void the_id_is_the_begin_of_the_keys_hash(void **state)
{
    const struct fixture *fixture = *state;
    struct fault fault = { 0 };
    struct wire_key key;

    write_file(fixture->path,
               "0000000000000000000000000000000000000000000000000000000000000"
               "000\n",
               0600);
    assert_int_equal(wire_key_read(fixture->path, &key, &fault), 0);
    assert_string_equal(key.id, "66687aad");
}

static void a_key_that_others_can_read_is_refused_with_the_remedy(void **state)
{
    const struct fixture *fixture = *state;
    char remedy[128];
    static const mode_t modes[] = { 0640, 0604, 0660, 0644, 0610 };

    assert_int_equal(wire_key_create(fixture->path, NULL), 0);
    (void) snprintf(remedy, sizeof(remedy), "chmod 600 %s", fixture->path);
    for (size_t i = 0; i < sizeof(modes) / sizeof(modes[0]); i++) {
        assert_int_equal(chmod(fixture->path, modes[i]), 0);
        assert_not_read(fixture->path, UV_EACCES, remedy);
    }
    assert_int_equal(chmod(fixture->path, 0400), 0);
    assert_int_equal(
        wire_key_read(fixture->path, &(struct wire_key){ 0 }, NULL), 0);
}

static void a_file_that_holds_no_key_is_refused(void **state)
{
    const struct fixture *fixture = *state;
    static const char *const texts[] = {
        "",
        "\n",
        "secret\n",
        "000000000000000000000000000000000000000000000000000000000000000\n",
        "00000000000000000000000000000000000000000000000000000000000000000\n",
        "000000000000000000000000000000000000000000000000000000000000000g\n",
        "0000000000000000000000000000000000000000000000000000000000000000\n0",
        " 0000000000000000000000000000000000000000000000000000000000000000",
    };

    for (size_t i = 0; i < sizeof(texts) / sizeof(texts[0]); i++) {
        write_file(fixture->path, texts[i], 0600);
        assert_not_read(fixture->path, UV_EINVAL, "64 hexadecimal digits");
    }
}

static void a_key_file_that_is_not_there_or_no_file_is_refused(void **state)
{
    const struct fixture *fixture = *state;

    assert_not_read(fixture->path, UV_ENOENT, "cannot open");
    assert_not_read(fixture->folder, UV_EINVAL, "no ordinary file");
}

int main(void)
{
#define WITH_FIXTURE(test)                                                     \
    cmocka_unit_test_setup_teardown(test, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        WITH_FIXTURE(a_new_key_is_written_for_its_owner_only_and_read_back),
        WITH_FIXTURE(two_new_keys_differ),
        WITH_FIXTURE(a_key_that_is_there_is_never_overwritten),
        WITH_FIXTURE(half_a_key_is_not_left_behind),
        WITH_FIXTURE(the_id_is_the_begin_of_the_keys_hash),
        WITH_FIXTURE(a_key_that_others_can_read_is_refused_with_the_remedy),
        WITH_FIXTURE(a_file_that_holds_no_key_is_refused),
        WITH_FIXTURE(a_key_file_that_is_not_there_or_no_file_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
