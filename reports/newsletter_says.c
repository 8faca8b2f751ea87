/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/newsletter_says.h"

#include "reports/newsletter_words.h"

/* A title is a plan's, and may be long. */
#define TITLE_SIZE 64

/* --- the title ------------------------------------------------------------ */

static const char *const headlines[] = {
    [OUTCOME_NOTHING] = "nothing to tell yet",
    [OUTCOME_LATE] = "no figures this time",
    [OUTCOME_DEAD] = "no luck this time",
    [OUTCOME_ECHOES] = "the far end answers",
    [OUTCOME_BREAK] = "not all the way yet",
    [OUTCOME_OPEN] = "not settled yet",
    [OUTCOME_NO_DATA] = "no files yet",
    [OUTCOME_MEASURED] = "data get through",
    [OUTCOME_GAPS] = "not on every way",
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

static const char *headline_of(const struct newsletter_facts *facts)
{
    if (facts->outcome == OUTCOME_ECHOES && facts->messages.sent_count)
        return "messages get through";
    if (facts->outcome == OUTCOME_PARTLY
        && 2 * facts->counts.meets > facts->ways.count)
        return "most of it works";
    return headlines[facts->outcome];
}

void newsletter_say_title(const struct newsletter_facts *facts, FILE *out)
{
    char title[TITLE_SIZE];

    short_title(facts->reduction, title);
    (void) fputs("# ", out);
    wording_escape(out, title);
    (void) fprintf(out, ": %s%s\n\n", headline_of(facts),
                   facts->reduction->run.is_practice ? ", in rehearsal" : "");
}

/* --- small words ---------------------------------------------------------- */

void newsletter_say_step(const char *step, FILE *out)
{
    (void) fputc('*', out);
    wording_escape(out, step);
    (void) fputc('*', out);
}

void newsletter_say_way(const struct finding *way, FILE *out)
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

void newsletter_say_number(double value, double low, double high, FILE *out)
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
        (void) fputs("*This is practice. No radio was on the air: a program "
                     "played the channel, so the figures show the method and "
                     "not a real link.*",
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
        { facts->has_downloads, "files" },
        { facts->has_messages, "text messages" },
        { facts->has_pings, "short calls to be echoed" },
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
        (void) fprintf(
            out,
            "computers at the hub in the middle and at its %s stations "
            "sent each other ",
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

    if (!facts->echoes.sent_count || facts->outcome == OUTCOME_DEAD
        || facts->outcome == OUTCOME_LATE)
        return;
    spoken_count(facts->echoes.sent_count, calls);
    spoken_count((uint64_t) facts->echoes.lost_count, lost);
    if (facts->echoes.lost_count > 0)
        (void) fprintf(out, "Of %s calls %s got no echo.", calls, lost);
    else
        (void) fprintf(out, "All %s calls got their echo.", calls);
    if (!find_slowest(facts->reduction, "rtt_p50", &median)
        && !find_slowest(facts->reduction, "rtt_stamped_p50", &median))
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

    if (!facts->messages.sent_count || facts->outcome == OUTCOME_LATE)
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

/* --- what the faster setting buys ----------------------------------------- */

static const struct finding *last_gain(const struct rows *gains)
{
    const struct finding *last = NULL;

    for (size_t i = 0; i < gains->count; i++) {
        const struct finding *gain = rows_at(gains, i);

        if (!isnan(gain->value) && isfinite(gain->low) && isfinite(gain->high)
            && wording_is_alone(gain->condition))
            last = gain;
    }
    return last;
}

static const char *step_below(const struct plan *plan, const char *step)
{
    const size_t index = plan_find_step(plan, step);

    return index > 0 && index < plan->step_count ? plan->steps[index - 1].name
                                                 : NULL;
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
    newsletter_say_step(below, out);
    (void) fputs(" did ", out);
    newsletter_say_way(gain, out);
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

    if (below && newsletter_has_figures(facts)) {
        (void) fputs("Was the faster setting worth it? In this test ", out);
        newsletter_say_step(gain->step, out);
        say_ratios(gain, below, out);
        (void) fputc('.', out);
    }
    rows_clear(&gains);
}

/* --- the rest ------------------------------------------------------------- */

static void say_units(const struct newsletter_facts *facts, FILE *out)
{
    bool has_promise = false;

    if (!facts->ways.count || facts->outcome == OUTCOME_DEAD
        || facts->outcome == OUTCOME_LATE)
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

    if (!count || facts->outcome == OUTCOME_LATE)
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
        [OUTCOME_LATE] = "Next we rehearse again, when the computer has "
                         "nothing else to do.",
        [OUTCOME_DEAD] = "Next we walk along the chain, from the nearest radio "
                         "to the farthest computer, and see where the answers "
                         "stop.",
        [OUTCOME_ECHOES] = "Next come files in both directions, which show "
                           "what the link can carry.",
        [OUTCOME_BREAK] = "Next we look at what stands on both sides of the "
                          "break, and call again.",
        [OUTCOME_OPEN] = "Next we fetch the notes of the computer that are "
                         "missing, or measure again.",
        [OUTCOME_NO_DATA] = "Next we look for the cause, and change one thing "
                            "at a time.",
        [OUTCOME_MEASURED] = "A longer test, with the data sheet of the radios "
                             "at hand, would give the verdict.",
        [OUTCOME_GAPS] = "Next we look for the cause, and change one thing at "
                         "a time.",
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
    if (facts->outcome == OUTCOME_LATE)
        return;
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
    { say_practice,            0, false },
    { say_lead,                0, false },
    { newsletter_say_verdict,  0, false },
    { newsletter_say_cause,    1, false },
    { say_units,               0, true },
    { newsletter_say_uses,     2, true },
    { newsletter_say_shared,   4, true },
    { say_messages,            3, true },
    { newsletter_say_photo,    5, true },
    { say_gain,                6, true },
    { say_echoes,              7, true },
    { newsletter_say_each_way, 3, true },
    { say_both_ends,           9, true },
    { say_doubts,              0, true },
    { say_why_margins,        11, true },
    { say_next,                8, true },
    { say_raw_data,           10, true },
    { NULL,                    0, false },
};
/* clang-format on */
