/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/warnings.h"

#include "controller/quantity.h"

#include <stdarg.h>
#include <string.h>

#define SHOWN_SIZE WARNING_SHOWN_SIZE

static const double window_enough_ratio = 0.98;
static const double window_growth = 1.25;
static const double window_open_bytes = 1e9; /* no computer has more */
static const double small_mtu_bytes = 296;   /* less isn't worth advising */

/* --- adding -------------------------------------------------------------- */

static void add_step(struct warning *warning, const char *name)
{
    const size_t used = strlen(warning->steps);

    (void) snprintf(warning->steps + used, sizeof(warning->steps) - used,
                    "%s%s", used ? ", " : "", name);
}

void warnings_add(struct preview *preview, const char *code, size_t step,
                  const char *format, ...)
{
    struct warning made = { 0 };
    struct warning *warning = NULL;
    va_list values;

    va_start(values, format);
    (void) vsnprintf(made.text, sizeof(made.text), format, values);
    va_end(values);
    (void) snprintf(made.code, sizeof(made.code), "%s", code);
    for (size_t i = 0; i < preview->warnings.count && !warning; i++) {
        struct warning *other = rows_at(&preview->warnings, i);

        if (strcmp(other->code, code) == 0
            && strcmp(other->text, made.text) == 0)
            warning = other;
    }
    if (!warning) {
        warning = rows_add(&preview->warnings);
        *warning = made;
    }
    if (step < preview->plan->step_count)
        add_step(warning, preview->plan->steps[step].name);
}

void concern_add(struct concern *concern, size_t step, double value)
{
    concern->steps[step] = true;
    concern->differ = concern->differ
                      || (concern->count > 0 && value != concern->worst_value);
    if (concern->count++ == 0 || value > concern->worst_value) {
        concern->worst = step;
        concern->worst_value = value;
    }
}

const char *concern_on(const struct concern *concern, const struct plan *plan,
                       char text[WARNING_SHOWN_SIZE])
{
    text[0] = '\0';
    if (concern->differ)
        (void) snprintf(text, SHOWN_SIZE, " (on %s)",
                        plan->steps[concern->worst].name);
    return text;
}

void concern_tell(struct preview *preview, const char *code,
                  const struct concern *concern, const char *text)
{
    for (size_t i = 0; i < preview->plan->step_count; i++) {
        if (concern->steps[i])
            warnings_add(preview, code, i, "%s", text);
    }
}

void warning_show(enum unit unit, double value, char text[WARNING_SHOWN_SIZE])
{
    quantity_show(unit, value, text, WARNING_SHOWN_SIZE);
}

/* --- the licence --------------------------------------------------------- */

static void look_at_bandwidth(struct preview *preview)
{
    const struct plan *plan = preview->plan;
    char limit[SHOWN_SIZE];

    warning_show(UNIT_HERTZ, plan->link.limit_bandwidth_hz, limit);
    for (size_t i = 0; i < plan->step_count; i++) {
        if (preview->steps[i].is_over_limit)
            warnings_add(preview, "bandwidth-above-limit", i,
                         plan->on_air
                             ? "not run: wider than link.limits.bandwidth, %s "
                               "(on_air: no, for a bench test)"
                             : "wider than link.limits.bandwidth, %s: for the "
                               "bench only",
                         limit);
    }
}

static void look_at_symbol_rate(struct preview *preview)
{
    const struct plan *plan = preview->plan;
    char limit[SHOWN_SIZE];

    warning_show(UNIT_BAUD, plan->link.limit_symbol_rate_bd, limit);
    for (size_t i = 0; i < plan->step_count; i++) {
        if (plan->steps[i].symbol_rate_bd.high
            > plan->link.limit_symbol_rate_bd)
            warnings_add(preview, "symbol-rate-above-limit", i,
                         "more symbols per second than "
                         "link.limits.symbol_rate, %s",
                         limit);
    }
}

static void look_at_duty(struct preview *preview)
{
    const struct plan *plan = preview->plan;
    const double limit_ratio = plan->link.limit_duty_ratio;

    for (size_t end = 0; end < plan->end_count; end++) {
        struct concern concern = { 0 };
        char text[WARNING_SIZE], on[SHOWN_SIZE];

        for (size_t i = 0; i < plan->step_count; i++) {
            const double duty_ratio = preview_duty_ratio(preview, end, i);

            if (preview->steps[i].is_run && duty_ratio > limit_ratio)
                concern_add(&concern, i, duty_ratio);
        }
        if (!concern.count)
            continue;
        (void) snprintf(text, sizeof(text),
                        "%s would transmit for %.0f %% of the time%s: "
                        "link.limits.duty_cycle is %.0f %%; send less, or "
                        "leave pauses",
                        plan->ends[end].name, concern.worst_value * 100,
                        concern_on(&concern, plan, on), limit_ratio * 100);
        concern_tell(preview, "duty-above-limit", &concern, text);
    }
}

/* --- packets, turns and acknowledgements --------------------------------- */

static double coded_bps(const struct preview *preview, size_t step)
{
    return preview->steps[step]
        .expectation.ways[WAY_TO_STATION]
        .likely_bps[LAYER_CODED];
}

/* IP bytes in one transmission filled to the slot limit. */
static double slot_room_bytes(const struct preview *preview, size_t step)
{
    const struct plan_link *link = &preview->plan->link;
    const double air_ns = range_middle(link->slot_limit_ns)
                          - range_middle(link->slot_overhead_ns);
    const double air_bytes =
        air_ns * 1e-9 * coded_bps(preview, step) / BITS_PER_BYTE;
    const double overhead_bytes = (double) link->frame_overhead_bytes;

    if (!link->frame_payload_bytes)
        return air_bytes - overhead_bytes;
    return air_bytes
           / (1 + overhead_bytes / (double) link->frame_payload_bytes);
}

static void look_at_mtu(struct preview *preview)
{
    const struct plan *plan = preview->plan;
    const double mtu_bytes = (double) plan->link.mtu_bytes;
    struct concern concern = { 0 };
    char text[WARNING_SIZE], on[SHOWN_SIZE], limit[SHOWN_SIZE],
        advice[SHOWN_SIZE] = "";

    for (size_t i = 0; i < plan->step_count; i++) {
        if (mtu_bytes > slot_room_bytes(preview, i))
            concern_add(&concern, i, -slot_room_bytes(preview, i));
    }
    if (!concern.count)
        return;
    const double room_bytes = fmax(0, -concern.worst_value);
    warning_show(UNIT_DURATION, range_middle(plan->link.slot_limit_ns), limit);
    (void) concern_on(&concern, plan, on);
    if (!plan->link.frame_payload_bytes) {
        (void) snprintf(
            text, sizeof(text),
            "an IP packet of %.0f B never fits: a transmission of "
            "%s is one frame and holds %.0f B%s; lower link.mtu, "
            "or say frame.payload if the radio cuts packets up (the "
            "figures above suppose that it does)",
            mtu_bytes, limit, floor(room_bytes), on);
        concern_tell(preview, "mtu-never-fits", &concern, text);
        return;
    }
    if (room_bytes >= small_mtu_bytes)
        (void) snprintf(advice, sizeof(advice), "; an mtu of %.0f B fits one",
                        floor(room_bytes / 4) * 4);
    (void) snprintf(text, sizeof(text),
                    "an IP packet of %.0f B needs %.0f transmissions of %s%s, "
                    "and waits for each turn%s",
                    mtu_bytes, ceil(mtu_bytes / room_bytes), limit, on, advice);
    concern_tell(preview, "mtu-above-slot", &concern, text);
}

static void look_at_acks(struct preview *preview)
{
    const struct plan *plan = preview->plan;
    struct concern concern = { 0 };
    char text[WARNING_SIZE], on[SHOWN_SIZE], spacing[SHOWN_SIZE],
        timer[SHOWN_SIZE];

    for (size_t i = 0; i < plan->step_count; i++) {
        const struct acknowledging *acks = &preview->steps[i].expectation.acks;

        if (acks->spacing_ns > acks->timer_ns.low)
            concern_add(&concern, i, acks->spacing_ns);
    }
    if (!concern.count)
        return;
    const struct acknowledging *acks =
        &preview->steps[concern.worst].expectation.acks;
    warning_show(UNIT_DURATION, acks->spacing_ns, spacing);
    quantity_show_range(UNIT_DURATION, acks->timer_ns, timer, sizeof(timer));
    (void) snprintf(text, sizeof(text),
                    "a full segment takes %s%s, and receivers hold an "
                    "acknowledgement back for %s: %s is acknowledged by "
                    "itself, which costs airtime (counted above)",
                    spacing, concern_on(&concern, plan, on), timer,
                    acks->spacing_ns > acks->timer_ns.high ? "each one"
                                                           : "many a one");
    concern_tell(preview, "delayed-ack", &concern, text);
}

/* --- the window ---------------------------------------------------------- */

static double goodput_with_window(const struct preview *preview, size_t step,
                                  double window_bytes)
{
    const struct situation situation = { .window_bytes = window_bytes };
    struct expectation expectation;

    capacity_expect_when(preview->plan, &preview->plan->steps[step], &situation,
                         &expectation);
    return expectation.ways[WAY_TO_STATION].likely_bps[LAYER_FILE];
}

static void look_at_window(struct preview *preview)
{
    const struct plan *plan = preview->plan;
    const double window_bytes = (double) plan->link.window_bytes;
    struct concern concern = { 0 };
    char text[WARNING_SIZE], on[SHOWN_SIZE], window[SHOWN_SIZE],
        enough[SHOWN_SIZE];
    char held[SHOWN_SIZE], open[SHOWN_SIZE];

    for (size_t i = 0; plan->link.window_bytes && i < plan->step_count; i++) {
        const double open_bps =
            goodput_with_window(preview, i, window_open_bytes);
        const double held_bps = goodput_with_window(preview, i, window_bytes);

        if (held_bps < window_enough_ratio * open_bps)
            concern_add(&concern, i, open_bps / held_bps);
    }
    if (!concern.count)
        return;
    const double open_bps =
        goodput_with_window(preview, concern.worst, window_open_bytes);
    double enough_bytes = window_bytes;
    for (int i = 0; i < 64
                    && goodput_with_window(preview, concern.worst, enough_bytes)
                           < window_enough_ratio * open_bps;
         i++)
        enough_bytes *= window_growth;
    warning_show(UNIT_BYTES, window_bytes, window);
    warning_show(UNIT_BYTES, enough_bytes, enough);
    warning_show(UNIT_RATE,
                 goodput_with_window(preview, concern.worst, window_bytes),
                 held);
    warning_show(UNIT_RATE, open_bps, open);
    (void) snprintf(text, sizeof(text),
                    "link.window of %s holds TCP at %s, where the air would "
                    "carry %s%s: about %s fill it",
                    window, held, open, concern_on(&concern, plan, on), enough);
    concern_tell(preview, "window-too-small", &concern, text);
}

/* --- ends ---------------------------------------------------------------- */

static void look_at_ends(struct preview *preview)
{
    const struct plan *plan = preview->plan;

    for (size_t i = 0; i < plan->end_count; i++) {
        const struct plan_end *end = &plan->ends[i];

        if (plan->on_air && !end->call[0] && plan_has_agent(plan, (int) i))
            warnings_add(preview, "no-call", PLAN_STEPS_MAX,
                         "%s has no call: its transmissions would not be "
                         "identified by a call sign",
                         end->name);
        if (plan->set_steps == SET_BY_AGENT && plan->step_count > 1
            && plan_end_is_site(end) && !plan_has_agent(plan, (int) i))
            warnings_add(preview, "step-not-settable", PLAN_STEPS_MAX,
                         "%s has no agent that could set its radio: say "
                         "set_steps: by hand, or keep to one step",
                         end->name);
    }
}

void warnings_find(struct preview *preview)
{
    look_at_bandwidth(preview);
    look_at_symbol_rate(preview);
    look_at_duty(preview);
    warnings_find_radio(preview);
    warnings_find_rates(preview);
    look_at_window(preview);
    look_at_mtu(preview);
    look_at_acks(preview);
    warnings_find_probes(preview);
    look_at_ends(preview);
}
