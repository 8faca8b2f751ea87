/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/public.h"

#include "reports/radio.h"
#include "reports/scrub.h"
#include "reports/shortfall.h"

/* By enum public_locator.  A square of 4 characters is about 100 km high, one
 * of 6 about 5 km, of 8 about 500 m, of 10 about 20 m. */
static const struct coarseness {
    double distance_step_m;
    unsigned locator_character_count;
    bool has_heights;
} coarsenesses[] = {
    [PUBLIC_NO_LOCATOR] = { 100e3, 0, false },
    [PUBLIC_LOCATOR_4] = { 100e3, 4, false },
    [PUBLIC_LOCATOR_6] = { 5e3, 6, false },
    [PUBLIC_LOCATOR_8] = { 500, 8, true },
    [PUBLIC_LOCATOR_10] = { 20, 10, true },
};

/* --- words ---------------------------------------------------------------- */

static void add_end_words(struct scrub *scrub, const struct plan_end *end)
{
    char public_position[NAME_SIZE], address[NAME_SIZE + 16];

    /* Names and call signs are shown anyway, and stay. */
    scrub_add_word(scrub, end->name, end->name);
    scrub_add_word(scrub, end->call, end->call);
    (void) snprintf(address, sizeof(address), "(address of %s)", end->name);
    scrub_add_word(scrub, end->address, address);
    scrub_add_word(scrub, end->control, address);
    (void) snprintf(public_position, sizeof(public_position), "%s",
                    end->position);
    scrub_position(scrub, public_position, sizeof(public_position));
    scrub_add_word(scrub, end->position,
                   public_position[0] ? public_position : "(position)");
}

/* Hosts that are no end of the plan are told apart by numbers. */
static void add_host(struct scrub *scrub, const struct plan *plan,
                     struct rows *hosts, const char *name)
{
    char instead[32];

    if (!name[0] || plan_find_end(plan, name) < plan->end_count)
        return;
    for (size_t i = 0; i < hosts->count; i++) {
        if (strcmp(rows_at(hosts, i), name) == 0)
            return;
    }
    (void) snprintf(rows_add(hosts), ADDRESS_SIZE, "%s", name);
    (void) snprintf(instead, sizeof(instead), "host %zu", hosts->count);
    scrub_add_word(scrub, name, instead);
}

static void add_words(struct scrub *scrub, const struct reduction *reduction)
{
    const struct plan *plan = reduction->plan;
    struct rows hosts = { .row_size = ADDRESS_SIZE };

    for (size_t i = 0; i < plan->end_count; i++)
        add_end_words(scrub, &plan->ends[i]);
    for (size_t i = 0; i < plan->exchange_count; i++) {
        add_host(scrub, plan, &hosts, plan->exchanges[i].from);
        add_host(scrub, plan, &hosts, plan->exchanges[i].to);
    }
    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);

        add_host(scrub, plan, &hosts, exchange->from);
        add_host(scrub, plan, &hosts, exchange->to);
    }
    rows_clear(&hosts);
}

/* --- the plan ------------------------------------------------------------- */

static double up_to_step(double distance_m, double step_m)
{
    return ceil(distance_m / step_m) * step_m;
}

static void redact_end(const struct scrub *scrub, const struct plan *plan,
                       size_t index, const struct coarseness *coarseness,
                       struct plan_end *end)
{
    struct radio_path path;

    if (end->role == ROLE_STATION) {
        radio_look_at_path(plan, index, &path);
        end->distance_m =
            up_to_step(path.distance_m, coarseness->distance_step_m);
    }
    scrub_position(scrub, end->position, sizeof(end->position));
    end->address[0] = end->control[0] = end->key[0] = '\0';
    if (!coarseness->has_heights)
        end->ground_m = end->antenna_azimuth_deg = end->obstacle_distance_m =
            end->obstacle_height_m = (double) NAN;
    scrub_fields(scrub, end_fields, COUNT_OF(end_fields), end);
}

static void redact_exchange(const struct scrub *scrub, const struct kind *kind,
                            char from[ADDRESS_SIZE], char to[ADDRESS_SIZE],
                            struct kind_room *spec)
{
    scrub_text(scrub, from, ADDRESS_SIZE);
    scrub_text(scrub, to, ADDRESS_SIZE);
    scrub_fields(scrub, kind->spec_fields, kind->spec_field_count, spec->bytes);
}

static void redact_plan(const struct scrub *scrub, const struct plan *plan,
                        const struct coarseness *coarseness,
                        struct plan *ret_plan)
{
    *ret_plan = *plan;
    ret_plan->exchanges =
        calloc(plan->exchange_count + 1, sizeof(*ret_plan->exchanges));
    if (!ret_plan->exchanges) {
        (void) fputs("out of memory\n", stderr);
        abort();
    }
    for (size_t i = 0; i < plan->exchange_count; i++) {
        struct plan_exchange *exchange = &ret_plan->exchanges[i];

        *exchange = plan->exchanges[i];
        redact_exchange(scrub, exchange->kind, exchange->from, exchange->to,
                        &exchange->spec);
    }
    for (size_t i = 0; i < plan->end_count; i++)
        redact_end(scrub, plan, i, coarseness, &ret_plan->ends[i]);
    ret_plan->link.distance_m =
        up_to_step(plan->link.distance_m, coarseness->distance_step_m);
    scrub_fields(scrub, plan_fields, COUNT_OF(plan_fields), ret_plan);
    for (size_t i = 0; i < plan->step_count; i++)
        scrub_fields(scrub, step_fields, COUNT_OF(step_fields),
                     &ret_plan->steps[i]);
}

void public_clear(struct plan *plan)
{
    free(plan->exchanges);
    plan->exchanges = NULL;
}

/* --- what was reduced ----------------------------------------------------- */

static void redact_account(const struct scrub *scrub, const struct kind *kind,
                           struct account_record *account)
{
    scrub_text(scrub, account->end, sizeof(account->end));
    scrub_fields(scrub, account_fields, COUNT_OF(account_fields),
                 &account->account);
    scrub_fields(scrub, kind->outcome_fields, kind->outcome_field_count,
                 account->account.outcome.bytes);
}

static void redact_exchanges(const struct scrub *scrub,
                             const struct rows *exchanges)
{
    for (size_t i = 0; i < exchanges->count; i++) {
        struct exchange_record *exchange = rows_at(exchanges, i);

        redact_exchange(scrub, exchange->kind, exchange->from, exchange->to,
                        &exchange->spec);
        scrub_text(scrub, exchange->condition, sizeof(exchange->condition));
        redact_account(scrub, exchange->kind, &exchange->from_account);
        redact_account(scrub, exchange->kind, &exchange->to_account);
    }
}

static double three_digits(double value)
{
    if (!isfinite(value) || value == 0)
        return value;
    const double unit = pow(10, floor(log10(fabs(value))) - 2);

    return unit < 1 ? round(value / unit) / round(1 / unit)
                    : round(value / unit) * unit;
}

static void redact_findings(const struct scrub *scrub,
                            const struct rows *findings)
{
    for (size_t i = 0; i < findings->count; i++) {
        struct finding *finding = rows_at(findings, i);

        scrub_fields(scrub, finding_fields, COUNT_OF(finding_fields), finding);
        finding->expected_low = three_digits(finding->expected_low);
        finding->expected_high = three_digits(finding->expected_high);
    }
}

/* A radio with a satellite receiver tells its place as bare numbers: told by
 * the words of the reading's name, which '_' parts. */
static bool tells_place(const char *name)
{
    static const char *const words[] = { "lat",      "latitude",  "lon",
                                         "lng",      "longitude", "gps",
                                         "position", "location",  "locator",
                                         "grid",     "altitude" };

    while (*name) {
        const size_t length = strcspn(name, "_");

        for (size_t i = 0; i < COUNT_OF(words); i++) {
            if (strlen(words[i]) == length
                && strncmp(name, words[i], length) == 0)
                return true;
        }
        name += length + (name[length] == '_');
    }
    return false;
}

static void redact_readings(const struct scrub *scrub,
                            const struct rows *readings)
{
    for (size_t i = 0; i < readings->count; i++) {
        struct reading_record *record = rows_at(readings, i);

        scrub_text(scrub, record->end, sizeof(record->end));
        if (tells_place(record->reading.name)) {
            (void) snprintf(record->reading.text, sizeof(record->reading.text),
                            "(position)");
            record->reading.value = (double) NAN;
        }
        scrub_fields(scrub, reading_fields, COUNT_OF(reading_fields),
                     &record->reading);
    }
}

static void redact_sentences(const struct scrub *scrub,
                             const struct rows *sentences)
{
    for (size_t i = 0; i < sentences->count; i++) {
        struct sentence *sentence = rows_at(sentences, i);

        scrub_text(scrub, sentence->text, sizeof(sentence->text));
    }
}

static void redact_shortfalls(const struct scrub *scrub,
                              const struct rows *shortfalls)
{
    for (size_t i = 0; i < shortfalls->count; i++) {
        struct shortfall *shortfall = rows_at(shortfalls, i);

        scrub_text(scrub, shortfall->sentence, sizeof(shortfall->sentence));
        scrub_text(scrub, shortfall->advice, sizeof(shortfall->advice));
    }
}

static void redact_expectations(const struct scrub *scrub,
                                struct reduction *reduction)
{
    for (size_t i = 0; i < reduction->plan->step_count; i++) {
        struct expectation *expectation = &reduction->expectations[i];

        scrub_text(scrub, expectation->why, sizeof(expectation->why));
        scrub_text(scrub, expectation->source, sizeof(expectation->source));
    }
}

static void redact_run(const struct scrub *scrub, struct run_record *run)
{
    run->plan_path[0] = '\0';
    scrub_text(scrub, run->title, sizeof(run->title));
    scrub_text(scrub, run->weather, sizeof(run->weather));
    scrub_text(scrub, run->note, sizeof(run->note));
}

void public_redact(struct reduction *reduction, struct plan *ret_plan)
{
    const struct coarseness *coarseness =
        &coarsenesses[reduction->plan->public_locator];
    struct scrub scrub;

    scrub_init(&scrub, coarseness->locator_character_count);
    add_words(&scrub, reduction);
    redact_plan(&scrub, reduction->plan, coarseness, ret_plan);
    redact_exchanges(&scrub, &reduction->exchanges);
    redact_findings(&scrub, &reduction->findings);
    redact_readings(&scrub, &reduction->readings);
    redact_sentences(&scrub, &reduction->methods);
    redact_sentences(&scrub, &reduction->details);
    redact_sentences(&scrub, &reduction->doubts);
    redact_shortfalls(&scrub, &reduction->shortfalls);
    redact_expectations(&scrub, reduction);
    redact_run(&scrub, &reduction->run);
    reduction->plan = ret_plan;
    reduction->is_public = true;
    reduction->distance_step_m = coarseness->distance_step_m;
    scrub_clear(&scrub);
}
