/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/spool.h"

#include <errno.h>
#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

/* Fault injection: fsync and renameat of the spool fail while these are set
 * (linked with --wrap). */
int __real_fsync(int fd);
int __wrap_fsync(int fd);
int __real_renameat(int from_fd, const char *from, int to_fd, const char *to);
int __wrap_renameat(int from_fd, const char *from, int to_fd, const char *to);

static int fsync_error, rename_error;
static bool fsync_fails_once;
static unsigned fsync_count;

int __wrap_fsync(int fd)
{
    fsync_count++;
    if (fsync_error) {
        errno = fsync_error;
        fsync_error = fsync_fails_once ? 0 : fsync_error;
        return -1;
    }
    return __real_fsync(fd);
}

int __wrap_renameat(int from_fd, const char *from, int to_fd, const char *to)
{
    if (rename_error) {
        errno = rename_error;
        return -1;
    }
    return __real_renameat(from_fd, from, to_fd, to);
}

struct fixture {
    uv_loop_t loop;
    char folder[64];
    char deep[96]; /* the spool's folder, two below */
    struct spool *spool;
    unsigned put_count;
    struct fault put_fault;
    char listed[128];
};

static void open_spool(struct fixture *fixture)
{
    struct fault fault = { 0 };

    if (spool_open(&fixture->loop, fixture->deep, &fixture->spool, &fault) < 0)
        fail_msg("%s", fault.text);
}

static void reopen(struct fixture *fixture)
{
    spool_close(fixture->spool);
    fixture->spool = NULL;
    open_spool(fixture);
}

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));

    (void) uv_loop_init(&fixture->loop);
    (void) snprintf(fixture->folder, sizeof(fixture->folder),
                    "/tmp/bothends-test-XXXXXX");
    if (!mkdtemp(fixture->folder))
        return -1;
    (void) snprintf(fixture->deep, sizeof(fixture->deep), "%s/state/spool",
                    fixture->folder);
    open_spool(fixture);
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;
    char command[128];

    fsync_error = rename_error = 0;
    spool_close(fixture->spool);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_loop_close(&fixture->loop), 0);
    (void) snprintf(command, sizeof(command), "rm -rf '%s'", fixture->folder);
    assert_int_equal(system(command), 0);
    free(fixture);
    return 0;
}

static void on_put(void *owner, const char *id, const struct fault *fault)
{
    struct fixture *fixture = owner;

    (void) id;
    fixture->put_count++;
    fixture->put_fault = *fault;
}

static void put(struct fixture *fixture, const char *id, const char *text)
{
    spool_put(fixture->spool, id, strdup(text), strlen(text), on_put, fixture);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_equal(fixture->put_count, 1);
    fixture->put_count = 0;
}

static void assert_holds(const struct fixture *fixture, const char *id,
                         const char *expected)
{
    char *text = NULL;
    size_t text_bytes = 0;

    assert_int_equal(spool_get(fixture->spool, id, &text, &text_bytes), 0);
    assert_int_equal(text_bytes, strlen(expected));
    assert_memory_equal(text, expected, text_bytes);
    free(text);
}

static void assert_holds_not(const struct fixture *fixture, const char *id)
{
    char *text = NULL;
    size_t text_bytes = 0;

    assert_int_equal(spool_get(fixture->spool, id, &text, &text_bytes),
                     UV_ENOENT);
}

static bool has_file(const struct fixture *fixture, const char *name)
{
    char path[256];

    (void) snprintf(path, sizeof(path), "%s/%s", fixture->deep, name);
    return access(path, F_OK) == 0;
}

static void list(void *owner, const char *id)
{
    struct fixture *fixture = owner;
    const size_t used = strlen(fixture->listed);

    (void) snprintf(fixture->listed + used, sizeof(fixture->listed) - used,
                    "%s;", id);
}

static void an_account_survives_a_restart(void **state)
{
    struct fixture *fixture = *state;

    put(fixture, "a1-1", "{\"state\":\"done\"}");
    assert_int_equal(fixture->put_fault.code, 0);
    reopen(fixture);
    assert_holds(fixture, "a1-1", "{\"state\":\"done\"}");
    spool_each(fixture->spool, false, list, fixture);
    assert_string_equal(fixture->listed, "a1-1;");
}

static void an_account_is_on_the_disk_before_it_is_announced(void **state)
{
    struct fixture *fixture = *state;

    fsync_count = 0;
    put(fixture, "a1-1", "{}");
    /* The file, and then the folder that names it. */
    assert_int_equal(fsync_count, 2);
    assert_true(has_file(fixture, "a1-1.json"));
    assert_false(has_file(fixture, "a1-1.part"));
}

static void a_dropped_account_is_gone_for_good(void **state)
{
    struct fixture *fixture = *state;

    put(fixture, "a1-1", "{}");
    spool_drop(fixture->spool, "a1-1");
    spool_drop(fixture->spool, "never-there");
    assert_holds_not(fixture, "a1-1");
    reopen(fixture);
    assert_holds_not(fixture, "a1-1");
}

static void an_order_under_way_is_found_after_a_restart(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };
    char *order = NULL;
    size_t order_bytes = 0;

    assert_int_equal(spool_mark(fixture->spool, "a1-2", "{order}", 7, &fault),
                     0);
    reopen(fixture);
    spool_each(fixture->spool, true, list, fixture);
    assert_string_equal(fixture->listed, "a1-2;");
    assert_int_equal(
        spool_get_order(fixture->spool, "a1-2", &order, &order_bytes), 0);
    assert_string_equal(order, "{order}");
    free(order);
}

static void an_account_takes_the_place_of_its_order(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    assert_int_equal(spool_mark(fixture->spool, "a1-2", "{order}", 7, &fault),
                     0);
    put(fixture, "a1-2", "{}");
    assert_false(has_file(fixture, "a1-2.order"));
    spool_each(fixture->spool, true, list, fixture);
    assert_string_equal(fixture->listed, "");
}

static void a_half_written_account_is_swept_at_the_next_start(void **state)
{
    struct fixture *fixture = *state;
    char path[256];

    (void) snprintf(path, sizeof(path), "%s/a1-3.part", fixture->deep);
    const int fd = open(path, O_CREAT | O_WRONLY, 0600);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, "{\"sta", 5), 5);
    (void) close(fd);
    reopen(fixture);
    assert_holds_not(fixture, "a1-3");
    assert_false(has_file(fixture, "a1-3.part"));
}

static void a_full_or_read_only_disk_leaves_the_account_in_memory(void **state)
{
    static const struct {
        int *place;
        int error;
        const char *words;
    } cases[] = {
        { &fsync_error, ENOSPC, "no space left" },
        { &fsync_error, EIO, "i/o error" },
        { &rename_error, EROFS, "read-only" },
    };
    struct fixture *fixture = *state;

    for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
        print_message("case %zu\n", i);
        *cases[i].place = cases[i].error;
        put(fixture, "a1-4", "{\"kept\":1}");
        *cases[i].place = 0;
        assert_int_equal(fixture->put_fault.code, -cases[i].error);
        assert_non_null(strstr(fixture->put_fault.text, cases[i].words));
        assert_false(has_file(fixture, "a1-4.json"));
        assert_false(has_file(fixture, "a1-4.part"));
        assert_holds(fixture, "a1-4", "{\"kept\":1}");
        spool_keep(fixture->spool, "a1-4", strdup("{}"), 2);
        assert_holds(fixture, "a1-4", "{}");
        spool_drop(fixture->spool, "a1-4");
        assert_holds_not(fixture, "a1-4");
    }
}

static off_t reserve_bytes(const struct fixture *fixture)
{
    struct stat found;
    char path[256];

    (void) snprintf(path, sizeof(path), "%s/lock", fixture->deep);
    assert_int_equal(stat(path, &found), 0);
    return found.st_size;
}

static void an_account_gets_the_reserve_of_a_disk_that_filled(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    assert_true(reserve_bytes(fixture) >= 100000);
    fsync_error = ENOSPC;
    fsync_fails_once = true;
    put(fixture, "a1-6", "{\"late\":1}");
    fsync_fails_once = false;
    assert_int_equal(fixture->put_fault.code, 0);
    assert_true(has_file(fixture, "a1-6.json"));
    assert_int_equal(reserve_bytes(fixture), 0);
    assert_int_equal(spool_mark(fixture->spool, "a1-7", "{}", 2, &fault), 0);
    assert_true(reserve_bytes(fixture) >= 100000);
}

static void a_mark_that_cannot_be_written_is_a_fault(void **state)
{
    struct fixture *fixture = *state;
    struct fault fault = { 0 };

    fsync_error = ENOSPC;
    assert_int_equal(spool_mark(fixture->spool, "a1-5", "{}", 2, &fault),
                     UV_ENOSPC);
    assert_non_null(strstr(fault.text, fixture->deep));
}

static void a_second_agent_is_kept_out(void **state)
{
    struct fixture *fixture = *state;
    struct spool *second = NULL;
    struct fault fault = { 0 };

    assert_int_equal(spool_open(&fixture->loop, fixture->deep, &second, &fault),
                     UV_EBUSY);
    assert_non_null(strstr(fault.text, "another agent"));
    assert_non_null(strstr(fault.text, "--spool"));
}

static void a_folder_that_cannot_be_made_is_told(void **state)
{
    struct fixture *fixture = *state;
    struct spool *second = NULL;
    struct fault fault = { 0 };

    assert_true(spool_open(&fixture->loop, "/proc/no/spool", &second, &fault)
                < 0);
    assert_non_null(strstr(fault.text, "/proc/no/spool"));
}

static void ids_that_are_not_ids_are_refused(void **state)
{
    static const char *const wrong[] = {
        "",      "../etc/passwd",
        "A1-1",  "a1.1",
        "a1_1",  "a/b",
        "a1-1 ", "0123456789012345678901234567890123456789",
    };

    (void) state;
    for (size_t i = 0; i < sizeof(wrong) / sizeof(wrong[0]); i++) {
        if (spool_id_is_right(wrong[i]))
            fail_msg("taken: '%s'", wrong[i]);
    }
    assert_true(spool_id_is_right("k3v9-12-1"));
    assert_true(spool_id_is_right("012345678901234567890123456789012345678"));
}

#define PROMISE(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        PROMISE(an_account_survives_a_restart),
        PROMISE(an_account_is_on_the_disk_before_it_is_announced),
        PROMISE(a_dropped_account_is_gone_for_good),
        PROMISE(an_order_under_way_is_found_after_a_restart),
        PROMISE(an_account_takes_the_place_of_its_order),
        PROMISE(a_half_written_account_is_swept_at_the_next_start),
        PROMISE(a_full_or_read_only_disk_leaves_the_account_in_memory),
        PROMISE(an_account_gets_the_reserve_of_a_disk_that_filled),
        PROMISE(a_mark_that_cannot_be_written_is_a_fault),
        PROMISE(a_second_agent_is_kept_out),
        PROMISE(a_folder_that_cannot_be_made_is_told),
        PROMISE(ids_that_are_not_ids_are_refused),
    };

    return cmocka_run_group_tests_name("spool", tests, NULL, NULL);
}
