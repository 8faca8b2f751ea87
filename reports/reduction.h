/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_REDUCTION_H
#define REPORTS_REDUCTION_H

#include "reports/capacity.h"
#include "reports/statistics.h"

#include <bothends/fault.h>
#include <bothends/findings.h>
#include <bothends/plan.h>
#include <bothends/rows.h>
#include <sqlite3.h>

/*
 * One run on its way from samples to findings.  The reducer loads the run and
 * its exchanges; a file a kind (struct report_kind) reads its own samples and
 * adds findings, curves for the charts, and sentences on how it was measured;
 * doubts are added from what is common to all kinds; the writers only read.
 *
 * reduction_init(), reduction_run(), then reduction_clear() in any case.
 */

struct run_record {
    int64_t run;
    char title[128], plan_path[256], program_version[32], state[16];
    char started_utc[32], ended_utc[32]; /* "": under way, or cut off */
    char weather[NAME_SIZE], note[200]; /* given with the run; "": the plan's */
    bool is_practice;
    bool lost_time; /* the practice link did not keep time */
    uint64_t started_unix_ns, ended_unix_ns, seed;
    uint64_t group_count, control_bytes;
    double control_airtime_s; /* estimated */
    uint64_t identification_count, identification_bytes;
};

/* What one end said. */
struct account_record {
    bool is_there;
    int64_t key; /* the logbook's */
    char end[ADDRESS_SIZE];
    uint64_t start_ns; /* ordered, on that end's clock */
    uint64_t start_uncertainty_ns;
    struct exchange_account account; /* without series */
};

struct exchange_record {
    int64_t key; /* the logbook's */
    char id[ID_SIZE];
    const struct kind *kind;
    char from[ADDRESS_SIZE], to[ADDRESS_SIZE], condition[64];
    char step[NAME_SIZE];
    size_t step_index; /* into the plan's steps; step_count: none of them */
    uint64_t round, plan_index, started_unix_ns;
    struct kind_room spec;
    struct account_record from_account, to_account;
    size_t first_same, next_same;        /* indexes: reports/repeats.h */
    size_t first_finding, finding_count; /* of its own: its kind's */
    uint64_t least_ttl, most_ttl;        /* of a ping's answers; 0: not known */
    size_t first_probe, probe_count;     /* of a ping, among the probes */
    size_t overtaken_count; /* of those: answered after one sent later */
    /* Signs that it did not cross the radio: doubts_ways.c. */
    unsigned bypass_proofs, bypass_signs;
    bool has_spec;
    bool is_refused; /* an end could not take its order: nothing was measured,
                        and a note says why */
    bool overlaps;   /* a ping: probes were sent while others were under
                        way */
    bool is_slow_computer; /* its goodput may be the computer's own limit */
    double own_bytes; /* IP bytes of its own on the link, both ways together,
                         by the kind's estimate; NaN: not known */
};

/* What a radio told before or after an exchange. */
struct reading_record {
    int64_t exchange; /* the logbook's key */
    char end[ADDRESS_SIZE];
    struct radio_reading reading;
};

/* A figure of one exchange that is put together with those of other rounds. */
struct value_record {
    size_t exchange; /* index */
    int what;        /* of its kind */
    struct mean_error level;
};

enum curve_form {
    CURVE_RATE,       /* x: seconds, y: bit/s; columns: of each cycle */
    CURVE_CUMULATIVE, /* x: seconds, y: share of all sent */
    CURVE_ANSWERS     /* columns only: what probes took in s, by when they
                         were sent */
};

/* Of the probes of CURVE_ANSWERS. */
struct answer_counts {
    uint64_t sent_count, lost_count;
    uint64_t run_count, longest_run_count; /* lost one after the other */
    double run_from_s, longest_from_s, longest_to_s; /* when they were sent */
};

/* In which nothing arrived. */
struct curve_gap {
    double from_s, to_s;
};

/* What a chart shows of one exchange, or of one in all rounds. */
struct curve {
    enum curve_form form;
    size_t exchange; /* index, for its names */
    bool is_all_rounds;
    bool is_from_second;    /* what the second end sent: messages, replies */
    bool is_one_way;        /* delays one way, not round trips */
    double span_s;          /* how long the exchange took; NaN: not known */
    struct range expected;  /* on the axis of values; NaN: none */
    double steady_from_s;   /* where the warm-up ends; NaN */
    uint64_t missing_count; /* lost */
    struct answer_counts answers;
    struct rows points;  /* of struct point */
    struct rows columns; /* of struct pixel_column: reports/pixel_columns.h */
    struct rows gaps;    /* of struct curve_gap */
};

struct point {
    double x, y;
};

/* A sentence for the report; text is plain, not markdown. */
struct sentence {
    char text[400];
};

struct reduction {
    sqlite3 *logbook;        /* borrowed */
    const struct plan *plan; /* borrowed */
    struct run_record run;
    struct expectation expectations[PLAN_STEPS_MAX];
    struct rows exchanges;  /* of struct exchange_record, in order of time */
    struct rows findings;   /* of struct finding */
    struct rows values;     /* of struct value_record */
    struct rows probes;     /* of double: reports/ping.c */
    struct rows curves;     /* of struct curve */
    struct rows readings;   /* of struct reading_record */
    struct rows methods;    /* of struct sentence: how it was measured */
    struct rows details;    /* of struct sentence: on single exchanges */
    struct rows doubts;     /* of struct sentence */
    struct rows shortfalls; /* of struct shortfall: reports/shortfall.h */
    bool is_public;         /* reports/public.h */
    double distance_step_m; /* then: distances were rounded up so far */
};

/* How one kind of exchange is reduced. */
struct report_kind {
    const char *name;
    /* One exchange: its findings, curves, sentences, own_bytes. */
    int (*reduce)(struct reduction *reduction, size_t exchange,
                  struct fault *fault);
    /* Over rounds and steps, after all exchanges; may be NULL. */
    void (*combine)(struct reduction *reduction);
    /* A sentence on the kind's definitions, for "How it was measured". */
    const char *definition;
};

void reduction_init(struct reduction *reduction, sqlite3 *logbook,
                    const struct plan *plan);
int reduction_run(struct reduction *reduction, int64_t run,
                  struct fault *fault);
void reduction_clear(struct reduction *reduction);

/* Every kind's row, NULL-ended. */
extern const struct report_kind *const report_kinds[];

/* Who is told of a long series: record is the caller's, of one row. */
struct stream_to {
    void *record;
    size_t record_bytes;
    void (*on_record)(void *owner, const void *record);
    void *owner;
};

/* --- for the kinds -------------------------------------------------------- */

static inline struct exchange_record *
reduction_exchange(const struct reduction *reduction, size_t index)
{
    return rows_at(&reduction->exchanges, index);
}

/* That exchange's own figure; NULL: it has none. */
static inline const struct finding *
reduction_finding(const struct reduction *reduction,
                  const struct exchange_record *exchange, const char *measure)
{
    for (size_t i = 0; i < exchange->finding_count; i++) {
        const struct finding *finding =
            rows_at(&reduction->findings, exchange->first_finding + i);

        if (strcmp(finding->measure, measure) == 0 && !isnan(finding->value))
            return finding;
    }
    return NULL;
}

/* The exchange that a finding is of; of one over all rounds, their first; NULL:
 * there is none. */
static inline const struct exchange_record *
reduction_exchange_of(const struct reduction *reduction,
                      const struct finding *finding)
{
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        if (exchange->plan_index == finding->plan_index
            && strcmp(exchange->kind->name, finding->kind) == 0
            && strcmp(exchange->step, finding->step) == 0
            && (!finding->exchange[0]
                || strcmp(exchange->id, finding->exchange) == 0))
            return exchange;
    }
    return NULL;
}

/* The step's expectation; one with nothing said where the plan has no such
 * step. */
const struct expectation *
reduction_expectation(const struct reduction *reduction,
                      const struct exchange_record *exchange);

/* A finding with the exchange's names and no value yet. */
struct finding *reduction_add_finding(struct reduction *reduction,
                                      const struct exchange_record *exchange,
                                      const char *measure, const char *unit);
/* The same over all rounds: no id, round 0, the run's start. */
struct finding *reduction_add_combined(struct reduction *reduction,
                                       const struct exchange_record *exchange,
                                       const char *measure, const char *unit);
struct curve *reduction_add_curve(struct reduction *reduction,
                                  enum curve_form form, size_t exchange);
__attribute__((format(printf, 2, 3))) void
reduction_add_sentence(struct rows *sentences, const char *format, ...);

/* Rows of one of its series, from one account. */
int reduction_read_series(const struct reduction *reduction,
                          const struct exchange_record *exchange,
                          const struct account_record *account,
                          const char *series, struct rows *rows,
                          struct fault *fault);

/* The same one at a time, in that order (SQL), into the caller's record. */
int reduction_stream_series(const struct reduction *reduction,
                            const struct exchange_record *exchange,
                            const struct account_record *account,
                            const char *series, const char *order,
                            const struct stream_to *to, struct fault *fault);

/* The arrivals of one account, without holding them all (reports/arrivals.h).
 * The caller clears them in any case. */
struct arrivals;
int reduction_read_arrivals(const struct reduction *reduction,
                            const struct exchange_record *exchange,
                            const struct account_record *account,
                            struct arrivals *ret_arrivals, struct fault *fault);

/* Why that end's account can't be used, as "why" of a finding; false: it can.
 */
bool reduction_is_account_missing(const struct account_record *account,
                                  const char *end, char *ret_why, size_t size);

/* An estimate of what can't be negative: rates, times, shares, ratios.  Its
 * interval is cut at 0. */
void finding_set(struct finding *finding, const struct estimate *estimate,
                 uint64_t samples_count);
__attribute__((format(printf, 2, 3))) void
finding_set_why(struct finding *finding, const char *format, ...);
/* The receiver is sure of it; any other "why" means that it is not known. */
#define NOTHING_ARRIVED "nothing arrived"
/* Expectation and verdict; more is better.  rounds_s: how long the samples
 * took, to say how much longer would decide; NaN: not said. */
void finding_judge(struct finding *finding, struct range expected,
                   const char *source, double took_s);

/* RFC 3339 in UTC. */
void utc_text(uint64_t unix_ns, char *ret_text, size_t size);

/* Doubts from what every account says. */
void doubts_add(struct reduction *reduction);

#endif
