/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduction.h"
#include "reports/shortfall.h"
#include "tests/bench/tcp_model.h"
#include "tests/support/made_run.h"

#include <math.h>
#include <stdlib.h>

/*
 * diagnosis BUILD [SEED [SCENARIOS]]: seeded links, half of them healthy, half
 * with one fault of a drawn strength, on virtual time over the practice link's
 * air with a TCP model that knows nothing of the reducer; each becomes a
 * logbook, is reduced, and the cause that the report names is held against the
 * fault.  Prints the confusion matrix and, last, the share of right causes.
 */
enum fault_class {
    CLASS_HEALTHY,
    CLASS_LOSS,
    CLASS_ORDER,
    CLASS_RECEIVER,
    CLASS_BUFFER,
    CLASS_IDLE,
    CLASS_FOREIGN,
    CLASS_CYCLE,
    CLASS_STEP,
    CLASS_OUTAGE,
    CLASS_COMPUTER,
    CLASS_BYPASS,
    CLASS_START,
    CLASS_COUNT
};

static const char *const class_names[CLASS_COUNT] = {
    "healthy",      "losses",      "out of order",  "receiver window",
    "send buffer",  "sender idle", "other traffic", "longer cycle",
    "another step", "outage",      "slow computer", "round the radio",
    "start-up",
};

static const int class_of_part[SHORTFALL_PARTS] = {
    [PART_BYPASS] = CLASS_BYPASS,
    [PART_OTHER_STEP] = CLASS_STEP,
    [PART_OUTAGE] = CLASS_OUTAGE,
    [PART_START_UP] = CLASS_START,
    [PART_SENDER_IDLE] = CLASS_IDLE,
    [PART_SEND_BUFFER] = CLASS_BUFFER,
    [PART_RECEIVER_WINDOW] = CLASS_RECEIVER,
    [PART_REPEATS] = CLASS_LOSS,
    [PART_LOSS_WINDOW] = CLASS_LOSS,
    [PART_NEEDLESS] = CLASS_ORDER,
    [PART_FOREIGN] = CLASS_FOREIGN,
    [PART_SLOW_COMPUTER] = CLASS_COMPUTER,
    [PART_RADIO_REPEATS] = -1, /* no radio tells its readings here */
    [PART_LONGER_CYCLE] = CLASS_CYCLE,
    [PART_UNEXPLAINED] = -1,
};

struct scenario {
    struct draw draw;
    int fault;
    struct made_run made;
    size_t step;
    struct tcp_model model;
    bool has_pings;
    double loopback_bps;
    struct download_spec spec;
};

static double between(struct scenario *scenario, double low, double high)
{
    return low + (high - low) * draw_unit(&scenario->draw);
}

static size_t pick(struct scenario *scenario, size_t count)
{
    return (size_t) (draw_unit(&scenario->draw) * (double) count);
}

/* --- a link -----------------------------------------------------------------
 */

static struct range exactly(double value)
{
    return (struct range){ value, value };
}

static void draw_plan(struct scenario *scenario)
{
    static const uint64_t mtus[] = { 576, 1000, 1500 };
    static const uint64_t payloads[] = { 120, 240, 480 };
    struct plan *plan = &scenario->made.plan;
    const double baud = between(scenario, 32e3, 160e3);

    plan->link.slot_overhead_ns =
        exactly(round(between(scenario, 6, 20)) * 1e6);
    plan->link.slot_limit_ns = exactly(round(between(scenario, 90, 260)) * 1e6);
    plan->link.slot_least_ns = range_unsaid();
    plan->link.frame_payload_bytes = payloads[pick(scenario, 3)];
    plan->link.mtu_bytes = mtus[pick(scenario, 3)];
    for (size_t i = 0; i < plan->step_count; i++)
        plan->steps[i].symbol_rate_bd =
            exactly(round(baud * (i ? 2 : 1) / 1000) * 1000);
    /* The small ones overflow, and TCP sends again what was in them: a link
     * that is healthy all the same. */
    plan->practice.queue_bytes = 8000 + 1000 * pick(scenario, 120);
    scenario->step = pick(scenario, plan->step_count);
}

static void draw_model(struct scenario *scenario)
{
    struct tcp_model *model = &scenario->model;
    const struct plan *plan = &scenario->made.plan;
    struct fault fault = { 0 };
    struct expectation expectation;

    *model = (struct tcp_model){
        .sender = pick(scenario, 2),
        .seed = draw_next(&scenario->draw),
        .segment_bytes = (double) plan->link.mtu_bytes - 52,
        .for_ns = (uint64_t) between(scenario, 25, 60) * NS_PER_S,
        .answer_wait_ns = (uint64_t) (between(scenario, 0, 50) * 1e6),
        /* What even a healthy link may lose. */
        .loss_ratio = pick(scenario, 2) ? between(scenario, 0, 0.001) : 0,
        .tells_less = pick(scenario, 3) == 0,
    };
    if (air_config_from_plan(plan, &model->air, &fault)) {
        (void) fprintf(stderr, "%s\n", fault.text);
        abort();
    }
    /* Both radios on the stated step: the air's step 0. */
    model->air.step_bps[0] = model->air.step_bps[scenario->step];
    model->receiver = 1 - model->sender;
    capacity_expect_of(plan, &plan->steps[scenario->step], &expectation);
    scenario->loopback_bps = 1e6 * between(scenario, 50, 9000);
    scenario->has_pings = pick(scenario, 8) > 0;
    scenario->spec =
        (struct download_spec){ .for_ns = model->for_ns, .connections = 1 };
}

static double expected_bps(const struct scenario *scenario)
{
    const struct plan *plan = &scenario->made.plan;
    struct expectation expectation;

    capacity_expect_of(plan, &plan->steps[scenario->step], &expectation);
    return range_middle(expectation.goodput_bps);
}

/* --- one fault ------------------------------------------------------------ */

static void add_other(struct scenario *scenario, size_t from, size_t to,
                      double share)
{
    struct tcp_model *model = &scenario->model;
    struct model_other *other = &model->others[model->other_count++];

    other->from = from;
    other->to = to;
    other->bytes = round(between(scenario, 200, 1200));
    other->gap_s =
        other->bytes * BITS_PER_BYTE / (share * expected_bps(scenario));
}

/* More stations, longer overheads, or other users. */
static void lengthen_cycle(struct scenario *scenario)
{
    struct air_config *air = &scenario->model.air;

    switch (pick(scenario, 3)) {
    case 0:
        air->end_count = 4 + pick(scenario, 8);
        return;
    case 1:
        air->slot_overhead_ns = (uint64_t) ((double) air->slot_overhead_ns
                                            * between(scenario, 2, 4));
        return;
    default:
        air->end_count = 4;
        for (size_t i = 2; i < 4; i++)
            add_other(scenario, i, 5 - i, between(scenario, 0.15, 0.40));
        return;
    }
}

static void set_outages(struct scenario *scenario)
{
    struct tcp_model *model = &scenario->model;
    const size_t count = 1 + pick(scenario, 3);
    const double part_s = (double) model->for_ns * 1e-9 / (double) count;

    for (size_t i = 0; i < count; i++) {
        const double from_s =
            part_s * ((double) i + between(scenario, 0.1, 0.4));
        const double length_s = part_s * between(scenario, 0.2, 0.45);

        model->outages[i].from_ns = (uint64_t) (from_s * 1e9);
        model->outages[i].to_ns = (uint64_t) ((from_s + length_s) * 1e9);
    }
}

static void take_other_way(struct scenario *scenario)
{
    struct air_config *air = &scenario->model.air;

    air->step_bps[0] = (uint64_t) (1e6 * between(scenario, 2, 20));
    air->slot_overhead_ns = 200000;
    scenario->model.for_ns = 10 * NS_PER_S;
    scenario->spec.for_ns = scenario->model.for_ns;
}

static void add_fault(struct scenario *scenario)
{
    struct tcp_model *model = &scenario->model;
    const double share = between(scenario, 0.2, 0.7);

    switch ((enum fault_class) scenario->fault) {
    case CLASS_LOSS:
        model->loss_ratio = between(scenario, 0.05, 0.35);
        if (pick(scenario, 4) == 0)
            model->air.queue_bytes = 4000 + 1000 * pick(scenario, 6);
        return;
    case CLASS_ORDER:
        model->tells_less = false;
        model->air.faults.reordering_ratio = between(scenario, 0.04, 0.25);
        model->air.faults.reordering_by_ns =
            (uint64_t) (between(scenario, 0.6, 2) * 1e9);
        return;
    case CLASS_RECEIVER:
        model->receiver_window_bytes =
            model->segment_bytes * (double) (1 + pick(scenario, 3));
        return;
    case CLASS_BUFFER:
        model->send_buffer_bytes =
            model->segment_bytes * (double) (1 + pick(scenario, 3));
        return;
    case CLASS_IDLE:
        model->feed_on_ns = (uint64_t) (between(scenario, 0.5, 4) * 1e9);
        model->feed_off_ns =
            (uint64_t) ((double) model->feed_on_ns * (1 / share - 1)) * 2;
        return;
    case CLASS_FOREIGN:
        add_other(scenario, pick(scenario, 2) ? model->sender : model->receiver,
                  0, share);
        model->others[0].to = 1 - model->others[0].from;
        return;
    case CLASS_CYCLE:
        lengthen_cycle(scenario);
        return;
    case CLASS_STEP:
        model->air.step_bps[0] = scenario->step ? model->air.step_bps[0] / 2
                                                : model->air.step_bps[1];
        return;
    case CLASS_OUTAGE:
        set_outages(scenario);
        return;
    case CLASS_COMPUTER:
        model->feed_bps = share * expected_bps(scenario);
        scenario->loopback_bps = model->feed_bps * between(scenario, 1, 1.6);
        return;
    case CLASS_BYPASS:
        take_other_way(scenario);
        return;
    case CLASS_START:
        model->for_ns = 0;
        model->answer_wait_ns = (uint64_t) (between(scenario, 0.3, 1.5) * 1e9);
        model->size_bytes =
            (uint64_t) (between(scenario, 0.5, 2) * expected_bps(scenario) / 8);
        scenario->spec =
            (struct download_spec){ .size_bytes = model->size_bytes,
                                    .connections = 1 };
        return;
    case CLASS_HEALTHY:
    case CLASS_COUNT:
        return;
    }
}

/* --- into a logbook ------------------------------------------------------- */

static const char *end_of(size_t end)
{
    return end ? "quay" : "mill";
}

static void add_pings(struct scenario *scenario)
{
    static const struct ping_spec spec = { .count = 20,
                                           .size_bytes = 56,
                                           .wait_ns = 5 * NS_PER_S };
    struct tcp_model model = scenario->model;
    uint64_t rtts_ns[20];

    model.sender = scenario->model.receiver;
    model.receiver = scenario->model.sender;
    model.seed ^= 77;
    /* What the computers of the two ends send is stopped by day: pings come
     * before.  Other users do not stop. */
    if (scenario->fault == CLASS_FOREIGN)
        model.other_count = 0;
    memset(model.outages, 0, sizeof(model.outages));
    echo_model_run(&model, COUNT_OF(rtts_ns), 0.4, rtts_ns);
    struct exchange_account prober;
    struct exchange_account answerer;

    made_prober(rtts_ns, COUNT_OF(rtts_ns), &prober);
    made_answerer(&answerer);
    made_run_add(&scenario->made,
                 &(struct made_exchange){ .kind = &ping_kind,
                                          .step = scenario->step,
                                          .round = 1,
                                          .from = end_of(model.sender),
                                          .to = end_of(model.receiver),
                                          .spec = &spec,
                                          .from_account = &prober,
                                          .to_account = &answerer });
    account_clear(&prober);
    account_clear(&answerer);
}

static void add_download(struct scenario *scenario)
{
    struct exchange_account sender;
    struct exchange_account receiver;

    tcp_model_run(&scenario->model, &sender, &receiver);
    made_run_add(&scenario->made, &(struct made_exchange){
                                      .kind = &download_kind,
                                      .step = scenario->step,
                                      .round = 1,
                                      .plan_index = 1,
                                      .from = end_of(scenario->model.sender),
                                      .to = end_of(scenario->model.receiver),
                                      .spec = &scenario->spec,
                                      .from_account = &sender,
                                      .to_account = &receiver });
    account_clear(&sender);
    account_clear(&receiver);
}

static void store_ends(struct scenario *scenario)
{
    struct fault fault = { 0 };
    char self[80];

    (void) snprintf(self, sizeof(self), "{\"loopback_bps\":%.0f}",
                    scenario->loopback_bps);
    for (size_t i = 0; i < 2; i++) {
        if (logbook_store_end(scenario->made.logbook, scenario->made.run.run,
                              end_of(i), self, "[]", &fault)) {
            (void) fprintf(stderr, "%s\n", fault.text);
            abort();
        }
    }
}

/* The class named; CLASS_HEALTHY: no row; -1: a row without a cause. */
static int diagnose(struct scenario *scenario, bool is_loud)
{
    struct reduction reduction;
    struct fault fault = { 0 };
    int class = CLASS_HEALTHY;

    reduction_init(&reduction, made_run_database(&scenario->made),
                   &scenario->made.plan);
    if (reduction_run(&reduction, scenario->made.run.run, &fault)) {
        (void) fprintf(stderr, "%s\n", fault.text);
        abort();
    }
    for (size_t i = 0; i < reduction.shortfalls.count; i++) {
        const struct shortfall *shortfall = rows_at(&reduction.shortfalls, i);

        class = class_of_part[shortfall->dominant];
        if (is_loud)
            (void) printf("%s: %s\n", class_names[scenario->fault],
                          shortfall->sentence);
        for (int k = 0; is_loud && k < SHORTFALL_PARTS; k++) {
            if (fabs(shortfall->part_bps[k]) > 1)
                (void) printf("    %s %.0f\n", shortfall_part_words[k],
                              shortfall->part_bps[k]);
        }
    }
    reduction_clear(&reduction);
    return class;
}

static int try_one(uint64_t seed, int fault, bool is_loud)
{
    struct scenario scenario = { .draw = { seed }, .fault = fault };

    made_run_init(&scenario.made, true);
    draw_plan(&scenario);
    draw_model(&scenario);
    add_fault(&scenario);
    if (scenario.has_pings)
        add_pings(&scenario);
    add_download(&scenario);
    store_ends(&scenario);
    made_run_end(&scenario.made, "complete");
    const int class = diagnose(&scenario, is_loud && fault >= 0);

    made_run_clear(&scenario.made);
    return class;
}

/* --- the matrix ----------------------------------------------------------- */

struct tally {
    unsigned count[CLASS_COUNT][CLASS_COUNT + 1]; /* last: no cause named */
};

static void print_matrix(const struct tally *tally)
{
    (void) printf("%-16s", "fault \\ named");
    for (int k = 0; k <= CLASS_COUNT; k++)
        (void) printf(" %8.8s", k == CLASS_COUNT     ? "no cause"
                                : k == CLASS_HEALTHY ? "meets"
                                                     : class_names[k]);
    (void) printf("\n");
    for (int i = 0; i < CLASS_COUNT; i++) {
        (void) printf("%-16s", class_names[i]);
        for (int k = 0; k <= CLASS_COUNT; k++)
            (void) printf(" %8u", tally->count[i][k]);
        (void) printf("\n");
    }
}

static void print_share(const char *what, uint64_t hits, uint64_t count)
{
    const struct estimate share = statistics_wilson(hits, count, 0.95);

    (void) printf("%s: %llu of %llu, %.1f %% (%.1f to %.1f)\n", what,
                  (unsigned long long) hits, (unsigned long long) count,
                  100 * share.value, 100 * share.low, 100 * share.high);
}

static int conclude(const struct tally *tally)
{
    uint64_t right = 0;
    uint64_t wrong = 0;
    uint64_t abstained = 0;
    uint64_t too_weak = 0;
    uint64_t healthy = 0;
    uint64_t accused = 0;

    for (int i = 0; i < CLASS_COUNT; i++) {
        for (int k = 0; k <= CLASS_COUNT; k++) {
            const unsigned count = tally->count[i][k];

            if (i == CLASS_HEALTHY) {
                healthy += count;
                accused += k != CLASS_HEALTHY && k != CLASS_COUNT ? count : 0;
            } else if (k == CLASS_HEALTHY) {
                too_weak += count;
            } else if (k == CLASS_COUNT) {
                abstained += count;
            } else if (k == i) {
                right += count;
            } else {
                wrong += count;
            }
        }
    }
    print_matrix(tally);
    print_share("faults that left the link meeting its expectation", too_weak,
                too_weak + abstained + right + wrong);
    print_share("no cause named for a short link", abstained,
                abstained + right + wrong);
    print_share("a false cause for a healthy link", accused, healthy);
    print_share("the right cause, of those named", right, right + wrong);
    const double share =
        right + wrong ? (double) right / (double) (right + wrong) : 0;
    const double false_share =
        healthy ? (double) accused / (double) healthy : 1;

    (void) printf("diagnosis: ratio %.3f\n", share);
    return share >= 0.9 && false_share <= 0.02 ? 0 : 1;
}

int main(int count, char **arguments)
{
    const uint64_t seed = count > 2 ? strtoull(arguments[2], NULL, 10) : 1;
    const size_t scenarios =
        count > 3 ? (size_t) strtoull(arguments[3], NULL, 10) : 880;
    struct tally tally = { 0 };

    statistics_prepare();
    for (size_t i = 0; i < scenarios; i++) {
        const int fault =
            i % 2 ? 1 + (int) (i / 2 % (CLASS_COUNT - 1)) : CLASS_HEALTHY;
        const int named = try_one(seed * 1000003 + i, fault, count > 4);

        tally.count[fault][named < 0 ? CLASS_COUNT : named]++;
    }
    return conclude(&tally);
}
