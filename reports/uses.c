/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/uses.h"

#include "reports/append.h"

/*
 * Sizes and times that a task is held against.  Good: within the first time;
 * with patience: within the second.  Where a source gives one time only, the
 * second is the 60 s up to which ITU-T G.1010 still accepts a transfer, and for
 * a terminal the second of ITU-T Y.1541 class 4 (RFC 5976 section 2.1).  The
 * G.1010 figures are quoted from memory of its tables I.1 and I.2, those of
 * 3GPP TS 22.105 and ITU-T G.114 were read.
 */
struct task {
    const char *name;
    const char *thing; /* what takes that time */
    double content_bytes;
    double good_s, patience_s;
    const char *wish; /* what the first time is */
    const char *source;
    double loss_good_ratio, loss_patience_ratio; /* 0: by the goodput alone */
    const char *loss_source;
};

/*
 * What is lost must be asked again, and that takes a time-out of a second and
 * more (RFC 6298): the measured goodput has that in it, the half of the echoes
 * that came back at once has not.  So few echoes may be lost for a use to be
 * good, and so few for it to work with patience.
 */
#define NO_LOSS_SOURCE "common practice, no source"
#define FEW_LOSSES     0.05, 0.30, NO_LOSS_SOURCE

/* clang-format off */
static const struct task tasks[USE_COUNT] = {
    [USE_TEXT_MESSAGES] = { "text messages", "a text message and its confirmation take", 140, 4, 30,
        "people expect an answer within 4 s, and a message within 30 s", "3GPP TS 22.105 (transactions); ITU-T G.1010", FEW_LOSSES },
    [USE_EMAIL] = { "e-mail", "an e-mail of 10 kB takes", 10e3, 4, 60,
        "people wait 4 s gladly, and 60 s at the most", "3GPP TS 22.105 (e-mail); ITU-T G.1010", FEW_LOSSES },
    [USE_PICTURES] = { "pictures", "a picture of 100 kB takes", 100e3, 15, 60,
        "people wait 15 s gladly, and 60 s at the most", "ITU-T G.1010 (still image)", 0, 0, NULL },
    [USE_WEB] = { "web pages", "a web page of 54 kB takes", 54465, 4, 60,
        "people wait 4 s gladly, and 60 s at the most", "3GPP TS 22.105 (web page); ITU-T G.1010; mean page of the IEEE 802.16m model", FEW_LOSSES },
    [USE_FILES] = { "files", "a file of 1 MB takes", 1e6, 15, 60,
        "people wait 15 s gladly, and 60 s at the most", "ITU-T G.1010 (bulk data)", 0, 0, NULL },
    [USE_TERMINAL] = { "remote terminals", "a key stroke is on its way for", 0, 0.25, 1,
        "up to 250 ms feel direct", "3GPP TS 22.105 (telnet)",
        0.001, 0.10, "ITU-T Y.1541 classes 2 to 4 (RFC 5976 section 2.1) for good; the other limit is " NO_LOSS_SOURCE },
    [USE_VOICE] = { "voice calls", "a word is on its way for", 0, 0.15, 0.4,
        "150 ms are wanted, and 400 ms are the limit", "ITU-T G.114; 3GPP TS 22.105 (voice)", 0, 0, NULL }, /* has a rule of its own */
};
/* clang-format on */

/* A call needs 20 B of speech every 20 ms with 40 B of headers, each way. */
static const double call_bps = 24e3;
static const double call_loss_most_ratio = 0.03; /* 3GPP TS 22.105 */

const char *uses_name(enum use_task task)
{
    return tasks[task].name;
}

/* --- how long it takes --------------------------------------------------- */

static struct range slower_of(struct range a, struct range b)
{
    if (!range_is_said(a))
        return b;
    return range_is_said(b) && range_middle(b) < range_middle(a) ? b : a;
}

/* Opening the connection and asking are a round trip each. */
static struct range transfer_s(double content_bytes, struct range bps,
                               struct range rtt_ns, double round_trips)
{
    struct range takes_s = range_unsaid();

    if (!range_is_said(bps) || !(bps.low > 0))
        return takes_s;
    takes_s.low = BITS_PER_BYTE * content_bytes / bps.high;
    takes_s.high = BITS_PER_BYTE * content_bytes / bps.low;
    if (range_is_said(rtt_ns)) {
        takes_s.low += round_trips * rtt_ns.low * 1e-9;
        takes_s.high += round_trips * rtt_ns.high * 1e-9;
    }
    return takes_s;
}

static struct range takes_s(const struct uses_figures *figures,
                            enum use_task task)
{
    const struct range slower = slower_of(figures->down_bps, figures->up_bps);
    const struct range down =
        range_is_said(figures->down_bps) ? figures->down_bps : figures->up_bps;
    const double content_bytes = tasks[task].content_bytes;

    switch (task) {
    case USE_TEXT_MESSAGES:
        if (range_is_said(figures->confirmed_ns))
            return (struct range){ figures->confirmed_ns.low * 1e-9,
                                   figures->confirmed_ns.high * 1e-9 };
        /* Without a round trip the time in the air alone says nothing. */
        return range_is_said(figures->rtt_ns)
                   ? transfer_s(content_bytes, slower, figures->rtt_ns, 1)
                   : range_unsaid();
    case USE_EMAIL:
    case USE_PICTURES:
        return transfer_s(content_bytes, slower, figures->rtt_ns, 2);
    case USE_WEB:
    case USE_FILES:
        return transfer_s(content_bytes, down, figures->rtt_ns, 2);
    case USE_TERMINAL:
    case USE_VOICE:
        return (struct range){ figures->rtt_ns.low * 1e-9 / 2,
                               figures->rtt_ns.high * 1e-9 / 2 };
    case USE_COUNT:
        break;
    }
    return range_unsaid();
}

/* --- and what that means ------------------------------------------------- */

static enum use_verdict verdict_of(const struct task *task, struct range takes)
{
    if (!range_is_said(takes))
        return USE_UNKNOWN;
    if (takes.high <= task->good_s)
        return USE_GOOD;
    if (takes.low <= task->good_s)
        return USE_BORDERLINE;
    return takes.low <= task->patience_s ? USE_PATIENCE : USE_POOR;
}

/* Two figures: what is about needs no more. */
static const char *show_seconds(double s, char *text, size_t size)
{
    if (s < 0.995) {
        (void) snprintf(text, size, "%.0f",
                        s < 0.0995 ? s * 1e3 : round(s * 100) * 10);
        return "ms";
    }
    if (s < 99.5) {
        (void) snprintf(text, size, "%.*f", s < 9.95, s);
        return "s";
    }
    if (s < 5970) {
        (void) snprintf(text, size, "%.0f", s / 60);
        return "min";
    }
    (void) snprintf(text, size, "%.1f", s / 3600);
    return "h";
}

/* "45 to 60 ms", "0.9 s"; each end with its own unit only where they differ. */
static void show_range(struct range range_s, char *text, size_t size)
{
    char low[24], high[24];
    const char *low_unit = show_seconds(range_s.low, low, sizeof(low));
    const char *high_unit = show_seconds(range_s.high, high, sizeof(high));

    if (strcmp(low_unit, high_unit) != 0)
        (void) snprintf(text, size, "%s %s to %s %s", low, low_unit, high,
                        high_unit);
    else if (strcmp(low, high) == 0)
        (void) snprintf(text, size, "%s %s", low, low_unit);
    else
        (void) snprintf(text, size, "%s to %s %s", low, high, low_unit);
}

static void judge(const struct uses_figures *figures, enum use_task task,
                  struct use *use)
{
    char takes[80];

    *use = (struct use){ .task = task,
                         .takes_s = takes_s(figures, task),
                         .source = tasks[task].source };
    use->verdict = verdict_of(&tasks[task], use->takes_s);
    if (use->verdict == USE_UNKNOWN) {
        (void) snprintf(use->words, sizeof(use->words), "not known");
        return;
    }
    show_range(use->takes_s, takes, sizeof(takes));
    const bool is_reckoned =
        task == USE_TEXT_MESSAGES && !range_is_said(figures->confirmed_ns);

    (void) snprintf(
        use->words, sizeof(use->words), "%s %s%s; %s", tasks[task].thing, takes,
        is_reckoned ? ", reckoned from echo and rate" : "", tasks[task].wish);
}

/* Only what is shown to be lost lowers a use. */
static void judge_losses(const struct uses_figures *figures, struct use *use)
{
    const struct task *task = &tasks[use->task];
    const bool is_too_much =
        figures->loss_least_ratio > task->loss_patience_ratio;

    if (!(task->loss_good_ratio > 0)
        || !(figures->loss_least_ratio > task->loss_good_ratio)
        || (use->verdict == USE_UNKNOWN && !is_too_much))
        return;
    const enum use_verdict most = is_too_much ? USE_POOR : USE_PATIENCE;

    if (use->verdict == USE_UNKNOWN)
        (void) snprintf(use->words, sizeof(use->words), "%s: not known",
                        task->name);
    if (use->verdict < most) {
        use->verdict = most;
        use->source = task->loss_source;
    }
    append(use->words, sizeof(use->words),
           "; but %.2g %% of the echoes are lost, and ",
           100 * figures->loss_ratio);
    if (is_too_much)
        append(use->words, sizeof(use->words),
               "with more than %.3g %% it hardly works",
               100 * task->loss_patience_ratio);
    else
        append(use->words, sizeof(use->words), "more than %.3g %% are felt",
               100 * task->loss_good_ratio);
}

/* A call also needs room for two streams, and few losses. */
static void judge_call(const struct uses_figures *figures, struct use *use)
{
    const struct range slower = slower_of(figures->down_bps, figures->up_bps);
    const double needed_bps = call_bps * (figures->is_half_duplex ? 2 : 1);

    if (range_is_said(slower) && slower.high < needed_bps) {
        use->verdict = USE_POOR;
        (void) snprintf(use->words, sizeof(use->words),
                        "a call needs %.0f kbit/s%s, which is more than there "
                        "is",
                        needed_bps / 1e3,
                        figures->is_half_duplex ? " of the shared air"
                                                : " each way");
    } else if (figures->loss_ratio > call_loss_most_ratio) {
        use->verdict = USE_POOR;
        (void) snprintf(use->words, sizeof(use->words),
                        "%.0f %% of the packets are lost; 3 %% are the limit "
                        "of a call",
                        figures->loss_ratio * 100);
    }
}

void uses_judge(const struct uses_figures *figures,
                struct use ret_uses[USE_COUNT])
{
    for (int i = 0; i < USE_COUNT; i++)
        judge(figures, (enum use_task) i, &ret_uses[i]);
    for (int i = 0; i < USE_COUNT; i++)
        judge_losses(figures, &ret_uses[i]);
    judge_call(figures, &ret_uses[USE_VOICE]);
}

/* --- in one sentence ----------------------------------------------------- */

/* "text messages, e-mail and pictures": those with such a verdict. */
static size_t list_tasks(const struct use uses[USE_COUNT],
                         enum use_verdict verdict, char *text, size_t size)
{
    size_t count = 0, listed = 0, used = 0;

    for (int i = 0; i < USE_COUNT; i++)
        count += uses[i].verdict == verdict;
    text[0] = '\0';
    for (int i = 0; i < USE_COUNT; i++) {
        if (uses[i].verdict != verdict || used >= size)
            continue;
        const char *comma = listed == 0           ? ""
                            : listed + 1 == count ? " and "
                                                  : ", ";
        used += (size_t) snprintf(text + used, size - used, "%s%s", comma,
                                  tasks[i].name);
        listed++;
    }
    return count;
}

void uses_sentence(const struct use uses[USE_COUNT], char *ret_text,
                   size_t size)
{
    static const struct {
        enum use_verdict verdict;
        const char *words;
    } parts[] = { { USE_GOOD, "good for" },
                  { USE_BORDERLINE, "just about enough for" },
                  { USE_PATIENCE, "with patience for" },
                  { USE_POOR, "not for" } };
    size_t used = 0;

    ret_text[0] = '\0';
    for (size_t i = 0; i < COUNT_OF(parts); i++) {
        char list[192];

        if (!list_tasks(uses, parts[i].verdict, list, sizeof(list))
            || used >= size)
            continue;
        used += (size_t) snprintf(ret_text + used, size - used, "%s%s %s",
                                  used ? "; " : "", parts[i].words, list);
    }
    if (used && used < size - 1)
        (void) snprintf(ret_text + used, size - used, ".");
    if (ret_text[0] >= 'a' && ret_text[0] <= 'z')
        ret_text[0] = (char) (ret_text[0] - 'a' + 'A');
}
