/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * Every warning of `check`: a plan that earns none, one change to it that earns
 * the warning, and one that stays just on the right side.
 */
#include "controller/plan/preview.h"
#include "controller/plan/reader.h"

#include <setjmp.h>
#include <stdlib.h>
#include <string.h>
/* cmocka needs those above. */
#include <cmocka.h>

#define TEXT_ROOM 4096
#define EDITS_MAX 3

/* Carson's rule: 2 x 60 + 160 = 280 kHz, and 2 x 60 + 240 = 360 kHz. */
static const char sound_plan[] =
    "plan: Nothing to say\n"
    "link:\n"
    "  access: scheduled\n"
    "  frequency: 438.2 MHz\n"
    "  slot_overhead: 12 ms\n"
    "  guard: 1 ms\n"
    "  slot_limit: 250 ms\n"
    "  frame: {payload: 240 B, overhead: 12 B}\n"
    "  mtu: 576 B\n"
    "  window: 64 kB\n"
    "  fade_margin: 10 dB\n"
    "  limits: {bandwidth: 400 kHz, symbol_rate: 300 kBd, power: 10 W,"
    " eirp: 25 W, duty_cycle: 90 %}\n"
    "steps:\n"
    "  - {name: steady, symbol_rate: 160 kBd, levels: 4, deviation: 60 kHz,"
    " sensitivity: -95 dBm, usable_rate: 200 kbit/s}\n"
    "  - {name: brisk, symbol_rate: 240 kBd, levels: 4, deviation: 60 kHz,"
    " sensitivity: -92 dBm}\n"
    "ends:\n"
    "  hilltop: {role: hub, call: Q0HIL, address: 192.0.2.2, ground: 100 m,"
    " position: \"0 N, 9 W\", power: 2 W, noise: {figure: 6 dB},"
    " antenna: {gain: 6 dBi, height: 40 m, polarisation: vertical}}\n"
    "  boathouse: {role: station, call: Q1BOA, address: 192.0.2.20,"
    " ground: 100 m, position: \"0.05 N, 9 W\", power: 2 W,"
    " noise: {figure: 6 dB}, antenna: {gain: 6 dBi, height: 30 m,"
    " azimuth: 180 deg, polarisation: vertical}}\n"
    "controller_at: hilltop\n"
    "rounds: 2\n"
    "sequence:\n"
    "  - ping: {from: boathouse, to: hilltop, count: 40, gap: random 1 s}\n"
    "  - download: {from: hilltop, to: boathouse, for: 20 s}\n"
    "  - download: {from: boathouse, to: hilltop, for: 20 s}\n";

struct edit {
    const char *old, *new; /* NULL: none */
};

static void replace(char *text, const struct edit *edit)
{
    char rest[TEXT_ROOM];
    char *at = strstr(text, edit->old);

    if (!at) {
        fail_msg("'%s' is not in the plan", edit->old);
        return;
    }
    (void) snprintf(rest, sizeof(rest), "%s", at + strlen(edit->old));
    (void) snprintf(at, TEXT_ROOM - (size_t) (at - text), "%s%s", edit->new,
                    rest);
}

struct fixture {
    struct plan plan;
    struct preview preview;
};

static void cut_at_mark(char *text)
{
    char *mark = strchr(text, '#');

    if (mark)
        *mark = '\0';
}

static void look(struct fixture *fixture, const struct edit edits[EDITS_MAX])
{
    struct plan_mistakes mistakes;
    char text[TEXT_ROOM];

    (void) snprintf(text, sizeof(text), "%s", sound_plan);
    for (size_t i = 0; i < EDITS_MAX && edits[i].old; i++)
        replace(text, &edits[i]);
    cut_at_mark(text);
    if (plan_read_text(text, strlen(text), &fixture->plan, &mistakes) != 0) {
        plan_mistakes_print(stderr, "plan", &mistakes);
        fail_msg("%s -> %s", edits[0].old, edits[0].new);
    }
    preview_make(&fixture->plan, &fixture->preview);
}

static void forget(struct fixture *fixture)
{
    preview_clear(&fixture->preview);
    plan_clear(&fixture->plan);
}

static const struct warning *find(const struct preview *preview,
                                  const char *code)
{
    for (size_t i = 0; i < preview->warnings.count; i++) {
        const struct warning *warning = rows_at(&preview->warnings, i);

        if (strcmp(warning->code, code) == 0)
            return warning;
    }
    return NULL;
}

static void list_warnings(const struct preview *preview)
{
    for (size_t i = 0; i < preview->warnings.count; i++) {
        const struct warning *warning = rows_at(&preview->warnings, i);

        print_message("%s [%s] %s\n", warning->code, warning->steps,
                      warning->text);
    }
}

/* clang-format off */
static const struct {
    const char *code, *steps, *says;
    struct edit earns[EDITS_MAX], spares[EDITS_MAX];
} cases[] = {
    { "bandwidth-above-limit", "brisk", "not run: wider than link.limits.bandwidth, 350 kHz",
      { { "bandwidth: 400 kHz", "bandwidth: 350 kHz" } }, { { "bandwidth: 400 kHz", "bandwidth: 360 kHz" } } },
    { "bandwidth-above-limit", "steady, brisk", "for the bench only",
      { { "bandwidth: 400 kHz", "bandwidth: 200 kHz" }, { "rounds: 2", "on_air: no" } }, { { "rounds: 2", "on_air: no" } } },
    { "symbol-rate-above-limit", "brisk", "more symbols per second than link.limits.symbol_rate, 200 kBd",
      { { "symbol_rate: 300 kBd", "symbol_rate: 200 kBd" } }, { { "symbol_rate: 300 kBd", "symbol_rate: 240 kBd" } } },
    { "power-above-limit", "", "hilltop transmits 12.0 W: link.limits.power is 10.0 W",
      { { "power: 2 W", "power: 12 W" } , { "eirp: 25 W", "eirp: 99 W" } }, { { "power: 2 W", "power: 5 W" } } },
    /* 5 W and 7 dB are 25.06 W; 6.95 dB are 24.8 W. */
    { "eirp-above-limit", "", "hilltop radiates 25.1 W EIRP: link.limits.eirp is 25.0 W",
      { { "power: 2 W", "power: 5 W" }, { "gain: 6 dBi", "gain: 7 dBi" } }, { { "power: 2 W", "power: 5 W" }, { "gain: 6 dBi", "gain: 6.95 dBi" } } },
    { "duty-above-limit", "steady, brisk", "of the time",
      { { "duty_cycle: 90 %", "duty_cycle: 20 %" } }, { { "duty_cycle: 90 %", "duty_cycle: 60 %" } } },
    /* One frame in (250 - 12) ms x 320 kbit/s / 8 = 9520 B, less its header. */
    { "mtu-never-fits", "steady", "an IP packet of 9600 B never fits: a transmission of 250 ms is one frame and holds 9520 B",
      { { "  frame: {payload: 240 B, overhead: 12 B}\n", "" }, { "mtu: 576 B", "mtu: 9600 B" } },
      { { "  frame: {payload: 240 B, overhead: 12 B}\n", "" }, { "mtu: 576 B", "mtu: 9520 B" } } },
    /* 9520 B x 240 / 252 = 9066.7 B. */
    { "mtu-above-slot", "steady", "an IP packet of 9100 B needs 2 transmissions of 250 ms, and waits for each turn; an mtu of 9064 B fits one",
      { { "mtu: 576 B", "mtu: 9100 B" } }, { { "mtu: 576 B", "mtu: 9066 B" } } },
    /* From segment to segment 3 x 576 x 8 x 252 / 240 bits at 160 kBd x 2:
     * 45 ms; the receiver's timer begins at 40 ms. */
    { "delayed-ack", "steady", "a full segment takes 47.2 ms, and receivers hold an acknowledgement back for",
      { { "mtu: 576 B", "mtu: 1800 B" }, { "symbol_rate: 240 kBd", "symbol_rate: 290 kBd" } },
      { { "mtu: 576 B", "mtu: 1500 B" } } },
    { "window-too-small", "steady, brisk", "link.window of 4.00 kB holds TCP at",
      { { "window: 64 kB", "window: 4 kB" } }, { { "window: 64 kB", "window: 32 kB" } } },
    { "rate-above-channel", "steady", "usable_rate of 321 kbit/s is more than the radio's 320 kbit/s",
      { { "usable_rate: 200 kbit/s", "usable_rate: 321 kbit/s" } }, { { "usable_rate: 200 kbit/s", "usable_rate: 320 kbit/s" } } },
    { "rate-above-channel", "steady", "more than the radio's 640 kbit/s (symbol rate x log2 levels x code rate, both ways)",
      { { "access: scheduled", "access: full-duplex" }, { "usable_rate: 200 kbit/s", "usable_rate: 641 kbit/s" } },
      { { "access: scheduled", "access: full-duplex" }, { "usable_rate: 200 kbit/s", "usable_rate: 640 kbit/s" } } },
    { "bandwidth-below-symbols", "steady", "a signal of 160 kBd does not fit in 79.0 kHz (Nyquist)",
      { { "levels: 4, deviation: 60 kHz", "levels: 4, bandwidth: 79 kHz" } },
      { { "levels: 4, deviation: 60 kHz", "levels: 4, bandwidth: 81 kHz" } } },
    /* 320 kbit/s in 280 kHz need 2^(320/280) - 1 = 1.208, 0.8 dB; the noise
     * there is -174 + 54.5 = -119.5 dBm. */
    { "need-below-shannon", "steady", "320 kbit/s needs more signal than its sensitivity says",
      { { "sensitivity: -95 dBm", "sensitivity: -119 dBm" } }, { { "sensitivity: -95 dBm", "sensitivity: -118.5 dBm" } } },
    { "need-below-shannon", "steady", "needs more signal than its signal_to_noise says: 0.0 dB of signal to noise can carry",
      { { "sensitivity: -95 dBm", "signal_to_noise: 0 dB" } }, { { "sensitivity: -95 dBm", "signal_to_noise: 0.9 dB" } } },
    { "rate-above-shannon", "steady", "dB of signal to noise can carry (Shannon)",
      { { "ground: 100 m, position: \"0.05 N", "distance: 20000 km, position: \"0.05 N" } }, { { "ground: 100 m, position: \"0.05 N", "distance: 2000 km, position: \"0.05 N" } } },
    { "gap-locks-to-cycle", "steady, brisk", "the ping from boathouse at a fixed gap of 48.0 ms meets the access cycle of 24.0 ms in the same places again and again: leave the gap random (random 48.0 ms)",
      { { "gap: random 1 s", "gap: 48 ms" } }, { { "gap: random 1 s", "gap: 50 ms" } } },
    { "gap-locks-to-cycle", "steady, brisk", "the timing from boathouse at a fixed gap of 48.0 ms meets",
      { { "- ping: {", "- timing: {" }, { "gap: random 1 s", "gap: 48 ms" } }, { { "- ping: {", "- timing: {" }, { "gap: random 1 s", "gap: 50 ms" } } },
    { "no-call", "", "boathouse has no call",
      { { "call: Q1BOA, ", "" } }, { { "call: Q1BOA, ", "" }, { "rounds: 2", "on_air: no" } } },
    { "step-not-settable", "", "boathouse has no agent that could set its radio: say set_steps: by hand, or keep to one step",
      { { "call: Q1BOA, ", "agent: no, " }, { "rounds: 2", "set_steps: by agent" }, { "sequence:\n", "sequence: [ping: {from: hilltop, to: boathouse, count: 9}]\n#" } },
      { { "call: Q1BOA, ", "agent: no, " }, { "rounds: 2", "set_steps: by hand" }, { "sequence:\n", "sequence: [ping: {from: hilltop, to: boathouse, count: 9}]\n#" } } },
    { "guard-too-short", "", "a guard of 1.00 ms is too short for boathouse, 200 km away: what it sends comes up to 1.33 ms late (there and back); it does for 150 km",
      { { "ground: 100 m, position: \"0.05 N", "distance: 200 km, position: \"0.05 N" } }, { { "ground: 100 m, position: \"0.05 N", "distance: 149 km, position: \"0.05 N" } } },
    /* sqrt(2 x 8495 km x 40 m) + sqrt(... 30 m) = 26.07 + 22.58 km. */
    { "over-horizon", "", "boathouse is 49.0 km away, and the antennas see no farther than 48.6 km over a smooth Earth",
      { { "\"0.05 N, 9 W\"", "\"0.44 N, 9 W\", distance: 49 km" } }, { { "\"0.05 N, 9 W\"", "\"0.43 N, 9 W\", distance: 48 km" } } },
    { "obstacle-beyond-hub", "", "the obstacle of boathouse lies beyond the hub, 5.56 km away",
      { { "ground: 100 m, position: \"0.05 N", "ground: 100 m, obstacle: {distance: 6 km, height: 90 m}, position: \"0.05 N" } },
      { { "ground: 100 m, position: \"0.05 N", "ground: 100 m, obstacle: {distance: 5 km, height: 90 m}, position: \"0.05 N" } } },
    /* The line is 135 m up in the middle, 2.78 km from both: R1 = 550 sqrt(2.78
     * x 2.78 / (5.56 x 438.2)) = 31.0 m, and the Earth bulges 0.45 m. */
    { "obstacle-in-the-way", "", "the obstacle of boathouse stands 15 m below the line of sight, where 0.6 of the first Fresnel zone, 19 m, should be free",
      { { "ground: 100 m, position: \"0.05 N", "ground: 100 m, obstacle: {distance: 2.78 km, height: 120 m}, position: \"0.05 N" } },
      { { "ground: 100 m, position: \"0.05 N", "ground: 100 m, obstacle: {distance: 2.78 km, height: 115 m}, position: \"0.05 N" } } },
    { "distance-not-of-positions", "", "boathouse is said to be 7.00 km from the hub, but by the positions it is 5.56 km",
      { { "\"0.05 N, 9 W\"", "\"0.05 N, 9 W\", distance: 7 km" } }, { { "\"0.05 N, 9 W\"", "\"0.05 N, 9 W\", distance: 6 km" } } },
    { "antenna-points-away", "", "the antenna of boathouse points to 90 deg, but hilltop lies at 180 deg",
      { { "azimuth: 180 deg", "azimuth: 90 deg" } }, { { "azimuth: 180 deg", "azimuth: 225 deg" } } },
    { "antenna-points-away", "", "the antenna of hilltop points to 180 deg, but boathouse lies at 0 deg",
      { { "height: 40 m, ", "height: 40 m, azimuth: 180 deg, " } }, { { "height: 40 m, ", "height: 40 m, azimuth: 315 deg, " } } },
    { "polarisation-differs", "", "hilltop is polarised vertical and boathouse horizontal: about 20 dB are lost",
      { { "deg, polarisation: vertical", "deg, polarisation: horizontal" } }, { { "deg, polarisation: vertical", "deg" } } },
    { "no-margin", "steady", "dB below what the step needs, even in free space",
      { { "sensitivity: -95 dBm", "sensitivity: -40 dBm" } }, { { "sensitivity: -95 dBm", "sensitivity: -60 dBm" } } },
    { "margin-below-wanted", "steady", "fade_margin is 10 dB",
      { { "sensitivity: -95 dBm", "sensitivity: -60 dBm" } }, { { "sensitivity: -95 dBm", "sensitivity: -80 dBm" } } },
    { "margin-needs-free-space", "steady", "enough margin for boathouse only if the way is as good as free space",
      { { "height: 30 m", "height: 3 m" }, { "sensitivity: -95 dBm", "sensitivity: -68 dBm" } }, { { "height: 30 m", "height: 3 m" } } },
};
/* clang-format on */

static void a_plan_without_trouble_earns_no_warning(void **state)
{
    static const struct edit none[EDITS_MAX] = { { NULL, NULL } };
    struct fixture fixture;

    (void) state;
    look(&fixture, none);
    list_warnings(&fixture.preview);
    assert_int_equal(fixture.preview.warnings.count, 0);
    forget(&fixture);
}

static void each_warning_is_earned_by_what_it_warns_of(void **state)
{
    size_t wrong_count = 0;

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct fixture fixture;

        look(&fixture, cases[i].earns);
        const struct warning *warning = find(&fixture.preview, cases[i].code);

        if (!warning || !strstr(warning->text, cases[i].says)
            || strcmp(warning->steps, cases[i].steps) != 0) {
            list_warnings(&fixture.preview);
            print_message("expected: %s [%s] ... %s ...\n\n", cases[i].code,
                          cases[i].steps, cases[i].says);
            wrong_count++;
        }
        forget(&fixture);
    }
    assert_int_equal(wrong_count, 0);
}

static void each_warning_stays_away_on_the_right_side_of_its_limit(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct fixture fixture;

        look(&fixture, cases[i].spares);
        if (find(&fixture.preview, cases[i].code)) {
            list_warnings(&fixture.preview);
            fail_msg("%s -> %s: %s", cases[i].spares[0].old,
                     cases[i].spares[0].new, cases[i].code);
        }
        forget(&fixture);
    }
}

static void each_warning_is_documented(void **state)
{
    char text[1 << 18], quoted[96];
    FILE *file = fopen(TEST_FOLDER "/../../DEVELOPERS.md", "r");

    (void) state;
    assert_non_null(file);
    const size_t length = fread(text, 1, sizeof(text) - 1, file);

    assert_true(length < sizeof(text) - 1);
    text[length] = '\0';
    (void) fclose(file);
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        (void) snprintf(quoted, sizeof(quoted), "`%s`", cases[i].code);
        if (!strstr(text, quoted))
            fail_msg("DEVELOPERS.md does not name %s", quoted);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_plan_without_trouble_earns_no_warning),
        cmocka_unit_test(each_warning_is_earned_by_what_it_warns_of),
        cmocka_unit_test(
            each_warning_stays_away_on_the_right_side_of_its_limit),
        cmocka_unit_test(each_warning_is_documented),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
