/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/contact.h"

#include <setjmp.h>
#include <stdarg.h>
#include <string.h>

#include <cmocka.h>

static int read_way_text(const char *text, struct contact_way *ret_way,
                         struct fault *fault)
{
    json_t *body = json_loads(text, 0, NULL);
    const int code = contact_read_way(body, ret_way, fault);

    json_decref(body);
    return code;
}

static int read_self_text(const char *text, struct contact_self *ret_self,
                          struct fault *fault)
{
    json_t *body = json_loads(text, 0, NULL);
    const int code = contact_read_self(body, ret_self, fault);

    json_decref(body);
    return code;
}

static void battery_and_readings_are_read_or_known_not_to_be_there(void **state)
{
    struct contact_self self;
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(
        read_self_text("{\"protocol\": 1, \"battery_percent\": 0, "
                       "\"on_mains\": false, \"can_read_radio\": true, "
                       "\"readings_ns\": 120000000}",
                       &self, &fault),
        0);
    assert_int_equal(self.battery_percent, 0);
    assert_false(self.on_mains);
    assert_true(self.reads_radio);
    assert_int_equal(self.readings_ns, 120000000);
    assert_int_equal(read_self_text("{\"protocol\": 1, "
                                    "\"battery_percent\": 300}",
                                    &self, &fault),
                     0);
    assert_int_equal(self.battery_percent, -1);
    assert_false(self.reads_radio);
}

static void hops_follow_from_the_ttl_that_arrived(void **state)
{
    static const struct {
        uint64_t ttl, hops;
    } cases[] = { { 64, 1 },  { 62, 3 },  { 128, 1 }, { 125, 4 },
                  { 255, 1 }, { 250, 6 }, { 1, 64 },  { 0, 0 } };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++)
        assert_int_equal(contact_hops(cases[i].ttl), cases[i].hops);
}

static void a_way_is_read_whole(void **state)
{
    struct contact_way way;
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(
        read_way_text("{\"interface\": \"air0\", \"source_address\": "
                      "\"192.0.2.1\", \"gateway\": \"192.0.2.254\", "
                      "\"mtu_bytes\": 1400, \"is_own\": false, \"echoes\": ["
                      "{\"answered\": true, \"rtt_ns\": 300, \"ttl\": 63},"
                      "{\"answered\": false},"
                      "{\"answered\": true, \"rtt_ns\": 200, \"ttl\": 63}],"
                      "\"whole\": {\"answered\": false, \"bytes\": 1500, "
                      "\"trouble\": \"too long\"}}",
                      &way, &fault),
        0);
    assert_string_equal(way.interface, "air0");
    assert_string_equal(way.source_address, "192.0.2.1");
    assert_string_equal(way.gateway, "192.0.2.254");
    assert_int_equal(way.mtu_bytes, 1400);
    assert_int_equal(way.echo_count, 3);
    assert_int_equal(way.answered_count, 2);
    assert_int_equal(way.least_rtt_ns, 200);
    assert_int_equal(way.hops, 2);
    assert_int_equal(way.whole_asked_count, 1);
    assert_int_equal(way.whole_answered_count, 0);
    assert_int_equal(way.whole_bytes, 1500);
    assert_string_equal(way.whole_trouble, "too long");
}

static void a_way_asked_for_again_adds_to_what_is_known(void **state)
{
    static const struct {
        bool first, second;
        uint64_t answered;
    } cases[] = { { false, false, 0 }, { false, true, 1 }, { true, true, 2 } };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        json_t *body =
            json_pack("{s:[{s:b},{s:b,s:i}],s:{s:b,s:i}}", "echoes", "answered",
                      false, "answered", true, "rtt_ns", 5000, "whole",
                      "answered", cases[i].first, "bytes", 1500);
        json_t *again = json_pack("{s:[{s:b,s:i}],s:{s:b,s:i}}", "echoes",
                                  "answered", true, "rtt_ns", 4000, "whole",
                                  "answered", cases[i].second, "bytes", 1500);
        struct contact_way way;
        struct fault fault = { 0 };

        contact_add_way(body, again);
        assert_int_equal(contact_read_way(body, &way, &fault), 0);
        assert_int_equal(way.echo_count, 3);
        assert_int_equal(way.answered_count, 2);
        assert_int_equal(way.least_rtt_ns, 4000);
        assert_int_equal(way.whole_asked_count, 2);
        assert_int_equal(way.whole_answered_count, cases[i].answered);
        /* And once more. */
        contact_add_way(body, again);
        assert_int_equal(contact_read_way(body, &way, &fault), 0);
        assert_int_equal(way.echo_count, 4);
        assert_int_equal(way.whole_asked_count, 3);
        assert_int_equal(way.whole_answered_count,
                         cases[i].answered + cases[i].second);
        json_decref(again);
        json_decref(body);
    }
}

/* From outside: nothing that is added may be of another form. */
static void an_odd_second_answer_adds_nothing(void **state)
{
    static const char *const odd[] = { "{}", "[]", "{\"echoes\": 3}",
                                       "{\"echoes\": [], \"whole\": []}" };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(odd); i++) {
        json_t *body = json_pack("{s:[{s:b}],s:{s:b}}", "echoes", "answered",
                                 true, "whole", "answered", false);
        json_t *again = json_loads(odd[i], 0, NULL);
        struct contact_way way;
        struct fault fault = { 0 };

        contact_add_way(body, again);
        assert_int_equal(contact_read_way(body, &way, &fault), 0);
        assert_int_equal(way.echo_count, 1);
        assert_int_equal(way.whole_asked_count, 1);
        json_decref(again);
        json_decref(body);
    }
}

static void answers_of_another_form_are_refused(void **state)
{
    static const char *const cases[] = { "[]", "{}", "{\"echoes\": 3}" };
    struct contact_way way;

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct fault fault = { 0 };

        assert_int_equal(read_way_text(cases[i], &way, &fault), UV_EPROTO);
        assert_non_null(strstr(fault.text, "expected"));
    }
}

static void odd_values_do_no_harm(void **state)
{
    struct contact_way way;
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(
        read_way_text("{\"interface\": 7, \"mtu_bytes\": -5, \"echoes\": "
                      "[3, {\"answered\": true, \"ttl\": 9999}]}",
                      &way, &fault),
        0);
    assert_string_equal(way.interface, "");
    assert_int_equal(way.mtu_bytes, 0);
    assert_int_equal(way.hops, 0);
    assert_int_equal(way.echo_count, 2);
}

static void
an_agent_of_another_protocol_is_refused_with_its_version(void **state)
{
    struct contact_self self;
    struct fault fault = { 0 };

    (void) state;
    assert_int_equal(read_self_text("{\"protocol\": 1, \"version\": \"0.1.0\", "
                                    "\"icmp\": \"raw\"}",
                                    &self, &fault),
                     0);
    assert_string_equal(self.icmp, "raw");
    assert_int_equal(read_self_text("{\"protocol\": 9, \"version\": \"7.5\"}",
                                    &self, &fault),
                     UV_EPROTO);
    assert_non_null(strstr(fault.text, "7.5"));
    assert_non_null(strstr(fault.text, "protocol 9"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(
            battery_and_readings_are_read_or_known_not_to_be_there),
        cmocka_unit_test(hops_follow_from_the_ttl_that_arrived),
        cmocka_unit_test(a_way_is_read_whole),
        cmocka_unit_test(a_way_asked_for_again_adds_to_what_is_known),
        cmocka_unit_test(an_odd_second_answer_adds_nothing),
        cmocka_unit_test(answers_of_another_form_are_refused),
        cmocka_unit_test(odd_values_do_no_harm),
        cmocka_unit_test(
            an_agent_of_another_protocol_is_refused_with_its_version),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
