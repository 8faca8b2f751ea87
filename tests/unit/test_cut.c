/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/cut.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/* Linked with --wrap: an agent, an operator and a logbook as the test wants
 * them. */
int __wrap_ends_ask(struct ends *ends, int number,
                    const struct ends_question *question,
                    struct ends_answer *ret_answer, struct fault *fault);
const char *__wrap_ends_address(const struct ends *ends, int end);
bool __wrap_operator_read_line(struct conductor *conductor, char *ret_line,
                               size_t size);
int __wrap_conductor_note(struct conductor *conductor, const char *class,
                          struct fault *fault, const char *format, ...)
    __attribute__((format(printf, 4, 5)));
int __wrap_conductor_pause(struct conductor *conductor, uint64_t until_ns,
                           conductor_tick_fn *on_tick, void *owner);

static struct {
    const char *const *lines; /* typed, NULL-ended */
    const char *looks; /* a letter a look: a answered, s silent, n no way */
    unsigned look_count, line_count;
    char class[NAME_SIZE], note[512];
    unsigned note_count;
} scene;

int __wrap_ends_ask(struct ends *ends, int number,
                    const struct ends_question *question,
                    struct ends_answer *ret_answer, struct fault *fault)
{
    const char look = scene.looks[scene.look_count];

    (void) ends;
    (void) fault;
    assert_int_equal(number, 0); /* only our own agent is asked */
    assert_string_equal(question->target,
                        "/way?to=192.0.2.11&from=192.0.2.10&interface=air0");
    if (!look)
        fail_msg("looked more often than was told");
    scene.look_count++;
    ret_answer->status = look == 'n' ? 422 : 200;
    if (look != 'n')
        ret_answer->body =
            json_pack("{s:s, s:[{s:b}, {s:b}, {s:b}]}", "interface", "air0",
                      "echoes", "answered", look == 'a', "answered", false,
                      "answered", look == 'a');
    return 0;
}

const char *__wrap_ends_address(const struct ends *ends, int end)
{
    (void) ends;
    return end ? "192.0.2.11" : "192.0.2.10";
}

bool __wrap_operator_read_line(struct conductor *conductor, char *ret_line,
                               size_t size)
{
    const char *line = scene.lines[scene.line_count];

    (void) conductor;
    if (!line)
        return false;
    scene.line_count++;
    (void) snprintf(ret_line, size, "%s", line);
    return true;
}

int __wrap_conductor_note(struct conductor *conductor, const char *class,
                          struct fault *fault, const char *format, ...)
{
    va_list arguments;

    (void) conductor;
    (void) fault;
    (void) snprintf(scene.class, sizeof(scene.class), "%s", class);
    va_start(arguments, format);
    (void) vsnprintf(scene.note, sizeof(scene.note), format, arguments);
    va_end(arguments);
    scene.note_count++;
    return 0;
}

int __wrap_conductor_pause(struct conductor *conductor, uint64_t until_ns,
                           conductor_tick_fn *on_tick, void *owner)
{
    (void) conductor;
    (void) until_ns;
    (void) on_tick;
    (void) owner;
    return 0;
}

/* Whether the run is to end, and whether it has troubles. */
struct outcome {
    bool quits, has_troubles;
};

static struct outcome play(const char *looks, const char *const *lines)
{
    static struct plan plan;
    struct display display;
    FILE *out = fopen("/dev/null", "w");
    struct fault fault = { 0 };
    struct outcome outcome;

    memset(&plan, 0, sizeof(plan));
    memset(&scene, 0, sizeof(scene));
    scene.looks = looks;
    scene.lines = lines;
    plan.end_count = 2;
    (void) snprintf(plan.ends[0].name, NAME_SIZE, "quarry");
    (void) snprintf(plan.ends[0].interface, NAME_SIZE, "air0");
    (void) snprintf(plan.ends[1].name, NAME_SIZE, "jetty");
    display_init(&display, out);
    struct conductor conductor = { .plan = &plan,
                                   .display = &display,
                                   .step = SIZE_MAX };
    assert_int_equal(cut_test(&conductor, &outcome.quits, &fault), 0);
    outcome.has_troubles = conductor.has_troubles;
    (void) fclose(out);
    assert_int_equal(scene.looks[scene.look_count], '\0');
    return outcome;
}

static void silence_and_then_answers_are_evidence(void **state)
{
    static const char *const lines[] = { "", "", NULL };
    const struct outcome outcome = play("sa", lines);

    (void) state;
    assert_false(outcome.quits);
    assert_false(outcome.has_troubles);
    assert_string_equal(scene.class, "cut");
    assert_non_null(strstr(scene.note, "none of 3 echoes was answered from "
                                       "jetty"));
    assert_non_null(strstr(scene.note, "plugged in again 2 of 3 were"));
}

static void what_was_still_in_the_queue_is_waited_out(void **state)
{
    static const char *const lines[] = { "", "", NULL };

    (void) state;
    (void) play("aasa", lines);
    assert_string_equal(scene.class, "cut");
}

static void an_interface_that_went_with_the_radio_is_silence(void **state)
{
    static const char *const lines[] = { "", "", NULL };

    (void) state;
    (void) play("na", lines);
    assert_string_equal(scene.class, "cut");
    assert_non_null(strstr(scene.note, "no way left"));
}

static void answers_that_still_come_go_another_way(void **state)
{
    static const char *const lines[] = { "", "", NULL };
    const struct outcome outcome = play("aaaa", lines);

    (void) state;
    assert_true(outcome.has_troubles);
    assert_int_equal(scene.note_count, 1);
    assert_string_equal(scene.class, "interface");
    assert_non_null(strstr(scene.note, "answers still came from jetty "
                                       "(192.0.2.11), by interface air0"));
}

static void a_radio_that_does_not_come_back_is_asked_for_again(void **state)
{
    static const char *const lines[] = { "", "", "", NULL };

    (void) state;
    assert_false(play("sssssssa", lines).quits);
    assert_string_equal(scene.class, "cut");
    assert_int_equal(scene.line_count, 3);
}

static void the_operator_may_skip_it_or_end_the_run(void **state)
{
    static const char *const skips[] = { "what", "s", NULL };
    static const char *const quits[] = { "q", NULL };
    static const char *const ends[] = { NULL };

    (void) state;
    assert_false(play("", skips).quits);
    assert_int_equal(scene.note_count, 0);
    assert_true(play("", quits).quits);
    assert_true(play("", ends).quits);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(silence_and_then_answers_are_evidence),
        cmocka_unit_test(what_was_still_in_the_queue_is_waited_out),
        cmocka_unit_test(an_interface_that_went_with_the_radio_is_silence),
        cmocka_unit_test(answers_that_still_come_go_another_way),
        cmocka_unit_test(a_radio_that_does_not_come_back_is_asked_for_again),
        cmocka_unit_test(the_operator_may_skip_it_or_end_the_run),
    };

    return cmocka_run_group_tests_name("cut", tests, NULL, NULL);
}
