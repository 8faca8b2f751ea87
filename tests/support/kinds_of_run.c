/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/kinds_of_run.h"

#include "tests/support/made_timing.h"

/* --- exchanges ------------------------------------------------------------ */

/* One download; goodput_bps 0: nothing arrives. */
struct way {
    size_t step;
    const char *from, *to, *condition;
    uint64_t round, plan_index, for_s;
    double goodput_bps;
    bool is_lost;   /* the receiver's account never came */
    bool is_uneven; /* some seconds a third, some five thirds */
    double
        stops_ratio; /* nothing arrives after that share of the time; 0: no */
};

struct way_accounts {
    struct download_spec spec;
    struct exchange_account sender, receiver;
};

static void make_uneven(struct exchange_account *receiver)
{
    for (size_t i = 0; i < receiver->series[0].count; i++) {
        struct download_arrival *arrival = rows_at(&receiver->series[0], i);

        arrival->bytes =
            i / 40 % 2 ? arrival->bytes / 3 : arrival->bytes * 5 / 3;
    }
}

static void stop_arrivals(struct exchange_account *receiver, double ratio)
{
    struct rows *arrivals = &receiver->series[0];

    arrivals->count = (size_t) (ratio * (double) arrivals->count);
}

static void make_way(const struct way *way, struct way_accounts *accounts,
                     struct made_exchange *exchange)
{
    const uint64_t for_s = way->for_s ? way->for_s : 22;
    const struct made_download download = {
        .goodput_bps = way->goodput_bps > 0 ? way->goodput_bps : 1000,
        .cycle_ns = 166 * NS_PER_MS,
        .slot_ns = 138 * NS_PER_MS,
        .segments_a_cycle = 2,
        .for_ns = for_s * NS_PER_S,
        .warm_up_ns = NS_PER_S,
        .jitter_seed = 1 + way->step + 10 * way->plan_index + 100 * way->round,
    };

    accounts->spec =
        (struct download_spec){ .for_ns = for_s * NS_PER_S, .connections = 1 };
    made_sender(&download, &accounts->sender);
    made_receiver(&download, &accounts->receiver);
    if (way->is_uneven)
        make_uneven(&accounts->receiver);
    if (way->goodput_bps <= 0)
        accounts->receiver.series[0].count = 0;
    if (way->stops_ratio > 0)
        stop_arrivals(&accounts->receiver, way->stops_ratio);
    *exchange = (struct made_exchange){
        .kind = &download_kind,
        .step = way->step,
        .round = way->round ? way->round : 1,
        .plan_index = way->plan_index,
        .from = way->from,
        .to = way->to,
        .condition = way->condition,
        .spec = &accounts->spec,
        .from_account = &accounts->sender,
        .to_account = way->is_lost ? NULL : &accounts->receiver,
    };
}

static void way_clear(struct way_accounts *accounts)
{
    account_clear(&accounts->sender);
    account_clear(&accounts->receiver);
}

static void add_way(struct made_run *made, const struct way *way)
{
    struct way_accounts accounts;
    struct made_exchange exchange;

    make_way(way, &accounts, &exchange);
    made_run_add(made, &exchange);
    way_clear(&accounts);
}

/* One after the other: from the hub, and to it; 0: nothing arrives. */
static void add_there_and_back(struct made_run *made, const struct way *common,
                               double there_bps, double back_bps)
{
    struct way there = *common, back = *common;

    there.from = back.to = "mill";
    there.to = back.from = "quay";
    there.plan_index = 1;
    back.plan_index = 2;
    there.goodput_bps = there_bps;
    back.goodput_bps = back_bps;
    add_way(made, &there);
    add_way(made, &back);
}

/* Both ways on both steps, at that ratio of what they should be. */
static void add_ways(struct made_run *made, uint64_t round, uint64_t for_s,
                     double ratio)
{
    for (size_t step = 0; step < 2; step++) {
        const double goodput_bps = ratio * (step ? 73000 : 36500);

        add_there_and_back(
            made, &(struct way){ .step = step, .round = round, .for_s = for_s },
            goodput_bps, goodput_bps);
    }
}

/* Is that probe lost? */
typedef bool loses_fn(size_t probe);

static bool loses_none(size_t probe)
{
    (void) probe;
    return false;
}

static bool loses_all(size_t probe)
{
    (void) probe;
    return true;
}

static bool loses_some(size_t probe)
{
    return probe % 13 == 5;
}

static void add_ping(struct made_run *made, size_t step, const char *from,
                     const char *to, size_t count, loses_fn *loses)
{
    const struct ping_spec spec = { .count = count,
                                    .size_bytes = 56,
                                    .wait_ns = 10 * NS_PER_S };
    uint64_t *rtts_ns = calloc(count, sizeof(*rtts_ns));
    struct exchange_account prober, answerer;

    if (!rtts_ns)
        abort();
    for (size_t i = 0; i < count; i++)
        rtts_ns[i] = loses(i) ? 0 : ((step ? 32 : 44) + i * 7 % 20) * NS_PER_MS;
    made_prober(rtts_ns, count, &prober);
    made_answerer(&answerer);
    made_run_add(made, &(struct made_exchange){ .kind = &ping_kind,
                                                .step = step,
                                                .round = 1,
                                                .from = from,
                                                .to = to,
                                                .spec = &spec,
                                                .from_account = &prober,
                                                .to_account = &answerer });
    account_clear(&prober);
    account_clear(&answerer);
    free(rtts_ns);
}

static void add_timing(struct made_run *made, size_t step,
                       const struct made_timing *timing)
{
    const struct timing_spec spec = { .count = timing->count,
                                      .size_bytes = 112,
                                      .wait_ns = 10 * NS_PER_S };
    struct exchange_account sender, reflector;

    made_timing(timing, &sender, &reflector);
    made_run_add(made, &(struct made_exchange){ .kind = &timing_kind,
                                                .step = step,
                                                .round = 1,
                                                .plan_index = 4,
                                                .from = "quay",
                                                .to = "mill",
                                                .spec = &spec,
                                                .from_account = &sender,
                                                .to_account = &reflector });
    account_clear(&sender);
    account_clear(&reflector);
}

static void make_messenger(const char *part, uint64_t step_ns,
                           struct exchange_account *account)
{
    static const size_t count = 60;
    struct messages_outcome *outcome =
        (struct messages_outcome *) account->outcome.bytes;
    const uint64_t begun_ns = 5000 * NS_PER_S;

    account_init(account, &messages_kind);
    (void) snprintf(account->part, sizeof(account->part), "%s", part);
    account->state = ACCOUNT_DONE;
    account->begun_ns = begun_ns;
    account->ended_ns = begun_ns + 130 * NS_PER_S;
    outcome->sent_count = count;
    for (size_t i = 0; i < count; i++) {
        struct messages_sent *message = rows_add(&account->series[0]);

        message->sequence = i;
        message->size_bytes = 80;
        message->handed_ns = begun_ns + (i + 1) * 2 * NS_PER_S;
        if (i % 30 == 11)
            continue;
        message->state = MESSAGE_CONFIRMED;
        message->confirmed_ns =
            message->handed_ns + (80 + i * 37 % 100) * step_ns;
    }
}

static void add_messages(struct made_run *made, size_t step)
{
    static const struct messages_spec spec = {
        .count = 60,
        .gap_ns = { SPREAD_FIXED, 2e9, 2e9, 2e9 },
        .size_bytes = { SPREAD_FIXED, 80, 80, 80 },
        .wait_ns = 30 * NS_PER_S
    };
    struct exchange_account first, second;

    make_messenger("first", NS_PER_MS, &first);
    make_messenger("second", 2 * NS_PER_MS, &second);
    made_run_add(made, &(struct made_exchange){ .kind = &messages_kind,
                                                .step = step,
                                                .round = 1,
                                                .plan_index = 3,
                                                .from = "mill",
                                                .to = "quay",
                                                .spec = &spec,
                                                .from_account = &first,
                                                .to_account = &second });
    account_clear(&first);
    account_clear(&second);
}

/* --- ends ----------------------------------------------------------------- */

static void add_end(struct plan *plan, const char *name, int role)
{
    struct plan_end *end = &plan->ends[plan->end_count++];

    *end = plan->ends[1];
    end->role = role;
    (void) snprintf(end->name, sizeof(end->name), "%s", name);
    (void) snprintf(end->call, sizeof(end->call), "Q%zu%c%cX", plan->end_count,
                    name[0] - 32, name[1] - 32);
    (void) snprintf(end->address, sizeof(end->address), "192.0.2.%zu",
                    10 + plan->end_count);
}

static void add_landmark(struct plan *plan, const char *name, int landmark)
{
    add_end(plan, name,
            landmark == LANDMARK_FAR_RADIO ? ROLE_HUB : ROLE_STATION);
    struct plan_end *end = &plan->ends[plan->end_count - 1];

    end->agent = AGENT_NONE;
    end->landmark = landmark;
    end->call[0] = '\0';
}

/* --- kinds ---------------------------------------------------------------- */

static void fill_works(struct made_run *made)
{
    for (size_t step = 0; step < 2; step++)
        add_ping(made, step, "quay", "mill", 40, loses_none);
    add_ways(made, 1, 22, 1);
    add_messages(made, 1);
    made_run_end(made, "complete");
}

/* One step only: what should fit on a page. */
static void fill_small(struct made_run *made)
{
    made->plan.step_count = 1;
    add_ping(made, 0, "quay", "mill", 40, loses_none);
    add_there_and_back(made, &(struct way){ .step = 0 }, 36500, 36500);
    made_run_end(made, "complete");
}

static void fill_nothing_answered(struct made_run *made)
{
    add_ping(made, 0, "quay", "mill", 40, loses_all);
    add_there_and_back(made, &(struct way){ .step = 0 }, 0, 0);
    made_run_end(made, "complete");
}

/* The second step never got through, and the first one's last download stopped
 * half-way. */
static void fill_end_lost(struct made_run *made)
{
    add_ping(made, 0, "quay", "mill", 40, loses_some);
    add_way(made, &(struct way){ .from = "mill",
                                 .to = "quay",
                                 .plan_index = 1,
                                 .goodput_bps = 36500 });
    add_way(made, &(struct way){ .from = "quay",
                                 .to = "mill",
                                 .plan_index = 2,
                                 .goodput_bps = 36500,
                                 .stops_ratio = 0.5 });
    add_way(made, &(struct way){ .step = 1,
                                 .from = "mill",
                                 .to = "quay",
                                 .plan_index = 1,
                                 .goodput_bps = 73000,
                                 .is_lost = true });
    made_run_end(made, "interrupted");
}

static void fill_one_direction(struct made_run *made)
{
    add_ping(made, 0, "quay", "mill", 40, loses_none);
    add_there_and_back(made, &(struct way){ .step = 0 }, 36500, 0);
    made_run_end(made, "complete");
}

static void fill_eight_ends(struct made_run *made)
{
    static const char *const names[] = { "quay", "barn", "dock", "farm",
                                         "gate", "hill", "lock" };
    struct way_accounts accounts[COUNT_OF(names)];
    struct made_exchange exchanges[COUNT_OF(names)];

    for (size_t i = 1; i < COUNT_OF(names); i++)
        add_end(&made->plan, names[i], ROLE_STATION);
    for (size_t i = 0; i < COUNT_OF(names); i++)
        add_ping(made, 0, names[i], "mill", 20, loses_none);
    add_ways(made, 1, 22, 1);
    for (size_t i = 0; i < COUNT_OF(names); i++)
        make_way(&(struct way){ .from = names[i],
                                .to = "mill",
                                .condition = "download + download + download + "
                                             "download + download + download",
                                .plan_index = 5 + i,
                                .for_s = 60,
                                .goodput_bps = 6000 },
                 &accounts[i], &exchanges[i]);
    made_run_add_together(made, exchanges, COUNT_OF(names));
    for (size_t i = 0; i < COUNT_OF(names); i++)
        way_clear(&accounts[i]);
    made_run_end(made, "complete");
}

/* A probe a second; single losses, and an hour in which nothing came. */
static bool loses_over_a_day(size_t probe)
{
    return probe % 997 == 0 || (probe >= 50000 && probe < 53600);
}

static void fill_a_day(struct made_run *made)
{
    add_ping(made, 0, "quay", "mill", 86400, loses_over_a_day);
    made_run_end(made, "complete");
}

static void fill_no_download(struct made_run *made)
{
    for (size_t step = 0; step < 2; step++) {
        add_ping(made, step, "quay", "mill", 40, loses_some);
        add_messages(made, step);
    }
    made_run_end(made, "complete");
}

static void fill_messages_only(struct made_run *made)
{
    add_messages(made, 0);
    made_run_end(made, "complete");
}

/* Nobody at the far end: pings to what stands on the way. */
static void fill_ladder(struct made_run *made)
{
    made->plan.end_count = 1;
    made->plan.ends[0].role = ROLE_STATION;
    made->plan.ends[1].role = ROLE_STATION;
    add_landmark(&made->plan, "radio", LANDMARK_OWN_RADIO);
    add_landmark(&made->plan, "mast", LANDMARK_FAR_RADIO);
    add_landmark(&made->plan, "router", LANDMARK_ROUTER);
    add_ping(made, 0, "mill", "radio", 20, loses_none);
    add_ping(made, 0, "mill", "mast", 20, loses_some);
    add_ping(made, 0, "mill", "router", 20, loses_all);
    made_run_end(made, "complete");
}

/* The run of a new antenna: five rounds of both steps. */
static void fill_rounds(struct made_run *made)
{
    static const double ratios[] = { 1, 0.99, 1.01, 0.995, 1.005 };

    made->plan.rounds = COUNT_OF(ratios);
    for (size_t i = 0; i < COUNT_OF(ratios); i++)
        add_ways(made, i + 1, 40, ratios[i]);
    made_run_end(made, "complete");
}

static void fill_undecided(struct made_run *made)
{
    add_way(made, &(struct way){ .from = "mill",
                                 .to = "quay",
                                 .plan_index = 1,
                                 .for_s = 60,
                                 .goodput_bps = 33000,
                                 .is_uneven = true });
    made_run_end(made, "complete");
}

static void fill_short(struct made_run *made)
{
    add_ping(made, 0, "quay", "mill", 40, loses_some);
    add_ways(made, 1, 22, 0.5);
    made_run_end(made, "complete");
}

/* One way loses, is overtaken and comes twice; on the other step nothing does.
 */
static void fill_timing(struct made_run *made)
{
    struct made_timing timing = {
        .count = 100,
        .gap_ns = NS_PER_S,
        .there = { 40 * NS_PER_MS, 100 * NS_PER_MS, 10, 12, 7, 3 * NS_PER_S },
        .back = { 60 * NS_PER_MS, 5 * NS_PER_MS, 0, 0, 0, 0 },
        .offset_ns = 3600 * (int64_t) NS_PER_S,
        .seed = 8,
    };

    add_timing(made, 0, &timing);
    timing.there = timing.back;
    add_timing(made, 1, &timing);
    made_run_end(made, "complete");
}

const struct kind_of_run kinds_of_run[] = {
    { "works", fill_works },
    { "small", fill_small },
    { "nothing-answered", fill_nothing_answered },
    { "end-lost", fill_end_lost },
    { "one-direction", fill_one_direction },
    { "eight-ends", fill_eight_ends },
    { "a-day", fill_a_day },
    { "no-download", fill_no_download },
    { "messages-only", fill_messages_only },
    { "timing", fill_timing },
    { "ladder", fill_ladder },
    { "rounds", fill_rounds },
    { "undecided", fill_undecided },
    { "short", fill_short },
};
const size_t kinds_of_run_count = COUNT_OF(kinds_of_run);

const struct kind_of_run *kind_of_run(const char *name)
{
    for (size_t i = 0; i < kinds_of_run_count; i++) {
        if (strcmp(kinds_of_run[i].name, name) == 0)
            return &kinds_of_run[i];
    }
    abort();
}

void kind_of_run_make(const struct kind_of_run *kind, struct made_run *made)
{
    made_run_init(made, true);
    kind->fill(made);
}
