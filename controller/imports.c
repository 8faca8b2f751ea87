/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/imports.h"

#include "agent/wire/body.h"
#include "agent/wire/messages.h"
#include "controller/orders.h"
#include "controller/plan/reader.h"

#include <bothends/kinds.h>
#include <errno.h>
#include <inttypes.h>
#include <uv.h>

static const char account_suffix[] = ".json";
static const char order_suffix[] = ".order";

/* An account of an exchange that the logbook has not: kept until all of its
 * group are known. */
struct orphan {
    const struct logbook_run *run; /* borrowed */
    struct order_id id;
    bool is_taken;
    struct exchange_account *account; /* owned */
};

struct importing {
    struct logbook *logbook;
    const char *folder;
    imports_say_fn *say;
    void *owner;
    struct imports *imports;
    struct rows runs;    /* of struct logbook_run: all of the logbook's */
    struct rows orphans; /* of struct orphan */
};

/* The flow, top to bottom. */
static int take_all(struct importing *importing, struct fault *fault);
static int take_file(struct importing *importing, const char *name,
                     struct fault *fault);
static int take_account(struct importing *importing,
                        struct exchange_account *account, bool *ret_is_kept,
                        struct fault *fault);
static int add_to_exchange(struct importing *importing,
                           const struct logbook_found *found,
                           const struct exchange_account *account,
                           struct fault *fault);
static bool keep_orphan(struct importing *importing,
                        struct exchange_account *account);
static int store_orphans(struct importing *importing, struct fault *fault);
static int finish_runs(struct importing *importing, struct fault *fault);

/* --- small things --------------------------------------------------------- */

__attribute__((format(printf, 3, 4))) static void
say(const struct importing *importing, const char *what, const char *format,
    ...)
{
    char text[400];
    va_list arguments;

    va_start(arguments, format);
    (void) vsnprintf(text, sizeof(text), format, arguments);
    va_end(arguments);
    importing->say(importing->owner, what, text);
}

static bool has_suffix(const char *name, const char *suffix)
{
    const size_t length = strlen(name), suffix_length = strlen(suffix);

    return length > suffix_length
           && strcmp(name + length - suffix_length, suffix) == 0;
}

static void count_taken(struct importing *importing, int64_t run,
                        const char *end, const struct exchange_account *account)
{
    struct imports *imports = importing->imports;
    struct import_run *counted = NULL;

    for (size_t i = 0; i < imports->runs.count && !counted; i++) {
        struct import_run *other = rows_at(&imports->runs, i);

        counted = other->run == run ? other : NULL;
    }
    if (!counted) {
        counted = rows_add(&imports->runs);
        counted->run = run;
    }
    counted->taken_count++;
    imports->taken_count++;
    say(importing, "taken", "run %" PRId64 ": the account of %s of the %s (%s)",
        run, end, account->kind, account->id);
}

static void free_account(struct exchange_account *account)
{
    if (account)
        account_clear(account);
    free(account);
}

/* --- the folder ----------------------------------------------------------- */

int imports_take(struct logbook *logbook, const char *folder,
                 imports_say_fn *say_line, void *owner,
                 struct imports *ret_imports, struct fault *fault)
{
    struct importing importing = {
        .logbook = logbook,
        .folder = folder,
        .say = say_line,
        .owner = owner,
        .imports = ret_imports,
        .orphans.row_size = sizeof(struct orphan),
    };

    *ret_imports =
        (struct imports){ .runs.row_size = sizeof(struct import_run) };
    int code = logbook_begin(logbook, fault);
    if (code)
        return code;
    code = logbook_list_runs(logbook, &importing.runs, fault);
    if (!code)
        code = take_all(&importing, fault);
    if (!code)
        code = store_orphans(&importing, fault);
    if (!code)
        code = finish_runs(&importing, fault);
    code = logbook_finish(logbook, code, fault);
    for (size_t i = 0; i < importing.orphans.count; i++)
        free_account(
            ((struct orphan *) rows_at(&importing.orphans, i))->account);
    for (size_t i = 0; i < importing.runs.count; i++)
        logbook_run_clear(rows_at(&importing.runs, i));
    rows_clear(&importing.orphans);
    rows_clear(&importing.runs);
    return code;
}

void imports_clear(struct imports *imports)
{
    rows_clear(&imports->runs);
}

static int take_all(struct importing *importing, struct fault *fault)
{
    uv_fs_t listing;
    uv_dirent_t entry;
    int code = uv_fs_scandir(NULL, &listing, importing->folder, 0, NULL);

    if (code < 0) {
        uv_fs_req_cleanup(&listing);
        return fault_set(fault, code == UV_ENOTDIR ? UV_EINVAL : code,
                         "cannot read the folder '%s': %s; expected the spool "
                         "of an agent",
                         importing->folder, uv_strerror(code));
    }
    code = 0;
    /* To its end in any case: libuv frees an entry when the next is asked for.
     */
    while (uv_fs_scandir_next(&listing, &entry) == 0) {
        if (code)
            continue;
        if (has_suffix(entry.name, order_suffix))
            importing->imports->cut_count++;
        else if (has_suffix(entry.name, account_suffix))
            code = take_file(importing, entry.name, fault);
    }
    uv_fs_req_cleanup(&listing);
    return code;
}

/* The whole file, with its size held against the limit of an answer. */
static int read_file(const char *path, char **ret_content, size_t *ret_bytes,
                     struct fault *fault)
{
    FILE *file = fopen(path, "rbe");
    char *content = malloc((size_t) BODY_BYTES_MAX + 1);

    if (!file || !content) {
        const int code = file ? UV_ENOMEM : uv_translate_sys_error(errno);

        if (file)
            (void) fclose(file);
        free(content);
        return fault_set(fault, code, "cannot read it: %s", uv_strerror(code));
    }
    *ret_bytes = fread(content, 1, (size_t) BODY_BYTES_MAX + 1, file);
    const bool is_broken = ferror(file) != 0;

    (void) fclose(file);
    *ret_content = content;
    if (is_broken)
        return fault_set(fault, UV_EIO, "cannot read it");
    if (*ret_bytes > BODY_BYTES_MAX)
        return fault_set(fault, UV_E2BIG,
                         "found more than %u MiB, expected an "
                         "account",
                         BODY_BYTES_MAX >> 20);
    return 0;
}

/* An account, checked as if it had come over the link. */
static int read_account(const struct importing *importing, const char *name,
                        struct exchange_account *account, struct fault *fault)
{
    char path[4096], *content = NULL;
    size_t content_bytes = 0;
    json_t *json = NULL;

    (void) snprintf(path, sizeof(path), "%s/%s", importing->folder, name);
    int code = read_file(path, &content, &content_bytes, fault);
    if (!code)
        code = body_decode(content, content_bytes, NULL, &json, fault);
    if (!code && !json)
        code = fault_set(fault, UV_EINVAL,
                         "found an empty file, expected an account");
    if (!code)
        code = account_decode(json, account, fault);
    if (!code
        && (strlen(account->id) + strlen(account_suffix) != strlen(name)
            || strncmp(name, account->id, strlen(account->id)) != 0))
        code = fault_set(fault, UV_EINVAL,
                         "found the account of '%s', expected that of the "
                         "exchange which the file is named after",
                         account->id);
    json_decref(json);
    free(content);
    return code;
}

static int take_file(struct importing *importing, const char *name,
                     struct fault *fault)
{
    struct exchange_account *account = calloc(1, sizeof(*account));
    struct fault damage = { 0 };
    bool is_kept = false;
    int code = 0;

    if (!account)
        return fault_set(fault, UV_ENOMEM, "out of memory");
    if (read_account(importing, name, account, &damage)) {
        importing->imports->damaged_count++;
        say(importing, "damaged", "'%s': %s", name, damage.text);
    } else {
        code = take_account(importing, account, &is_kept, fault);
    }
    if (!is_kept)
        free_account(account);
    return code;
}

/* --- where it belongs ----------------------------------------------------- */

static int take_account(struct importing *importing,
                        struct exchange_account *account, bool *ret_is_kept,
                        struct fault *fault)
{
    struct logbook_found found;
    const int code =
        logbook_find_exchange(importing->logbook, account->id, &found, fault);

    if (code == 0)
        return add_to_exchange(importing, &found, account, fault);
    if (code != UV_ENOENT)
        return code;
    *ret_is_kept = keep_orphan(importing, account);
    if (!*ret_is_kept) {
        importing->imports->foreign_count++;
        say(importing, "foreign", "'%s' belongs to no run of this logbook",
            account->id);
    }
    return 0;
}

/* Whose account it is: the spool doesn't say, but each end has its part. */
static const char *end_of(const struct logbook_found *found,
                          const struct exchange_account *account)
{
    const struct kind *kind = kind_by_name(found->kind);

    if (!kind || strcmp(found->kind, account->kind) != 0)
        return NULL;
    if (strcmp(account->part, kind->from_part) == 0)
        return found->from;
    return strcmp(account->part, kind->to_part) == 0 ? found->to : NULL;
}

static int add_to_exchange(struct importing *importing,
                           const struct logbook_found *found,
                           const struct exchange_account *account,
                           struct fault *fault)
{
    const char *end = end_of(found, account);
    enum logbook_presence presence = LOGBOOK_UNKNOWN;

    if (!end) {
        importing->imports->damaged_count++;
        say(importing, "damaged",
            "'%s': found the account of a %s's %s, expected one of the %s %s > "
            "%s",
            account->id, account->kind, account->part, found->kind, found->from,
            found->to);
        return 0;
    }
    int code = logbook_look_for_account(importing->logbook, account->id, end,
                                        &presence, fault);
    if (!code && presence == LOGBOOK_THERE) {
        importing->imports->known_count++;
        say(importing, "known", "the account of %s (%s)", end, account->id);
        return 0;
    }
    const struct logbook_account row = { .end = end,
                                         .start_ns = account->begun_ns,
                                         .account = account };
    if (!code)
        code =
            logbook_add_account(importing->logbook, account->id, &row, fault);
    if (!code)
        count_taken(importing, found->run, end, account);
    return code;
}

static bool keep_orphan(struct importing *importing,
                        struct exchange_account *account)
{
    for (size_t i = 0; i < importing->runs.count; i++) {
        const struct logbook_run *run = rows_at(&importing->runs, i);
        char tag[LOGBOOK_TAG_SIZE];
        struct order_id id;

        logbook_tag(run->started_unix_ns, tag);
        if (!orders_read_id(account->id, tag, &id))
            continue;
        struct orphan *orphan = rows_add(&importing->orphans);

        *orphan = (struct orphan){ run, id, false, account };
        return true;
    }
    return false;
}

/* --- groups that were never stored ---------------------------------------- */

/* A group as it was ordered, made again from the plan. */
struct remade {
    const struct logbook_run *run;
    struct plan plan;
    struct order_place place;
    struct ordered_exchange *exchanges; /* PLAN_GROUP_MAX */
    struct logbook_exchange *rows;
    size_t exchange_count;
    bool is_whole;
    uint64_t started_unix_ns, ended_unix_ns;
};

/* Addresses are no part of what is stored: the site is left without them. */
static int remake_orders(struct remade *remade, const struct orphan *orphan,
                         struct fault *fault)
{
    struct orders_site site = { .plan = &remade->plan,
                                .seed = remade->run->seed };
    char tag[LOGBOOK_TAG_SIZE];

    site.hosts = calloc(remade->plan.exchange_count + 1, sizeof(*site.hosts));
    remade->exchanges = calloc(PLAN_GROUP_MAX, sizeof(*remade->exchanges));
    remade->rows = calloc(PLAN_GROUP_MAX, sizeof(*remade->rows));
    if (!site.hosts || !remade->exchanges || !remade->rows) {
        free(site.hosts);
        return fault_set(fault, UV_ENOMEM, "out of memory");
    }
    logbook_tag(remade->run->started_unix_ns, tag);
    (void) snprintf(site.tag, sizeof(site.tag), "%s", tag);
    orders_place_of(&remade->plan, orphan->id.position, &remade->place);
    remade->place.attempt = orphan->id.attempt;
    const int code = orders_make(&site, &remade->place, remade->exchanges,
                                 &remade->exchange_count, fault);
    free(site.hosts);
    return code;
}

/* By that end's own wall clock, which may be wrong: never before the run. */
static void widen_times(struct remade *remade,
                        const struct exchange_account *account)
{
    const int64_t begun_ns =
        (int64_t) account->begun_ns + account->wall_minus_monotonic_begun_ns;
    const int64_t ended_ns =
        (int64_t) account->ended_ns + account->wall_minus_monotonic_ended_ns;

    if (begun_ns > (int64_t) remade->started_unix_ns)
        remade->started_unix_ns = (uint64_t) begun_ns;
    if (ended_ns > (int64_t) remade->ended_unix_ns)
        remade->ended_unix_ns = (uint64_t) ended_ns;
    if (remade->ended_unix_ns < remade->started_unix_ns)
        remade->ended_unix_ns = remade->started_unix_ns;
}

static struct orphan *find_orphan(const struct importing *importing,
                                  const struct order_part *part)
{
    for (size_t i = 0; i < importing->orphans.count; i++) {
        struct orphan *orphan = rows_at(&importing->orphans, i);

        if (!orphan->is_taken
            && strcmp(orphan->account->id, part->order.id) == 0
            && strcmp(orphan->account->kind, part->order.kind) == 0
            && strcmp(orphan->account->part, part->order.part) == 0)
            return orphan;
    }
    return NULL;
}

static void fill_exchange(struct importing *importing, struct remade *remade,
                          size_t index)
{
    const struct ordered_exchange *ordered = &remade->exchanges[index];
    struct logbook_exchange *row = &remade->rows[index];
    const struct plan_exchange *planned =
        &remade->plan.exchanges[ordered->plan_index];

    *row = (struct logbook_exchange){
        .id = ordered->parts[0].order.id,
        .from = planned->from,
        .to = planned->to,
        .condition = ordered->condition,
        .kind = planned->kind,
        .spec = planned->spec.bytes,
        .seed = ordered->parts[0].order.seed,
        .plan_index = ordered->plan_index,
    };
    for (size_t k = 0; k < ordered->part_count; k++) {
        const struct order_part *part = &ordered->parts[k];
        struct orphan *orphan = find_orphan(importing, part);

        remade->is_whole = remade->is_whole && orphan
                           && orphan->account->state == ACCOUNT_DONE;
        if (!orphan)
            continue;
        orphan->is_taken = true;
        row->accounts[row->account_count++] = (struct logbook_account){
            .end = remade->plan.ends[part->end].name,
            .start_ns = orphan->account->begun_ns,
            .account = orphan->account,
        };
        widen_times(remade, orphan->account);
    }
}

/* What isn't whole, or was done again by a later controller, is kept beside the
 * run: resuming does it anew. */
static int store_remade(struct importing *importing, struct remade *remade,
                        struct fault *fault)
{
    bool is_done_again = false;
    int code = logbook_has_group(importing->logbook, remade->run->run,
                                 remade->place.position, &is_done_again, fault);
    if (code)
        return code;
    const struct logbook_group group = {
        .position = remade->place.position,
        .is_cut = is_done_again || !remade->is_whole,
        .round = remade->place.position
                     / (remade->plan.group_count * remade->plan.step_count)
                 + 1,
        .place = remade->place.group,
        .step = remade->plan.steps[remade->place.step].name,
        .started_unix_ns = remade->started_unix_ns,
        .ended_unix_ns = remade->ended_unix_ns,
        .exchanges = remade->rows,
        .exchange_count = remade->exchange_count,
    };
    code = logbook_store_group(importing->logbook, remade->run->run, &group,
                               fault);
    for (size_t i = 0; i < remade->exchange_count && !code; i++) {
        for (size_t k = 0; k < remade->rows[i].account_count; k++)
            count_taken(importing, remade->run->run,
                        remade->rows[i].accounts[k].end,
                        remade->rows[i].accounts[k].account);
    }
    return code;
}

static void refuse_orphan(struct importing *importing, struct orphan *orphan,
                          const char *why)
{
    orphan->is_taken = true;
    importing->imports->foreign_count++;
    say(importing, "foreign",
        "'%s' is named like an exchange of run %" PRId64 ", but %s",
        orphan->account->id, orphan->run->run, why);
}

static int store_group_of(struct importing *importing, struct orphan *orphan,
                          struct fault *fault)
{
    struct plan_mistakes mistakes = { 0 };
    struct remade remade = { .run = orphan->run, .is_whole = true };
    int code = 0;

    remade.started_unix_ns = remade.run->started_unix_ns;
    if (plan_read_text(remade.run->plan_text, strlen(remade.run->plan_text),
                       &remade.plan, &mistakes)
        != 0) {
        refuse_orphan(importing, orphan, "this version can't read its plan");
    } else if (orphan->id.position >= orders_position_count(&remade.plan)) {
        refuse_orphan(importing, orphan, "its plan has no such place");
    } else {
        code = remake_orders(&remade, orphan, fault);
        for (size_t i = 0; i < remade.exchange_count && !code; i++)
            fill_exchange(importing, &remade, i);
        if (!code && !orphan->is_taken)
            refuse_orphan(importing, orphan,
                          "its plan has another exchange "
                          "there");
        else if (!code)
            code = store_remade(importing, &remade, fault);
    }
    free(remade.exchanges);
    free(remade.rows);
    plan_clear(&remade.plan);
    plan_mistakes_clear(&mistakes);
    return code;
}

static int store_orphans(struct importing *importing, struct fault *fault)
{
    int code = 0;

    for (size_t i = 0; i < importing->orphans.count && !code; i++) {
        struct orphan *orphan = rows_at(&importing->orphans, i);

        if (!orphan->is_taken)
            code = store_group_of(importing, orphan, fault);
    }
    return code;
}

/* --- the runs ------------------------------------------------------------- */

static uint64_t count_expected(const struct plan *plan)
{
    uint64_t count = 0;

    for (size_t i = 0; i < plan->exchange_count; i++)
        count += 1 + plan_has_agent(plan, plan->exchanges[i].to_end);
    return count * plan->rounds * plan->step_count;
}

/* With its last account a run is complete. */
static int complete_run(struct importing *importing,
                        const struct logbook_run *run, uint64_t now_unix_ns,
                        struct fault *fault)
{
    struct plan_mistakes mistakes = { 0 };
    struct plan plan;
    uint64_t count = 0;
    int code = 0;

    if (plan_read_text(run->plan_text, strlen(run->plan_text), &plan, &mistakes)
        == 0) {
        code =
            logbook_count_accounts(importing->logbook, run->run, &count, fault);
        if (!code && count == count_expected(&plan)
            && strcmp(run->state, "complete") != 0)
            code = logbook_end_run(
                importing->logbook, run->run, "complete",
                run->ended_unix_ns ? run->ended_unix_ns : now_unix_ns, fault);
        plan_clear(&plan);
    }
    plan_mistakes_clear(&mistakes);
    return code;
}

static const struct logbook_run *run_of(const struct importing *importing,
                                        int64_t number)
{
    for (size_t i = 0; i < importing->runs.count; i++) {
        const struct logbook_run *run = rows_at(&importing->runs, i);

        if (run->run == number)
            return run;
    }
    return NULL;
}

static int finish_runs(struct importing *importing, struct fault *fault)
{
    const struct rows *runs = &importing->imports->runs;
    uv_timeval64_t now = { 0 };
    int code = 0;

    (void) uv_gettimeofday(&now);
    for (size_t i = 0; i < runs->count && !code; i++) {
        const struct import_run *touched = rows_at(runs, i);
        struct logbook_note note = { .at_unix_ns =
                                         (uint64_t) now.tv_sec * NS_PER_S,
                                     .class = "import" };

        (void) snprintf(note.text, sizeof(note.text),
                        "%" PRIu64 " account%s imported from '%.200s': carried "
                        "there, not fetched, so no signature says who wrote "
                        "them; when their starts were ordered is not known.",
                        touched->taken_count,
                        touched->taken_count == 1 ? " was" : "s were",
                        importing->folder);
        code =
            logbook_store_note(importing->logbook, touched->run, &note, fault);
        const struct logbook_run *run = run_of(importing, touched->run);
        if (!code && run)
            code = complete_run(importing, run, note.at_unix_ns, fault);
    }
    return code;
}
