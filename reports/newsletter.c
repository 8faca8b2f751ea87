/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/newsletter.h"

#include "reports/charts.h"
#include "reports/newsletter_says.h"
#include "reports/newsletter_words.h"

static const double k = 1e3; /* rates in kbit/s */

/* The table is small: of more lines the first, the last and some between. */
#define TABLE_MOST      4
#define PARAGRAPHS_MOST 24

/* A part of the piece, written to memory first to count its words. */
typedef void part_fn(const struct newsletter_facts *facts, FILE *out);

static char *written(part_fn *write, const struct newsletter_facts *facts)
{
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);

    if (!out)
        abort();
    write(facts, out);
    if (fclose(out) != 0 || !text)
        abort();
    return text;
}

/* --- the table ------------------------------------------------------------ */

/* What one setting promised and gave, over all its ways. */
struct setting {
    double promised_low, promised_high;
    double low, low_rounding, high, high_rounding; /* NaN: no figure */
    bool is_incomplete;                            /* a way has no figure */
};

static void add_way(struct setting *setting, const struct finding *way)
{
    const double value = way->value / k;
    const double rounding = spoken_rounding(value, way->low / k, way->high / k);

    if (!isnan(way->expected_low)) {
        setting->promised_low = way->expected_low / k;
        setting->promised_high = way->expected_high / k;
    }
    if (isnan(value)) {
        setting->is_incomplete = true;
        return;
    }
    if (isnan(setting->low) || value < setting->low) {
        setting->low = value;
        setting->low_rounding = rounding;
    }
    if (isnan(setting->high) || value > setting->high) {
        setting->high = value;
        setting->high_rounding = rounding;
    }
}

/* "25" or "23 to 25", where they differ after rounding. */
static void write_measured(const struct setting *setting, double rounding,
                           FILE *out)
{
    char low[SPOKEN_SIZE];
    char high[SPOKEN_SIZE];

    if (isnan(setting->low)) {
        (void) fputs(" no figure |\n", out);
        return;
    }
    spoken_number(setting->low, rounding, low);
    spoken_number(setting->high,
                  spoken_not_too_coarse(setting->high,
                                        fmax(rounding, setting->high_rounding)),
                  high);
    (void) fprintf(out, " %s", low);
    if (strcmp(low, high) != 0)
        (void) fprintf(out, " to %s", high);
    (void) fputs(setting->is_incomplete ? ", not every way |\n" : " |\n", out);
}

/* Both figures to the same place, or they could not be compared. */
static void write_setting(const struct setting *setting, const char *step,
                          FILE *out)
{
    const double promise = (setting->promised_low + setting->promised_high) / 2;
    double rounding =
        isnan(setting->low)
            ? 0
            : spoken_not_too_coarse(setting->low, setting->low_rounding);
    char number[SPOKEN_SIZE];

    (void) fputs("| ", out);
    wording_escape(out, step);
    (void) fputs(" |", out);
    if (isnan(promise)) {
        (void) fputs(" not known |", out);
    } else {
        rounding =
            fmax(rounding, spoken_rounding(promise, setting->promised_low,
                                           setting->promised_high));
        rounding = spoken_not_too_coarse(promise, rounding);
        spoken_number(promise, rounding, number);
        (void) fprintf(out, " %s |", number);
    }
    write_measured(setting, rounding, out);
}

/* Is the line with that place shown, of so many? */
static bool is_shown(size_t place, size_t count)
{
    if (count <= TABLE_MOST)
        return true;
    for (size_t i = 0; i < TABLE_MOST; i++) {
        if (place == i * (count - 1) / (TABLE_MOST - 1))
            return true;
    }
    return false;
}

static void write_settings(const struct newsletter_facts *facts, FILE *out)
{
    size_t place = 0;

    (void) fputs("| setting | promised, kbit/s | measured, kbit/s |\n"
                 "|---|---:|---:|\n",
                 out);
    for (size_t i = 0; i < facts->ways.count;) {
        const struct finding *first = rows_at(&facts->ways, i);
        struct setting setting = { .promised_low = (double) NAN,
                                   .low = (double) NAN,
                                   .high = (double) NAN };

        for (; i < facts->ways.count
               && strcmp(((struct finding *) rows_at(&facts->ways, i))->step,
                         first->step)
                      == 0;
             i++)
            add_way(&setting, rows_at(&facts->ways, i));
        if (is_shown(place++, facts->step_count))
            write_setting(&setting, first->step, out);
    }
}

/* What was sent on each way, and how much of it came back. */
static void write_counts(const struct rows *losses, const char *heading,
                         FILE *out)
{
    (void) fprintf(out, "| %s |\n|---|---:|---:|\n", heading);
    for (size_t i = 0; i < losses->count; i++) {
        const struct finding *loss = rows_at(losses, i);

        if (isnan(loss->value) || !is_shown(i, losses->count))
            continue;
        (void) fputs("| ", out);
        wording_escape(out, loss->from);
        (void) fputs(" to ", out);
        wording_escape(out, loss->to);
        (void) fputs(", ", out);
        wording_escape(out, loss->step);
        (void) fprintf(out, " | %llu | %.0f |\n",
                       (unsigned long long) loss->samples_count,
                       (1 - loss->value) * (double) loss->samples_count);
    }
}

static void write_messages(const struct newsletter_facts *facts, FILE *out)
{
    struct rows unconfirmed = wording_table(facts->reduction, "unconfirmed");

    write_counts(&unconfirmed, "messages | sent | confirmed", out);
    rows_clear(&unconfirmed);
}

static void write_table(const struct newsletter_facts *facts, FILE *out)
{
    if (facts->outcome == OUTCOME_LATE)
        return;
    if (facts->ways.count && facts->outcome != OUTCOME_DEAD)
        write_settings(facts, out);
    else if (facts->echoes.sent_count)
        write_counts(&facts->losses, "calls | sent | answered", out);
    else if (facts->messages.sent_count)
        write_messages(facts, out);
}

/* --- the chart ------------------------------------------------------------ */

/* The first that there is. */
static const struct {
    enum chart_place place;
    const char *says;
} pictures[] = {
    { CHART_SUMMARY, "What each setting promised, and what it delivered" },
    { CHART_ROUND_TRIPS, "How long the calls took until their echo was back" },
    { CHART_CONFIRMATIONS, "How long the messages took until their "
                           "confirmation was back" },
};

static const struct chart_file *find_chart(const struct rows *charts,
                                           const char **ret_says)
{
    for (size_t i = 0; i < COUNT_OF(pictures); i++) {
        for (size_t n = 0; n < charts->count; n++) {
            const struct chart_file *chart = rows_at(charts, n);

            if (chart->place == pictures[i].place) {
                *ret_says = pictures[i].says;
                return chart;
            }
        }
    }
    return NULL;
}

static char *written_chart(const struct newsletter_facts *facts,
                           const struct rows *charts)
{
    const char *says = "";
    const struct chart_file *chart = find_chart(charts, &says);
    char *text = NULL;

    if (!chart || facts->outcome == OUTCOME_LATE)
        return strdup("");
    if (asprintf(&text, "![%s](%s.png)", says, chart->name) < 0)
        abort();
    return text;
}

/* --- the piece ------------------------------------------------------------ */

struct piece {
    char *title, *table, *chart;
    char *paragraphs[PARAGRAPHS_MOST];
    bool is_in[PARAGRAPHS_MOST];
    size_t count, tokens;
};

static void take(struct piece *piece, size_t paragraph)
{
    piece->is_in[paragraph] = true;
    piece->tokens += spoken_tokens(piece->paragraphs[paragraph]);
}

/* Those that must be there, then the others by rank while there is room. */
static void choose(struct piece *piece)
{
    piece->tokens = spoken_tokens(piece->title) + spoken_tokens(piece->table)
                    + spoken_tokens(piece->chart);
    for (size_t i = 0; i < piece->count; i++) {
        if (newsletter_paragraphs[i].rank == 0)
            take(piece, i);
    }
    for (int rank = 1; rank <= PARAGRAPHS_MOST; rank++) {
        for (size_t i = 0; i < piece->count; i++) {
            if (newsletter_paragraphs[i].rank == rank
                && piece->tokens + spoken_tokens(piece->paragraphs[i])
                       <= NEWSLETTER_MOST)
                take(piece, i);
        }
    }
}

/* What follows on the same thought stands in the same paragraph. */
static void write_piece(const struct piece *piece, FILE *out)
{
    bool is_illustrated = false;

    (void) fputs(piece->title, out);
    for (size_t i = 0; i < piece->count; i++) {
        if (!piece->is_in[i] || !piece->paragraphs[i][0])
            continue;
        if (newsletter_paragraphs[i].follows_table && !is_illustrated) {
            (void) fprintf(out, "%s%s", piece->table,
                           piece->table[0] ? "\n" : "");
            is_illustrated = true;
        }
        (void) fprintf(out, "%s\n\n", piece->paragraphs[i]);
    }
    (void) fprintf(out, "%s%s", piece->chart, piece->chart[0] ? "\n" : "");
}

void newsletter_write(const struct reduction *reduction,
                      const struct rows *charts, FILE *out)
{
    struct newsletter_facts facts;
    struct piece piece = { .count = 0 };

    newsletter_facts_find(reduction, &facts);
    piece.chart = written_chart(&facts, charts);
    piece.title = written(newsletter_say_title, &facts);
    piece.table = written(write_table, &facts);
    for (size_t i = 0; newsletter_paragraphs[i].say && i < PARAGRAPHS_MOST; i++)
        piece.paragraphs[piece.count++] =
            written(newsletter_paragraphs[i].say, &facts);
    choose(&piece);
    write_piece(&piece, out);
    for (size_t i = 0; i < piece.count; i++)
        free(piece.paragraphs[i]);
    free(piece.title);
    free(piece.table);
    free(piece.chart);
    newsletter_facts_clear(&facts);
}
