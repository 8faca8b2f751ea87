/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/awake.h"

#include "agent/clock.h"

#include <bothends/units.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#define DEADLINE_NS (20 * NS_PER_S)

/* A program of the system's name that leaves its process number and what it
 * was given, in a folder of its own. */
struct fixture {
    uv_loop_t loop;
    char folder[64], told[96], *path;
    struct awake *awake;
};

static void make_program(const struct fixture *fixture, const char *script)
{
    char path[128];

    (void) snprintf(path, sizeof(path), "%s/systemd-inhibit", fixture->folder);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    (void) fprintf(file, "#!/bin/sh\n%s\n", script);
    (void) fclose(file);
    assert_int_equal(chmod(path, 0700), 0);
}

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof(*fixture));
    char path[1024];

    (void) strcpy(fixture->folder, "/tmp/bothends-awake-XXXXXX");
    assert_non_null(mkdtemp(fixture->folder));
    (void) snprintf(fixture->told, sizeof(fixture->told), "%s/told",
                    fixture->folder);
    fixture->path = strdup(getenv("PATH"));
    (void) snprintf(path, sizeof(path), "%s:/usr/bin:/bin", fixture->folder);
    (void) setenv("PATH", path, 1);
    (void) setenv("TOLD", fixture->told, 1);
    (void) uv_loop_init(&fixture->loop);
    fixture->awake = awake_open(&fixture->loop);
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;
    char line[128];

    awake_close(fixture->awake);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_loop_close(&fixture->loop), 0);
    (void) setenv("PATH", fixture->path, 1);
    free(fixture->path);
    (void) snprintf(line, sizeof(line), "rm -r %s", fixture->folder);
    assert_int_equal(system(line), 0);
    free(fixture);
    return 0;
}

/* What the program left: its number, and its arguments. */
static pid_t wait_until_told(struct fixture *fixture, char arguments[256])
{
    const uint64_t until_ns = clock_now_ns() + DEADLINE_NS;
    int pid = 0;

    while (clock_now_ns() < until_ns) {
        FILE *file = fopen(fixture->told, "r");

        if (file && fscanf(file, "%d %255[^\n]", &pid, arguments) == 2) {
            (void) fclose(file);
            return pid;
        }
        if (file)
            (void) fclose(file);
        (void) uv_run(&fixture->loop, UV_RUN_NOWAIT);
        (void) usleep(1000);
    }
    fail_msg("the program was not started");
    return 0;
}

static void it_is_held_while_wanted_and_let_go_with_its_program(void **state)
{
    struct fixture *fixture = *state;
    char arguments[256];

    make_program(fixture, "echo $$ \"$@\" >$TOLD.new; mv $TOLD.new $TOLD; "
                          "sleep 300");
    assert_true(awake_can());
    awake_hold(fixture->awake, clock_now_ns() + 200 * NS_PER_S);
    const pid_t pid = wait_until_told(fixture, arguments);
    assert_int_equal(kill(pid, 0), 0);
    assert_non_null(strstr(arguments, "--what=sleep:idle"));
    assert_non_null(strstr(arguments, "--mode=block sleep 20"));
    awake_release(fixture->awake);
    (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    assert_int_not_equal(kill(pid, 0), 0);
}

static void a_system_that_refuses_is_not_asked_again(void **state)
{
    struct fixture *fixture = *state;

    make_program(fixture, "echo x >>$TOLD; echo 'access denied' >&2; exit 1");
    for (int i = 0; i < 3; i++) {
        awake_hold(fixture->awake, clock_now_ns() + 200 * NS_PER_S);
        (void) uv_run(&fixture->loop, UV_RUN_DEFAULT);
    }
    struct stat facts;
    assert_int_equal(stat(fixture->told, &facts), 0);
    assert_int_equal(facts.st_size, 2);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(
            it_is_held_while_wanted_and_let_go_with_its_program, set_up,
            tear_down),
        cmocka_unit_test_setup_teardown(
            a_system_that_refuses_is_not_asked_again, set_up, tear_down),
    };

    return cmocka_run_group_tests_name("awake", tests, NULL, NULL);
}
