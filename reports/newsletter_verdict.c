/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/newsletter_says.h"
#include "reports/newsletter_words.h"
#include "reports/reach.h"
#include "reports/shortfall.h"

/* --- what came out -------------------------------------------------------- */

/* A hub's net is more than the stations that were alone on the channel. */
static void say_tried(const struct newsletter_facts *facts, FILE *out)
{
    const size_t tried_count =
        newsletter_count_stations(facts->reduction->plan, &facts->ways);
    char tried[SPOKEN_SIZE];
    char all[SPOKEN_SIZE];

    if (facts->station_count < 2)
        return;
    spoken_count(tried_count, tried);
    spoken_count(facts->station_count, all);
    (void) fprintf(out, " We tried %s of its %s stations%s.", tried, all,
                   tried_count > 1 ? ", one at a time" : "");
}

static void say_works(const struct newsletter_facts *facts, FILE *out)
{
    char steps[SPOKEN_SIZE];

    spoken_count(facts->step_count, steps);
    (void) fputs("The short version: it works", out);
    (void) fputs(facts->is_both_ways ? ", both ways. "
                                     : ", in the one direction that we tried. ",
                 out);
    if (facts->step_count == 1) {
        (void) fputs("On the speed setting that we tried, ", out);
        newsletter_say_step(((struct finding *) rows_at(&facts->ways, 0))->step,
                            out);
        (void) fputs(", it delivers what it should.", out);
    } else {
        (void) fprintf(out,
                       "It delivers what it should on %s%s speed settings "
                       "that we tried.",
                       facts->step_count == 2 ? "both" : "all ",
                       facts->step_count == 2 ? "" : steps);
    }
    say_tried(facts, out);
}

/* Two by name, the others by number: "from a to b on x (83 percent)". */
static void say_cases(const struct newsletter_facts *facts,
                      enum verdict verdict, bool has_shares, FILE *out)
{
    static const size_t named = 2;
    size_t count = 0;
    char number[SPOKEN_SIZE];

    for (size_t i = 0; i < facts->ways.count; i++) {
        const struct finding *way = rows_at(&facts->ways, i);
        const double middle = (way->expected_low + way->expected_high) / 2;

        if (way->verdict != (int) verdict || ++count > named)
            continue;
        (void) fputs(count == 1 ? "" : ", and ", out);
        newsletter_say_way(way, out);
        (void) fputs(" on ", out);
        newsletter_say_step(way->step, out);
        if (has_shares) {
            (void) fputs(" (", out);
            newsletter_say_number(100 * way->value / middle,
                                  100 * way->low / middle,
                                  100 * way->high / middle, out);
            (void) fputs(" percent of the promise)", out);
        }
    }
    if (count > named) {
        spoken_count(count - named, number);
        (void) fprintf(out, ", and %s more", number);
    }
}

static void say_missing(const struct newsletter_facts *facts, FILE *out)
{
    for (size_t i = 0; i < facts->ways.count; i++) {
        const struct finding *way = rows_at(&facts->ways, i);

        if (newsletter_arrived(way))
            continue;
        (void) fputs(newsletter_is_dead(way) ? " Nothing at all arrived "
                                             : " There is no figure ",
                     out);
        newsletter_say_way(way, out);
        (void) fputs(" on ", out);
        newsletter_say_step(way->step, out);
        (void) fputs(facts->counts.missing > 1
                         ? ", and it is not the only such case."
                         : ".",
                     out);
        return;
    }
}

static void say_partly(const struct newsletter_facts *facts, FILE *out)
{
    char meets[SPOKEN_SIZE];
    char all[SPOKEN_SIZE];

    spoken_count(facts->counts.meets, meets);
    spoken_count(facts->ways.count, all);
    (void) fprintf(out,
                   "The short version: data get through, but not everywhere as "
                   "they should. In %s of %s cases the link delivers what was "
                   "promised.",
                   meets, all);
    if (facts->counts.is_short) {
        (void) fputs(" It falls short ", out);
        say_cases(facts, VERDICT_SHORT, true, out);
        (void) fputc('.', out);
    }
    if (facts->counts.undecided) {
        (void) fputs(" It is still open ", out);
        say_cases(facts, VERDICT_UNDECIDED, false, out);
        (void) fputc('.', out);
    }
    say_missing(facts, out);
}

static void say_short(const struct newsletter_facts *facts, FILE *out)
{
    (void) fputs("The short version: data get through, but fewer than "
                 "promised. The link falls short ",
                 out);
    say_cases(facts, VERDICT_SHORT, true, out);
    (void) fputc('.', out);
    say_missing(facts, out);
}

static void say_gaps(const struct newsletter_facts *facts, FILE *out)
{
    (void) fputs("The short version: data get through, but not on every way "
                 "that we tried.",
                 out);
    say_missing(facts, out);
}

/* The doubt that took the first of the verdicts, where it took all of those
 * that are missing; NULL: some are open for their figures. */
static const char *doubt_of_all(const struct newsletter_facts *facts)
{
    const char *doubt = NULL;

    for (size_t i = 0; i < facts->ways.count; i++) {
        const struct finding *way = rows_at(&facts->ways, i);

        if (way->verdict != VERDICT_UNDECIDED)
            continue;
        if (!wording_doubt(way))
            return NULL;
        doubt = doubt ? doubt : wording_doubt(way);
    }
    return doubt;
}

static void say_undecided(const struct newsletter_facts *facts, FILE *out)
{
    const char *doubt = doubt_of_all(facts);

    (void) fputs("The short version: we do not know yet. Data get through, ",
                 out);
    if (doubt) {
        (void) fputs("but something spoke against the measurement itself (",
                     out);
        wording_escape(out, doubt);
        (void) fputs("), so there is no verdict on the way ", out);
    } else {
        (void) fputs("but the margin of error is too wide to say whether they "
                     "are as many as promised ",
                     out);
    }
    say_cases(facts, VERDICT_UNDECIDED, false, out);
    (void) fputs(". That is no failure of the link; the question is open.",
                 out);
    if (facts->counts.meets)
        (void) fputs(" Where it can be said, the promise is kept.", out);
    say_missing(facts, out);
}

static void say_suspect(const struct newsletter_facts *facts, FILE *out)
{
    (void) fputs("The short version: this is too good to be true. More arrived "
                 "than the channel can carry ",
                 out);
    say_cases(facts, VERDICT_EXCEEDS, true, out);
    (void) fputs(". Something is not as we wrote it down: the setting of the "
                 "radios, perhaps, or the way that the data took. Until that "
                 "is found, please do not quote these figures.",
                 out);
}

static bool is_any_unknown(const struct rows *ways)
{
    for (size_t i = 0; i < ways->count; i++) {
        if (!newsletter_arrived(rows_at(ways, i))
            && !newsletter_is_dead(rows_at(ways, i)))
            return true;
    }
    return false;
}

static void say_dead(const struct newsletter_facts *facts, FILE *out)
{
    char calls[SPOKEN_SIZE];
    char breaks[640] = "";

    (void) fputs("The short version: it does not work. ", out);
    if (facts->echoes.sent_count) {
        spoken_count(facts->echoes.sent_count, calls);
        (void) fprintf(out, "Of %s calls not one was answered. ", calls);
    }
    if (facts->has_downloads || facts->has_messages)
        (void) fputs(is_any_unknown(&facts->ways)
                         ? "No data are known to have arrived. "
                         : "No data arrived. ",
                     out);
    (void) fputs("Whether radio, antenna, cable or computer is to blame, this "
                 "test alone cannot tell.",
                 out);
    if (reach_append_breaks(facts->reduction, breaks, sizeof(breaks))) {
        (void) fputc(' ', out);
        wording_escape(out, breaks);
    }
}

static void say_answers(const struct newsletter_facts *facts, FILE *out)
{
    (void) fputs(facts->messages.sent_count
                     ? "The short version: text messages get through."
                     : "The short version: the far side answers.",
                 out);
    (void) fputs(" How much data the link carries was not tried, so nothing is "
                 "said of its speed.",
                 out);
}

static void say_open(const struct newsletter_facts *facts, FILE *out)
{
    (void) fputs("The short version: we do not know yet. The far side answers, "
                 "but what the files came to is not on record.",
                 out);
    say_missing(facts, out);
}

static void say_no_data(const struct newsletter_facts *facts, FILE *out)
{
    (void) fputs("The short version: the far side answers, but no file came "
                 "through.",
                 out);
    say_missing(facts, out);
}

static void say_late(const struct newsletter_facts *facts, FILE *out)
{
    (void) facts;
    (void) fputs("The short version: there is none. The computer that played "
                 "the channel was too slow or too busy to keep time, so the "
                 "figures of this rehearsal mean nothing and are left out "
                 "here. That says nothing of any link.",
                 out);
}

static void say_break(const struct newsletter_facts *facts, FILE *out)
{
    char breaks[640] = "";

    (void) reach_append_breaks(facts->reduction, breaks, sizeof(breaks));
    (void) fputs("The short version: the calls get part of the way. ", out);
    wording_escape(out, breaks);
    (void) fputs(" What lies behind the break cannot be judged before it is "
                 "mended.",
                 out);
}

static void say_measured(const struct newsletter_facts *facts, FILE *out)
{
    (void) fputs("The short version: data get through. Whether they are as "
                 "many as they should be, this test cannot say",
                 out);
    (void) fputs(facts->counts.meets
                     ? " of every case; where it can, the promise is kept."
                     : ": there was no firm figure to hold against a promise.",
                 out);
    say_missing(facts, out);
}

static void say_nothing(const struct newsletter_facts *facts, FILE *out)
{
    (void) facts;
    (void) fputs("The short version: there is none. The test ended before "
                 "anything was measured, so the link has neither passed nor "
                 "failed.",
                 out);
}

void newsletter_say_verdict(const struct newsletter_facts *facts, FILE *out)
{
    static void (*const says[])(const struct newsletter_facts *, FILE *) = {
        [OUTCOME_NOTHING] = say_nothing,     [OUTCOME_LATE] = say_late,
        [OUTCOME_DEAD] = say_dead,           [OUTCOME_ECHOES] = say_answers,
        [OUTCOME_BREAK] = say_break,         [OUTCOME_OPEN] = say_open,
        [OUTCOME_NO_DATA] = say_no_data,     [OUTCOME_MEASURED] = say_measured,
        [OUTCOME_GAPS] = say_gaps,           [OUTCOME_WORKS] = say_works,
        [OUTCOME_PARTLY] = say_partly,       [OUTCOME_SHORT] = say_short,
        [OUTCOME_UNDECIDED] = say_undecided, [OUTCOME_SUSPECT] = say_suspect,
    };

    says[facts->outcome](facts, out);
}

/* --- why it is short ------------------------------------------------------ */

/* What took the largest part; NULL: that part explains nothing. */
static const char *const causes[SHORTFALL_PARTS] = {
    [PART_BYPASS] = "data that did not go over the radio at all",
    [PART_OTHER_STEP] = "a radio on another setting than we thought",
    [PART_OUTAGE] = "stretches in which nothing arrived",
    [PART_START_UP] = "the slow start of each transfer",
    [PART_SENDER_IDLE] = "pauses of the sending computer",
    [PART_SEND_BUFFER] = "too small a store in the sending computer",
    [PART_RECEIVER_WINDOW] = "a receiver that asked for too little at once",
    [PART_REPEATS] = "pieces that were lost and had to be sent again",
    [PART_LOSS_WINDOW] = "the sender's caution after losses",
    [PART_NEEDLESS] = ("pieces that came late or out of order and were "
                       "needlessly sent again"),
    [PART_FOREIGN] = "other traffic of the same computers",
    [PART_SLOW_COMPUTER] = "a computer that is too slow",
    [PART_RADIO_REPEATS] = "pieces that the radios lost and sent again",
    [PART_LONGER_CYCLE] = "others on the channel, or longer turns than stated",
};

static const struct shortfall *worst_shortfall(const struct rows *shortfalls)
{
    const struct shortfall *worst = NULL;

    for (size_t i = 0; i < shortfalls->count; i++) {
        const struct shortfall *one = rows_at(shortfalls, i);

        if (!worst
            || one->expected_bps - one->measured_bps
                   > worst->expected_bps - worst->measured_bps)
            worst = one;
    }
    return worst;
}

void newsletter_say_cause(const struct newsletter_facts *facts, FILE *out)
{
    const struct shortfall *worst =
        worst_shortfall(&facts->reduction->shortfalls);
    const bool is_short =
        facts->outcome == OUTCOME_PARTLY || facts->outcome == OUTCOME_SHORT;

    if (!worst || !is_short || !facts->counts.is_short
        || !causes[worst->dominant])
        return;
    (void) fprintf(out,
                   "Where did the rest go? The largest part of it is "
                   "down to %s",
                   causes[worst->dominant]);
    if (worst->or_else >= 0 && worst->or_else < SHORTFALL_PARTS
        && causes[worst->or_else])
        (void) fprintf(out, ", or to %s: the two look alike from outside",
                       causes[worst->or_else]);
    (void) fputc('.', out);
}
