/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/imports.h"

#include "agent/wire/body.h"
#include "agent/wire/messages.h"
#include "controller/imports_inside.h"
#include "controller/plan/reader.h"

#include <bothends/kinds.h>
#include <errno.h>
#include <inttypes.h>
#include <uv.h>

static const char account_suffix[] = ".json";
static const char order_suffix[] = ".order";

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
static int finish_runs(struct importing *importing, struct fault *fault);

/* --- small things --------------------------------------------------------- */

void imports_say(const struct importing *importing, const char *what,
                 const char *format, ...)
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

void imports_count(struct importing *importing, int64_t run, const char *end,
                   const struct exchange_account *account)
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
    imports_say(importing, "taken",
                "run %" PRId64 ": the account of %s of the %s (%s)", run, end,
                account->kind, account->id);
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
        code = imports_store_groups(&importing, fault);
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
        imports_say(importing, "damaged", "'%s': %s", name, damage.text);
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
        imports_say(importing, "foreign",
                    "'%s' belongs to no run of this logbook", account->id);
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
        imports_say(
            importing, "damaged",
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
        imports_say(importing, "known", "the account of %s (%s)", end,
                    account->id);
        return 0;
    }
    const struct logbook_account row = { .end = end,
                                         .start_ns = account->begun_ns,
                                         .account = account };
    if (!code)
        code =
            logbook_add_account(importing->logbook, account->id, &row, fault);
    if (!code)
        imports_count(importing, found->run, end, account);
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
