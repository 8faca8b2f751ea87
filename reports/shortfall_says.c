/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/shortfall_says.h"

/* Of the losses' price: less is not worth a word. */
#define TOLD_LEAST_RATIO 0.1
/* Of what came, what the application did not have yet. */
#define HELD_TOLD_RATIO 0.02

/* What to try next, by the part that dominates. */
static const char *const advices[SHORTFALL_PARTS] = {
    [PART_BYPASS] = "Switch off the other ways (Wi-Fi, tether, tunnel), tie "
                    "the ends to their radio interfaces in the plan, or make a "
                    "cut test.",
    [PART_OTHER_STEP] = "Look at both radios' step, set it anew at both ends, "
                        "and measure again.",
    [PART_OUTAGE] = "Look for what stood still then: supply, heat, a moved "
                    "antenna, a blocked path, a radio on another step; and "
                    "watch the link for longer.",
    [PART_START_UP] = "Let the download run longer, or compare the steady "
                      "goodput: starting costs the same whatever the length.",
    [PART_SENDER_IDLE] = "Look at the sending computer: its load, its disc, "
                         "the program that feeds the data.",
    [PART_SEND_BUFFER] = "Give the sender larger TCP send buffers (tcp_wmem).",
    [PART_RECEIVER_WINDOW] = "Give the receiver larger TCP receive buffers "
                             "(tcp_rmem), or look at what else loads it.",
    [PART_REPEATS] = "Find the losses: signal and errors in the radios' "
                     "readings, interference, too short a queue; try a slower "
                     "step.",
    [PART_LOSS_WINDOW] = "Find the losses: signal and errors in the radios' "
                         "readings, interference, too short a queue; try a "
                         "slower step.",
    [PART_NEEDLESS] = "Look for what lets packets overtake each other or holds "
                      "some of them back (two ways at once, radios that repeat "
                      "frames), and for a queue that holds seconds of data.",
    [PART_FOREIGN] = "Stop other traffic at the computers (updates, "
                     "synchronising, broadcasts of the LAN) and measure again.",
    [PART_SLOW_COMPUTER] = "Measure with a faster computer, or take its own "
                           "limit into account.",
    [PART_RADIO_REPEATS] = "The radios lose frames and mend it themselves: "
                           "look at signal and errors in their readings, at "
                           "antennas and interference, and try a slower step.",
    [PART_LONGER_CYCLE] = "Ask the hub's radio how many stations are "
                          "registered and how long its slots are; listen for "
                          "other users; put what is right into the plan.",
};

/* Of what nothing explains: what is missing to know more. */
static const char *advice_of_unexplained(const struct evidence *evidence)
{
    if (evidence_has_overtaking(evidence))
        return advices[PART_NEEDLESS];
    if (evidence->asked_echoes_count <= 0)
        return "Ping between the ends on this step while the link is idle, let "
               "the radios tell their readings, and measure again.";
    if (evidence->echoes_count <= 0)
        return "None of the echoes between them was answered: find out whether "
               "something on the way drops them, let the radios tell their "
               "readings, and measure again.";
    return "Echoes on the idle link do not show it: let the radios tell their "
           "readings, ask them how long their transmissions may be and what "
           "they repeat, and measure again, for longer.";
}

/* --- what speaks for it ----------------------------------------------------
 */

/* " (...)", or nothing where there is nothing to add. */
typedef void say_evidence_fn(const struct evidence *evidence, char *text,
                             size_t size);

static void say_other_step(const struct evidence *evidence, char *text,
                           size_t size)
{
    if (evidence->read_step[0])
        (void) snprintf(text, size, " (the radio of %s told step %s)",
                        evidence->read_step_end, evidence->read_step);
}

static void say_outages(const struct evidence *evidence, char *text,
                        size_t size)
{
    (void) snprintf(text, size,
                    " (%u, %.1f s in all for TCP, which had data to send and "
                    "tries less and less often: the link may have been back "
                    "sooner)",
                    evidence->outage_count, evidence->outage_s);
}

static void say_idle(const struct evidence *evidence, char *text, size_t size)
{
    (void) snprintf(text, size, " (nothing to send for %.0f %% of the time)",
                    100 * evidence->idle_ratio);
}

static void say_send_buffer(const struct evidence *evidence, char *text,
                            size_t size)
{
    (void) snprintf(text, size, " (%.0f %% of the time)",
                    100 * evidence->buffer_ratio);
}

static void say_receiver_window(const struct evidence *evidence, char *text,
                                size_t size)
{
    (void) snprintf(text, size, " (%.0f %% of the time)",
                    100 * evidence->receiver_ratio);
}

static void say_repeats(const struct evidence *evidence, char *text,
                        size_t size)
{
    (void) snprintf(text, size, " (%.1f %% of the bytes were sent again)",
                    100 * evidence->repeated_bytes
                        / fmax(1, evidence->sent_bytes));
}

static void say_needless(const struct evidence *evidence, char *text,
                         size_t size)
{
    (void) snprintf(
        text, size,
        " (%.1f %% of the bytes were sent again, and %.0f %% of "
        "those had come already: overtaken, or later than TCP "
        "waits)",
        100 * evidence->repeated_bytes / fmax(1, evidence->sent_bytes),
        100 * evidence->needless_bytes / fmax(1, evidence->repeated_bytes));
}

static void say_foreign(const struct evidence *evidence, char *text,
                        size_t size)
{
    (void) snprintf(text, size, " (at least %.0f %% of what %s carried)",
                    100 * evidence->foreign_share_ratio, evidence->foreign_end);
}

static void say_slow_computer(const struct evidence *evidence, char *text,
                              size_t size)
{
    (void) snprintf(text, size, " (without any link it moves %.0f kbit/s)",
                    evidence->loopback_bps * 1e-3);
}

static void say_radio_repeats(const struct evidence *evidence, char *text,
                              size_t size)
{
    (void) snprintf(text, size,
                    " (by its own readings the sender's radio sent %.0f of "
                    "%.0f frames again)",
                    evidence->radio_repeats_count,
                    evidence->radio_frames_count);
}

static void say_longer_cycle(const struct evidence *evidence, char *text,
                             size_t size)
{
    const double most_s = evidence->echo_median_expected_s.high;

    if (evidence->read_stations_count > evidence->plan_stations_count)
        (void) snprintf(
            text, size, " (%.0f stations are registered, the plan has %.0f)",
            evidence->read_stations_count, evidence->plan_stations_count);
    else if (evidence->echo_median_s > ECHO_MEDIAN_RATIO * most_s)
        (void) snprintf(text, size,
                        " (idle echoes take %.0f ms, expected %.0f ms at the "
                        "most): more stations, longer slots or other users",
                        evidence->echo_median_s * 1e3, most_s * 1e3);
    else if (evidence_has_longer_echoes(evidence))
        (void) snprintf(text, size,
                        " (%.0f of %.0f idle echoes took longer than any "
                        "should): other users, more stations or longer slots",
                        evidence->late_echoes_count, evidence->echoes_count);
    else
        (void) snprintf(text, size,
                        " (data always waited at the sender, the radios lost "
                        "no frame, idle echoes are as expected): shorter "
                        "transmissions, or others who sent only meanwhile");
}

/* NULL: the part's words say it all. */
static say_evidence_fn *const evidence_says[SHORTFALL_PARTS] = {
    [PART_OTHER_STEP] = say_other_step,
    [PART_OUTAGE] = say_outages,
    [PART_SENDER_IDLE] = say_idle,
    [PART_SEND_BUFFER] = say_send_buffer,
    [PART_RECEIVER_WINDOW] = say_receiver_window,
    [PART_REPEATS] = say_repeats,
    [PART_LOSS_WINDOW] = say_repeats,
    [PART_NEEDLESS] = say_needless,
    [PART_FOREIGN] = say_foreign,
    [PART_SLOW_COMPUTER] = say_slow_computer,
    [PART_RADIO_REPEATS] = say_radio_repeats,
    [PART_LONGER_CYCLE] = say_longer_cycle,
};

/* --- the sentence -------------------------------------------------------- */

/* Repeats and the small window are both the losses' price. */
static double told_bps(const struct shortfall *shortfall)
{
    const int dominant = shortfall->dominant;

    return dominant == PART_REPEATS || dominant == PART_LOSS_WINDOW
               ? shortfall->part_bps[PART_REPEATS]
                     + shortfall->part_bps[PART_LOSS_WINDOW]
               : shortfall->part_bps[dominant];
}

/* ... and both are named where each has its share. */
static const char *dominant_words(const struct shortfall *shortfall)
{
    const int dominant = shortfall->dominant;
    const double less_bps = fmin(shortfall->part_bps[PART_REPEATS],
                                 shortfall->part_bps[PART_LOSS_WINDOW]);

    if ((dominant == PART_REPEATS || dominant == PART_LOSS_WINDOW)
        && less_bps >= TOLD_LEAST_RATIO * told_bps(shortfall))
        return "losses: repeats, and a window held small by them";
    return shortfall_part_words[dominant];
}

static void say_shortfall(const struct exchange_record *exchange,
                          const struct shortfall *shortfall,
                          const struct evidence *evidence, const char *detail,
                          char *text, size_t size)
{
    const double whole_bps = shortfall->expected_bps - shortfall->measured_bps;
    const int dominant = shortfall->dominant;
    const size_t said = (size_t) snprintf(
        text, size,
        "From %.63s to %.63s on step %.31s %.1f kbit/s came, start-up "
        "%sincluded, where %.1f were expected; ",
        exchange->from, exchange->to, exchange->step,
        shortfall->measured_bps * 1e-3,
        evidence->held_bytes >= HELD_TOLD_RATIO * evidence->content_bytes
                && evidence->held_bytes > 0
            ? "and what waited behind a lost segment "
            : "",
        shortfall->expected_bps * 1e-3);

    if (said >= size)
        return;
    if (dominant == PART_UNEXPLAINED)
        (void) snprintf(text + said, size - said,
                        "no single cause is shown to be behind it%s%s.",
                        shortfall->or_else >= 0 ? "; it may be: " : "",
                        shortfall->or_else >= 0
                            ? shortfall_part_words[shortfall->or_else]
                            : "");
    else
        (void) snprintf(
            text + said, size - said,
            "most of the difference (%.0f %%) is: %s%s%s%s.",
            100 * told_bps(shortfall) / whole_bps, dominant_words(shortfall),
            detail, shortfall->or_else >= 0 ? ", or else " : "",
            shortfall->or_else >= 0 ? shortfall_part_words[shortfall->or_else]
                                    : "");
}

void shortfall_say(const struct reduction *reduction,
                   const struct evidence *evidence, struct shortfall *shortfall)
{
    char detail[200] = "";

    if (evidence_says[shortfall->dominant])
        evidence_says[shortfall->dominant](evidence, detail, sizeof(detail));
    say_shortfall(reduction_exchange(reduction, shortfall->exchange), shortfall,
                  evidence, detail, shortfall->sentence,
                  sizeof(shortfall->sentence));
    (void) snprintf(shortfall->advice, sizeof(shortfall->advice), "%s",
                    shortfall->dominant == PART_UNEXPLAINED
                        ? advice_of_unexplained(evidence)
                        : advices[shortfall->dominant]);
}
