/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/newsletter_says.h"

#include "reports/newsletter_words.h"
#include "reports/reach.h"
#include "reports/shortfall.h"

/* A title is a plan's, and may be long. */
#define TITLE_SIZE 64

static const double photo_bytes = 300e3;

/* --- the title ------------------------------------------------------------ */

static const char *const headlines[] = {
    [OUTCOME_NOTHING] = "nothing to tell yet",
    [OUTCOME_DEAD] = "no luck this time",
    [OUTCOME_ECHOES] = "the far end answers",
    [OUTCOME_MEASURED] = "data get through",
    [OUTCOME_WORKS] = "it works",
    [OUTCOME_PARTLY] = "half of it works",
    [OUTCOME_SHORT] = "slower than promised",
    [OUTCOME_UNDECIDED] = "not settled yet",
    [OUTCOME_SUSPECT] = "too good to be true",
};

/* Cut after a whole word. */
static void short_title(const struct reduction *reduction,
                        char ret_title[TITLE_SIZE])
{
    const char *title =
        reduction->run.title[0] ? reduction->run.title : reduction->plan->title;

    (void) snprintf(ret_title, TITLE_SIZE, "%.*s", TITLE_SIZE - 1, title);
    if (strlen(title) < TITLE_SIZE)
        return;
    char *blank = strrchr(ret_title, ' ');

    if (blank)
        *blank = '\0';
}

void newsletter_say_title(const struct newsletter_facts *facts, FILE *out)
{
    char title[TITLE_SIZE];

    short_title(facts->reduction, title);
    (void) fputs("# ", out);
    wording_escape(out, title);
    (void) fprintf(out, ": %s%s\n\n", headlines[facts->outcome],
                   facts->reduction->run.is_practice ? ", in rehearsal" : "");
}

/* --- small words ---------------------------------------------------------- */

static void say_step(const char *step, FILE *out)
{
    (void) fputc('*', out);
    wording_escape(out, step);
    (void) fputc('*', out);
}

static void say_way(const struct finding *way, FILE *out)
{
    (void) fputs("from ", out);
    wording_escape(out, way->from);
    (void) fputs(" to ", out);
    wording_escape(out, way->to);
}

static void say_day(uint64_t unix_ns, FILE *out)
{
    char date[48];

    wording_date(unix_ns, date, sizeof(date));
    (void) fprintf(out, "%.*s", (int) strcspn(date, ","), date);
}

static void say_number(double value, double low, double high, FILE *out)
{
    char number[SPOKEN_SIZE];

    spoken_number(value, spoken_rounding(value, low, high), number);
    (void) fputs(number, out);
}

static void say_seconds(const struct finding *finding, FILE *out)
{
    char time[SPOKEN_SIZE];

    spoken_time(finding->value,
                spoken_rounding(finding->value, finding->low, finding->high),
                time);
    (void) fputs(time, out);
}

/* --- what was done -------------------------------------------------------- */

static void say_practice(const struct newsletter_facts *facts, FILE *out)
{
    if (facts->reduction->run.is_practice)
        (void) fputs("*This is practice. No radio was on the air: the channel "
                     "was played by a program on one computer, so the figures "
                     "tell how the method works, not what a real link does.*",
                     out);
    else if (!facts->reduction->plan->on_air)
        (void) fputs("*This was done on the bench, with cables and attenuators "
                     "in place of antennas: it tells nothing of the path.*",
                     out);
}

static void say_traffic(const struct newsletter_facts *facts, FILE *out)
{
    const struct {
        bool is_sent;
        const char *what;
    } sorts[] = {
        { facts->has_pings, "short calls to be echoed" },
        { facts->has_downloads, "files" },
        { facts->has_messages, "text messages" },
    };
    size_t sort_count = 0;
    size_t said_count = 0;

    for (size_t i = 0; i < COUNT_OF(sorts); i++)
        sort_count += sorts[i].is_sent;
    for (size_t i = 0; i < COUNT_OF(sorts); i++) {
        if (!sorts[i].is_sent)
            continue;
        said_count++;
        (void) fprintf(out, "%s%s",
                       said_count == 1            ? ""
                       : said_count == sort_count ? " and "
                                                  : ", ",
                       sorts[i].what);
    }
}

static void say_lead(const struct newsletter_facts *facts, FILE *out)
{
    const struct run_record *run = &facts->reduction->run;
    char span[SPOKEN_SIZE];
    char stations[SPOKEN_SIZE];

    (void) fputs("On ", out);
    say_day(run->started_unix_ns, out);
    (void) fputs(run->is_practice ? " we rehearsed a test of this data link."
                                  : " we put this data link to the test.",
                 out);
    if (facts->outcome == OUTCOME_NOTHING)
        return;
    if (run->ended_unix_ns > run->started_unix_ns) {
        spoken_span(run->ended_unix_ns - run->started_unix_ns, span);
        (void) fprintf(out, " For %s ", span);
    } else {
        (void) fputs(" Then ", out);
    }
    spoken_count(facts->station_count, stations);
    if (facts->agent_count < 2)
        (void) fputs("one computer sent ", out);
    else if (facts->station_count > 1)
        (void) fprintf(out,
                       "the computers at the hub, which is the middle of the "
                       "net, and at its %s stations sent each other ",
                       stations);
    else
        (void) fputs("two computers, one at each end, sent each other ", out);
    say_traffic(facts, out);
    (void) fputs(facts->agent_count < 2
                     ? " and wrote down what came back."
                     : ", and both sides wrote down what left and what "
                       "arrived.",
                 out);
    if (facts->is_cut_off)
        (void) fputs(" The test was broken off before its end; this is what "
                     "there was until then.",
                     out);
}

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
    (void) fprintf(out, " We tried %s of %s stations, one at a time.", tried,
                   all);
}

static void say_works(const struct newsletter_facts *facts, FILE *out)
{
    char steps[SPOKEN_SIZE];

    spoken_count(facts->step_count, steps);
    (void) fputs("The short version: it works", out);
    (void) fputs(facts->is_both_ways ? ", both ways. " : ". ", out);
    if (facts->step_count == 1) {
        (void) fputs("On the speed setting that we tried, ", out);
        say_step(((struct finding *) rows_at(&facts->ways, 0))->step, out);
        (void) fputs(", it delivers what it should.", out);
    } else {
        (void) fprintf(out,
                       "It delivers what it should on %s%s speed settings "
                       "that we tried.",
                       facts->step_count == 2 ? "both" : "all ",
                       facts->step_count == 2 ? "" : steps);
    }
    say_tried(facts, out);
    (void) fputs(" That holds even when each figure is taken at the lower end "
                 "of its margin of error.",
                 out);
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
        say_way(way, out);
        (void) fputs(" on ", out);
        say_step(way->step, out);
        if (has_shares) {
            (void) fputs(" (", out);
            say_number(100 * way->value / middle, 100 * way->low / middle,
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
        (void) fputs(way->value > 0 || isnan(way->value)
                         ? " There is no figure "
                         : " Nothing at all arrived ",
                     out);
        say_way(way, out);
        (void) fputs(" on ", out);
        say_step(way->step, out);
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
    if (facts->counts.is_short) {
        (void) fputs("The short version: data get through, but fewer than "
                     "promised. The link falls short ",
                     out);
        say_cases(facts, VERDICT_SHORT, true, out);
        (void) fputc('.', out);
    } else {
        (void) fputs("The short version: something comes through, but that is "
                     "all that can be said for it.",
                     out);
    }
    say_missing(facts, out);
}

static void say_undecided(const struct newsletter_facts *facts, FILE *out)
{
    (void) fputs("The short version: we do not know yet. Data get through, "
                 "but the margin of error is too wide to say whether they are "
                 "as many as promised ",
                 out);
    say_cases(facts, VERDICT_UNDECIDED, false, out);
    (void) fputs(". That is no failure of the link; the question is open.",
                 out);
    if (facts->counts.meets)
        (void) fputs(" Where the table is not named here, the promise is "
                     "kept.",
                     out);
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
        (void) fputs("No data arrived. ", out);
    (void) fputs("Whether radio, antenna, cable or computer is to blame, this "
                 "test alone cannot tell.",
                 out);
    if (reach_append_breaks(facts->reduction, breaks, sizeof(breaks)))
        wording_escape(out, breaks);
}

static void say_answers(const struct newsletter_facts *facts, FILE *out)
{
    char breaks[640] = "";

    (void) fputs("The short version: the far side answers. How much data the "
                 "link carries was not tried, so nothing is said of its "
                 "speed.",
                 out);
    if (reach_append_breaks(facts->reduction, breaks, sizeof(breaks)))
        wording_escape(out, breaks);
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
}

static void say_nothing(const struct newsletter_facts *facts, FILE *out)
{
    (void) facts;
    (void) fputs("The short version: there is none. The test ended before "
                 "anything was measured, so the link has neither passed nor "
                 "failed.",
                 out);
}

static void say_verdict(const struct newsletter_facts *facts, FILE *out)
{
    static void (*const says[])(const struct newsletter_facts *, FILE *) = {
        [OUTCOME_NOTHING] = say_nothing, [OUTCOME_DEAD] = say_dead,
        [OUTCOME_ECHOES] = say_answers,  [OUTCOME_MEASURED] = say_measured,
        [OUTCOME_WORKS] = say_works,     [OUTCOME_PARTLY] = say_partly,
        [OUTCOME_SHORT] = say_short,     [OUTCOME_UNDECIDED] = say_undecided,
        [OUTCOME_SUSPECT] = say_suspect,
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
    [PART_RECEIVER_WINDOW] = "a receiving computer that asked for too little "
                             "at a time",
    [PART_REPEATS] = "pieces that were lost and had to be sent again",
    [PART_LOSS_WINDOW] = "the sender's caution after losses",
    [PART_FOREIGN] = "other traffic of the same computers",
    [PART_SLOW_COMPUTER] = "a computer that is too slow",
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

static void say_cause(const struct newsletter_facts *facts, FILE *out)
{
    const struct shortfall *worst =
        worst_shortfall(&facts->reduction->shortfalls);
    const bool is_short =
        facts->outcome == OUTCOME_PARTLY || facts->outcome == OUTCOME_SHORT;

    if (!worst || !is_short || !facts->counts.is_short
        || !causes[worst->dominant])
        return;
    (void) fprintf(out,
                   "Where did the rest go? The largest part of it went "
                   "into %s",
                   causes[worst->dominant]);
    if (worst->or_else >= 0 && worst->or_else < SHORTFALL_PARTS
        && causes[worst->or_else])
        (void) fprintf(out, ", or into %s: the two look alike from outside",
                       causes[worst->or_else]);
    (void) fputc('.', out);
}

/* --- what it is good for -------------------------------------------------- */

/* The largest value of that measure over its table, where all are finite. */
static bool find_slowest(const struct reduction *reduction, const char *measure,
                         struct finding *ret_finding)
{
    struct rows table = wording_table(reduction, measure);
    bool has_one = false;
    bool is_finite = true;

    for (size_t i = 0; i < table.count; i++) {
        const struct finding *finding = rows_at(&table, i);

        if (finding->condition[0] && strcmp(finding->condition, "idle") != 0)
            continue;
        if (isnan(finding->value))
            continue;
        is_finite = is_finite && isfinite(finding->value);
        if (!has_one || finding->value > ret_finding->value)
            *ret_finding = *finding;
        has_one = true;
    }
    rows_clear(&table);
    return has_one && is_finite;
}

static void say_echoes(const struct newsletter_facts *facts, FILE *out)
{
    struct finding median = { 0 };
    char calls[SPOKEN_SIZE];
    char lost[SPOKEN_SIZE];

    if (!facts->echoes.sent_count || facts->outcome == OUTCOME_DEAD)
        return;
    spoken_count(facts->echoes.sent_count, calls);
    spoken_count((uint64_t) facts->echoes.lost_count, lost);
    if (facts->echoes.lost_count > 0)
        (void) fprintf(out, "Of %s calls %s got no echo.", calls, lost);
    else
        (void) fprintf(out, "All %s calls got their echo.", calls);
    if (!find_slowest(facts->reduction, "rtt_p50", &median))
        return;
    (void) fputs(" Where it was slowest, half of them were back within ", out);
    say_seconds(&median, out);
    (void) fputc('.', out);
}

static void say_messages(const struct newsletter_facts *facts, FILE *out)
{
    struct finding half = { 0 };
    struct finding most = { 0 };
    char sent[SPOKEN_SIZE];
    char lost[SPOKEN_SIZE];

    if (!facts->messages.sent_count)
        return;
    spoken_count(facts->messages.sent_count, sent);
    spoken_count((uint64_t) facts->messages.lost_count, lost);
    if (facts->messages.lost_count > 0)
        (void) fprintf(out,
                       "Of %s text messages %s were not confirmed in time.",
                       sent, lost);
    else
        (void) fprintf(out, "All %s text messages were confirmed.", sent);
    if (!find_slowest(facts->reduction, "confirmed_p50", &half))
        return;
    (void) fputs(" At its slowest, half of them had their confirmation back "
                 "within ",
                 out);
    say_seconds(&half, out);
    if (find_slowest(facts->reduction, "confirmed_p90", &most)) {
        (void) fputs(" and nine of ten within ", out);
        say_seconds(&most, out);
    }
    (void) fputc('.', out);
}

/* The slowest way of the step that is fastest by its slowest way. */
static bool find_best_step(const struct rows *ways, struct finding *ret_way)
{
    bool has_best = false;

    for (size_t i = 0; i < ways->count; i++) {
        struct finding slowest = *(const struct finding *) rows_at(ways, i);

        for (size_t k = 0; k < ways->count; k++) {
            const struct finding *other = rows_at(ways, k);

            if (strcmp(other->step, slowest.step) == 0
                && (isnan(other->value) || other->value < slowest.value))
                slowest = *other;
        }
        if (newsletter_arrived(&slowest)
            && (!has_best || slowest.value > ret_way->value)) {
            *ret_way = slowest;
            has_best = true;
        }
    }
    return has_best;
}

static void say_photo(const struct newsletter_facts *facts, FILE *out)
{
    struct finding way = { 0 };

    if (facts->outcome == OUTCOME_SUSPECT
        || !find_best_step(&facts->ways, &way))
        return;
    const double bits = photo_bytes * BITS_PER_BYTE;
    const double seconds = bits / way.value;
    char time[SPOKEN_SIZE];

    /* "About" has two digits at the most. */
    spoken_time(seconds,
                fmax(spoken_rounding(seconds, (double) NAN, (double) NAN),
                     spoken_rounding(seconds, bits / way.high, bits / way.low)),
                time);
    (void) fputs("To get a feeling for it: at the rate that we measured on ",
                 out);
    say_step(way.step, out);
    (void) fprintf(out,
                   ", a small photograph of %.0f kilobytes takes about %s.",
                   photo_bytes / 1e3, time);
}

/* --- what the faster setting buys ----------------------------------------- */

static const struct finding *last_gain(const struct rows *gains)
{
    const struct finding *last = NULL;

    for (size_t i = 0; i < gains->count; i++) {
        const struct finding *gain = rows_at(gains, i);

        if (!isnan(gain->value) && isfinite(gain->low) && isfinite(gain->high)
            && (!gain->condition[0] || strcmp(gain->condition, "idle") == 0))
            last = gain;
    }
    return last;
}

static const char *step_below(const struct plan *plan, const char *step)
{
    for (size_t i = 1; i < plan->step_count; i++) {
        if (strcmp(plan->steps[i].name, step) == 0)
            return plan->steps[i - 1].name;
    }
    return NULL;
}

/* What was measured, and what was promised, to the same place. */
static void say_ratios(const struct finding *gain, const char *below, FILE *out)
{
    const double promise = (gain->expected_low + gain->expected_high) / 2;
    double rounding = spoken_rounding(gain->value, gain->low, gain->high);
    char number[SPOKEN_SIZE];

    if (!isnan(promise))
        rounding = fmax(rounding, spoken_rounding(promise, gain->expected_low,
                                                  gain->expected_high));
    spoken_number(gain->value, rounding, number);
    (void) fprintf(out, " carried %s times what ", number);
    say_step(below, out);
    (void) fputs(" did ", out);
    say_way(gain, out);
    if (isnan(promise))
        return;
    spoken_number(promise, rounding, number);
    (void) fprintf(out, "; on paper it is %s times", number);
}

static void say_gain(const struct newsletter_facts *facts, FILE *out)
{
    struct rows gains = wording_table(facts->reduction, "gain");
    const struct finding *gain = last_gain(&gains);
    const char *below =
        gain ? step_below(facts->reduction->plan, gain->step) : NULL;

    if (below && facts->outcome != OUTCOME_SUSPECT) {
        (void) fputs("Was the faster setting worth it? In this test ", out);
        say_step(gain->step, out);
        say_ratios(gain, below, out);
        (void) fputc('.', out);
    }
    rows_clear(&gains);
}

/* --- the rest ------------------------------------------------------------- */

static void say_units(const struct newsletter_facts *facts, FILE *out)
{
    bool has_promise = false;

    if (!facts->ways.count || facts->outcome == OUTCOME_DEAD)
        return;
    for (size_t i = 0; i < facts->ways.count; i++)
        has_promise |=
            !isnan(((struct finding *) rows_at(&facts->ways, i))->expected_low);
    (void) fputs("One kbit/s is a thousand bits in a second, or about 125 "
                 "letters of plain text.",
                 out);
    if (has_promise)
        (void) fputs(" *Promised* is what the setting should carry, worked out "
                     "beforehand.",
                     out);
}

static void say_doubts(const struct newsletter_facts *facts, FILE *out)
{
    const size_t count = facts->reduction->doubts.count;
    char number[SPOKEN_SIZE];

    if (!count)
        return;
    spoken_count(count, number);
    (void) fprintf(out,
                   "A caution: the full report lists %s %s about this test. "
                   "Please read %s before you quote it.",
                   number, count == 1 ? "doubt" : "doubts",
                   count == 1 ? "it" : "them");
}

static void say_next(const struct newsletter_facts *facts, FILE *out)
{
    static const char *const plans[] = {
        [OUTCOME_NOTHING] = "We will try again, and check first that both "
                            "computers hear each other.",
        [OUTCOME_DEAD] = "Next we walk along the chain, from the nearest radio "
                         "to the farthest computer, and see where the answers "
                         "stop.",
        [OUTCOME_ECHOES] = "Next come files in both directions, which show "
                           "what the link can carry.",
        [OUTCOME_MEASURED] = "A longer test, with the data sheet of the radios "
                             "at hand, would give the verdict.",
        [OUTCOME_WORKS] = "One test shows one day. The next ones should come "
                          "in other weather, and when others use the band.",
        [OUTCOME_PARTLY] = "Next we look for the cause, and change one thing "
                           "at a time.",
        [OUTCOME_SHORT] = "Next we look for the cause, and change one thing at "
                          "a time.",
        [OUTCOME_UNDECIDED] = "We will measure again, for longer and in "
                              "several rounds; only then is there something "
                              "to cheer or to mend.",
        [OUTCOME_SUSPECT] = "Next we check the setting of each radio by hand, "
                            "and pull every other cable and aerial that data "
                            "could pass through.",
    };

    (void) fputs(plans[facts->outcome], out);
}

static void say_both_ends(const struct newsletter_facts *facts, FILE *out)
{
    if (facts->agent_count < 2)
        (void) fputs("With a computer at one side only, we see what comes back "
                     "and not what was lost on which way. A second one at the "
                     "far side would show that.",
                     out);
    else
        (void) fputs(
            "Why write it down at every end? An answer that comes back "
            "shows only that one trip there and back went well. With "
            "notes from each end we see which direction lost what, and "
            "when.",
            out);
}

static void say_raw_data(const struct newsletter_facts *facts, FILE *out)
{
    (void) facts;
    (void) fputs("The full report has the method and the charts. All samples "
                 "are kept, so anybody who doubts a figure can work it out "
                 "again.",
                 out);
}

static void say_why_margins(const struct newsletter_facts *facts, FILE *out)
{
    if (facts->outcome == OUTCOME_DEAD || facts->outcome == OUTCOME_NOTHING)
        (void) fputs("A failed test is worth keeping as well: whoever comes "
                     "next knows what was tried, with which settings, and on "
                     "which day.",
                     out);
    else
        (void) fputs("Every figure here is rounded to what its margin of error "
                     "allows; the margins themselves are in the report.",
                     out);
}

/* clang-format off */
const struct newsletter_paragraph newsletter_paragraphs[] = {
    { say_practice,    0, false },
    { say_lead,        0, false },
    { say_verdict,     0, false },
    { say_cause,       1, false },
    { say_units,       0, true },
    { say_messages,    2, true },
    { say_photo,       3, true },
    { say_gain,        4, true },
    { say_echoes,      5, true },
    { say_both_ends,   7, true },
    { say_doubts,      0, true },
    { say_why_margins, 9, true },
    { say_next,        6, true },
    { say_raw_data,    8, true },
    { NULL,            0, false },
};
/* clang-format on */
