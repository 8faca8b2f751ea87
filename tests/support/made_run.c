/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/made_run.h"

#include <dirent.h>
#include <stdlib.h>
#include <unistd.h>

/* 14 March 2031, 10:12 UTC */
static const uint64_t started_unix_ns = UINT64_C(1931249520) * NS_PER_S;
/* Agents' clocks start anywhere. */
static const uint64_t begun_ns = UINT64_C(5000) * NS_PER_S;

static void die(const char *what)
{
    (void) fprintf(stderr, "made_run: %s\n", what);
    abort();
}

static struct range exactly(double value)
{
    return (struct range){ value, value };
}

static void make_step(struct plan_step *step, const char *name,
                      double symbol_rate_bd)
{
    *step = (struct plan_step){
        .symbol_rate_bd = exactly(symbol_rate_bd),
        .levels = 2,
        .code_rate_ratio = 0.75,
        .usable_rate_bps = range_unsaid(),
        .deviation_hz = symbol_rate_bd / 4,
        .bandwidth_hz = (double) NAN,
        .sensitivity_dbm = -112 + 3 * symbol_rate_bd / 64e3,
    };
    (void) snprintf(step->name, sizeof(step->name), "%s", name);
}

static void make_end(struct plan_end *end, const char *name, int role,
                     const char *call, const char *address)
{
    *end = (struct plan_end){
        .role = role, .port = AGENT_PORT, .antenna_gain_dbi = 6, .power_w = 2
    };
    end->ground_m = end->feed_length_m = end->feed_loss_db =
        end->antenna_height_m = end->antenna_azimuth_deg = end->antenna_swr =
            end->noise_figure_db = end->noise_rise_db = end->distance_m =
                end->obstacle_distance_m = end->obstacle_height_m =
                    (double) NAN;
    (void) snprintf(end->name, sizeof(end->name), "%s", name);
    (void) snprintf(end->call, sizeof(end->call), "%s", call);
    (void) snprintf(end->address, sizeof(end->address), "%s", address);
    (void) snprintf(end->antenna_type, sizeof(end->antenna_type), "yagi");
}

static void make_plan(struct plan *plan)
{
    *plan = (struct plan){
        .title = "Mill to quay",
        .on_air = true,
        .step_count = 2,
        .end_count = 2,
        .rounds = 1,
        .link = {
            .frequency_hz = 438.2e6,
            .access = ACCESS_SCHEDULED,
            .slot_overhead_ns = exactly(12e6),
            .slot_least_ns = range_unsaid(),
            .slot_limit_ns = exactly(150e6),
            .frame_payload_bytes = 240,
            .frame_overhead_bytes = 12,
            .mtu_bytes = 1500,
            .distance_m = 6000,
            .limit_bandwidth_hz = (double) NAN,
            .limit_duty_ratio = (double) NAN,
        },
    };
    make_step(&plan->steps[0], "calm", 64e3);
    make_step(&plan->steps[1], "brisk", 128e3);
    make_end(&plan->ends[0], "mill", ROLE_HUB, "Q0MIL", "192.0.2.1");
    make_end(&plan->ends[1], "quay", ROLE_STATION, "Q1QAY", "192.0.2.2");
}

void made_run_init(struct made_run *made, bool is_practice)
{
    char path[128];
    char plan_text[] = "made by a test";
    char plan_path[] = "made.yaml";
    struct fault fault = { 0 };

    *made = (struct made_run){ .folder = "/tmp/made-run-XXXXXX" };
    if (!mkdtemp(made->folder))
        die("no folder");
    (void) snprintf(path, sizeof(path), "%s/logbook.db", made->folder);
    make_plan(&made->plan);
    if (logbook_open(path, LOGBOOK_WRITE, &made->logbook, &fault))
        die(fault.text);
    /* Nobody needs it after a power cut, and a busy disk is slow to promise. */
    (void) sqlite3_exec(logbook_database(made->logbook),
                        "PRAGMA synchronous = OFF", NULL, NULL, NULL);
    made->run = (struct logbook_run){ .title = made->plan.title,
                                      .plan_text = plan_text,
                                      .plan_path = plan_path,
                                      .practice = is_practice,
                                      .started_unix_ns = started_unix_ns,
                                      .seed = 7 };
    if (logbook_begin_run(made->logbook, &made->run, &fault))
        die(fault.text);
}

/* Files only: reports leave one folder of them. */
static void remove_folder(const char *folder)
{
    DIR *list = opendir(folder);
    struct dirent *entry;

    while (list && (entry = readdir(list))) {
        char path[1024];

        if (entry->d_name[0] == '.')
            continue;
        (void) snprintf(path, sizeof(path), "%s/%s", folder, entry->d_name);
        if (unlink(path) != 0)
            remove_folder(path);
    }
    if (list)
        (void) closedir(list);
    (void) rmdir(folder);
}

void made_run_clear(struct made_run *made)
{
    logbook_close(made->logbook);
    remove_folder(made->folder);
}

sqlite3 *made_run_database(struct made_run *made)
{
    return logbook_database(made->logbook);
}

static size_t add_account(struct logbook_exchange *stored, size_t count,
                          const char *end,
                          const struct exchange_account *account,
                          uint64_t early_ns)
{
    if (!account)
        return count;
    stored->accounts[count] =
        (struct logbook_account){ .end = end,
                                  .start_ns = account->begun_ns + early_ns,
                                  .start_uncertainty_ns = 100000,
                                  .account = account };
    return count + 1;
}

static void fill_exchange(const struct made_run *made, size_t place,
                          const struct made_exchange *exchange, char *id,
                          struct logbook_exchange *ret_stored)
{
    (void) snprintf(id, ID_SIZE, place ? "made-%llu-%zu" : "made-%llu",
                    (unsigned long long) made->group_count, place);
    *ret_stored = (struct logbook_exchange){
        .id = id,
        .from = exchange->from,
        .to = exchange->to,
        .condition = exchange->condition ? exchange->condition : "idle",
        .kind = exchange->kind,
        .spec = exchange->spec,
        .plan_index = exchange->plan_index,
    };
    ret_stored->account_count =
        add_account(ret_stored, 0, exchange->from, exchange->from_account, 0);
    ret_stored->account_count =
        add_account(ret_stored, ret_stored->account_count, exchange->to,
                    exchange->to_account, exchange->to_early_ns);
}

void made_run_add_together(struct made_run *made,
                           const struct made_exchange *exchanges, size_t count)
{
    const uint64_t started_ns =
        started_unix_ns + (made->group_count + 1) * 30 * NS_PER_S;
    char ids[MADE_TOGETHER_MOST][ID_SIZE];
    struct logbook_exchange stored[MADE_TOGETHER_MOST];
    struct logbook_note note = { .at_unix_ns = started_ns, .class = "test" };
    struct fault fault = { 0 };

    if (count > MADE_TOGETHER_MOST)
        die("too many together");
    for (size_t i = 0; i < count; i++)
        fill_exchange(made, i, &exchanges[i], ids[i], &stored[i]);
    if (exchanges->note_class)
        (void) snprintf(note.class, sizeof(note.class), "%s",
                        exchanges->note_class);
    if (exchanges->note)
        (void) snprintf(note.text, sizeof(note.text), "%s", exchanges->note);
    const struct logbook_group group = {
        .position = made->group_count++,
        .round = exchanges->round,
        .place = exchanges->plan_index,
        .step = made->plan.steps[exchanges->step].name,
        .started_unix_ns = started_ns,
        .ended_unix_ns = started_ns + 25 * NS_PER_S,
        .control_sent_bytes = 700,
        .control_received_bytes = 900,
        .exchanges = stored,
        .exchange_count = count,
        .notes = &note,
        .note_count = exchanges->note ? 1 : 0,
    };
    if (logbook_store_group(made->logbook, made->run.run, &group, &fault))
        die(fault.text);
}

void made_run_add(struct made_run *made, const struct made_exchange *exchange)
{
    made_run_add_together(made, exchange, 1);
}

void made_run_end(struct made_run *made, const char *state)
{
    struct fault fault = { 0 };

    if (logbook_end_run(made->logbook, made->run.run, state,
                        started_unix_ns + 46 * NS_PER_MIN, &fault))
        die(fault.text);
}

static void begin_account(struct exchange_account *account,
                          const struct kind *kind, const char *part,
                          uint64_t took_ns)
{
    account_init(account, kind);
    (void) snprintf(account->part, sizeof(account->part), "%s", part);
    (void) snprintf(account->interface, NAME_SIZE, "radio0");
    (void) snprintf(account->interface_after, NAME_SIZE, "radio0");
    (void) snprintf(account->source_address, ADDRESS_SIZE, "192.0.2.1");
    (void) snprintf(account->source_address_after, ADDRESS_SIZE, "192.0.2.1");
    account->state = ACCOUNT_DONE;
    account->begun_ns = begun_ns;
    account->ended_ns = begun_ns + took_ns;
    account->mtu_bytes = 1500;
    account->identification_count = 2;
    account->identification_bytes = 130;
}

static double cycle_bytes(const struct made_download *download, uint64_t at_ns,
                          struct draw *draw)
{
    const double bytes = download->goodput_bps / 8 * (double) download->cycle_ns
                         / (double) NS_PER_S;
    const double share = at_ns - begun_ns < download->warm_up_ns ? 0.25 : 1;
    const double swing =
        download->jitter_seed ? 0.8 + 0.4 * draw_unit(draw) : 1;

    return bytes * share * swing;
}

void made_receiver(const struct made_download *download,
                   struct exchange_account *account)
{
    const uint64_t end_ns = begun_ns + download->for_ns;
    struct draw draw = { download->jitter_seed };
    struct download_outcome outcome = { 0 };
    double owed_bytes = 0;

    begin_account(account, &download_kind, "receiver", download->for_ns);
    for (uint64_t at_ns = begun_ns; at_ns < end_ns;
         at_ns += download->cycle_ns) {
        const double bytes = cycle_bytes(download, at_ns, &draw)
                             / (double) download->segments_a_cycle;

        for (uint64_t i = 1; i <= download->segments_a_cycle; i++) {
            struct download_arrival *arrival = rows_add(&account->series[0]);

            owed_bytes += bytes;
            arrival->at_ns =
                at_ns + i * download->slot_ns / download->segments_a_cycle;
            arrival->bytes = (uint64_t) owed_bytes;
            owed_bytes -= (double) arrival->bytes;
            outcome.content_bytes += arrival->bytes;
        }
    }
    struct download_connection *connection = rows_add(&account->series[2]);

    *connection = (struct download_connection){
        .opened_ns = begun_ns,
        .request_ns = begun_ns + 1,
        .content_bytes = outcome.content_bytes,
    };
    (void) memcpy(account->outcome.bytes, &outcome, sizeof(outcome));
}

void made_sender(const struct made_download *download,
                 struct exchange_account *account)
{
    begin_account(account, &download_kind, "sender", download->for_ns);
}

void made_prober(const uint64_t *rtts_ns, size_t count,
                 struct exchange_account *account)
{
    struct ping_outcome outcome = { .sent_count = count, .wire_bytes = 84 };

    begin_account(account, &ping_kind, "prober", count * NS_PER_S);
    for (size_t i = 0; i < count; i++) {
        struct ping_probe *probe = rows_add(&account->series[0]);

        *probe = (struct ping_probe){
            .sequence = i,
            .state = rtts_ns[i] ? PROBE_ANSWERED : PROBE_LOST,
            .sent_ns = begun_ns + i * NS_PER_S,
            .sent_source = STAMP_KERNEL,
            .received_ns =
                rtts_ns[i] ? begun_ns + i * NS_PER_S + rtts_ns[i] : 0,
            .rtt_ns = rtts_ns[i],
        };
        outcome.answered_count += rtts_ns[i] != 0;
        outcome.lost_count += rtts_ns[i] == 0;
    }
    (void) memcpy(account->outcome.bytes, &outcome, sizeof(outcome));
}

void made_answerer(struct exchange_account *account)
{
    begin_account(account, &ping_kind, "answerer", 0);
}
