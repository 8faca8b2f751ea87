/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/shortfall_evidence.h"

/*
 * What the evidence amounts to, where more than one part of a shortfall (or a
 * doubt about pings) asks for it.
 */
/*
 * What was sent again and had come already: it was overtaken, or came later
 * than TCP waits.  Where echoes are lost, so are acknowledgements, and where
 * they are doubled nobody knows of which segments the receiver tells.
 */
double evidence_needless_bytes(const struct evidence *evidence)
{
    return evidence->needless_bytes
                       >= REPEATED_LEAST_RATIO * evidence->sent_bytes
                   && evidence->needless_bytes
                          >= REPEATED_LEAST_SEGMENTS * evidence->segment_bytes
                   && !evidence->loses_echoes && !evidence->doubles_echoes
               ? evidence->needless_bytes
               : 0;
}

/* Most of it: then that is what held the window down too. */
bool evidence_is_needless(const struct evidence *evidence)
{
    return evidence_needless_bytes(evidence) > 0
           && evidence_needless_bytes(evidence)
                  >= NEEDLESS_LEAST_RATIO * evidence->repeated_bytes;
}

/* Some packets are held back, and later ones overtake them. */
bool evidence_has_overtaking(const struct evidence *evidence)
{
    return evidence_is_needless(evidence)
           || evidence->reordered_count >= REORDERED_LEAST
           || evidence->overtaken_echoes_count >= REORDERED_LEAST;
}

static bool has_late_echoes(const struct evidence *evidence)
{
    return evidence->echoes_count >= ECHOES_LEAST
           && statistics_wilson_of(evidence->late_echoes_count,
                                   evidence->echoes_count, CONFIDENCE_LEVEL)
                      .low
                  >= ECHO_LATE_RATIO;
}

/* Where some packets are held back, late echoes are such ones: then only that
 * none is in time says something of the channel. */
bool evidence_has_longer_echoes(const struct evidence *evidence)
{
    if (evidence_has_overtaking(evidence))
        return evidence->echo_median_expected_s.high > 0
               && evidence->echo_least_s
                      > ECHO_MEDIAN_RATIO
                            * evidence->echo_median_expected_s.high;
    return has_late_echoes(evidence)
           || evidence->echo_median_s
                  > ECHO_MEDIAN_RATIO * evidence->echo_median_expected_s.high;
}

/*
 * What a longer cycle costs at the least, by the echoes: each loaded cycle is
 * longer by what idle ones are, of which a random moment waits half.
 */
double evidence_longer_cycle_bps(const struct evidence *evidence)
{
    if (!evidence_has_longer_echoes(evidence) || !(evidence->cycle_s > 0))
        return 0;
    const double echo_s =
        evidence_has_overtaking(evidence) ? evidence->echo_least_s
        : has_late_echoes(evidence)
            ? fmax(evidence->echo_median_s, evidence->echo_mean_s)
            : evidence->echo_median_s;
    const double more_s = echo_s - evidence->echo_median_expected_s.high;

    return more_s > 0
               ? evidence->expected_bps * more_s / (evidence->cycle_s + more_s)
               : 0;
}

bool evidence_is_supplied(const struct evidence *evidence)
{
    return evidence->has_tcp && evidence->supplied_ratio >= SUPPLIED_LEAST_RATIO
           && evidence->idle_ratio < IDLE_LEAST_RATIO
           && evidence->receiver_ratio < LIMITED_LEAST_RATIO
           && evidence->buffer_ratio < LIMITED_LEAST_RATIO;
}

/* The receiver's radio told, and it missed nothing. */
bool evidence_hears_all(const struct evidence *evidence)
{
    const double frames =
        evidence->heard_frames_count + evidence->missed_frames_count;

    return frames >= RADIO_FRAMES_LEAST
           && evidence->missed_frames_count < RADIO_MISSED_LEAST_RATIO * frames;
}
