/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/picture.h"

#include "reports/ticks.h"
#include "reports/tsv.h"

#include <bothends/units.h>
#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <string.h>

/* A picture of its own choice shows so many transmissions: a few rounds. */
#define ROUNDS_SHOWN 3
#define SENT_LEAST   16
#define SENT_MOST    120
#define TICKS_SHOWN  8

static const double nothing_sent_s = 1; /* then so much of the idle channel */

/* --- who is there --------------------------------------------------------- */

/* The ledger names the ends in the order of their turns. */
static int take_names(json_t *ends, const char *path, struct picture *picture,
                      struct fault *fault)
{
    for (void *at = json_object_iter(ends); at;
         at = json_object_iter_next(ends, at)) {
        if (picture->end_count == PLAN_ENDS_MAX)
            return fault_set(fault, -E2BIG,
                             "%s: found more than %d ends, expected fewer",
                             path, PLAN_ENDS_MAX);
        (void) snprintf(picture->names[picture->end_count++], NAME_SIZE, "%s",
                        json_object_iter_key(at));
    }
    return 0;
}

static int read_names(const char *ledger, struct picture *picture,
                      struct fault *fault)
{
    char path[4200];
    json_error_t error;

    (void) snprintf(path, sizeof(path), "%s/totals.json", ledger);
    json_t *totals = json_load_file(path, 0, &error);

    if (!totals)
        return fault_set(fault, -EINVAL,
                         "%s: %s (it is written when a rehearsal ends)", path,
                         error.text);
    const json_int_t began_ns =
        json_integer_value(json_object_get(totals, "began_ns"));
    const int status =
        take_names(json_object_get(totals, "ends"), path, picture, fault);

    picture->began_ns = began_ns > 0 ? (uint64_t) began_ns : 0;

    json_decref(totals);
    if (!status && (!picture->end_count || !picture->began_ns))
        return fault_set(fault, -EINVAL,
                         "%s: found no ends or no began_ns, expected a "
                         "practice link's ledger",
                         path);
    return status;
}

static size_t find_end(const struct picture *picture, const char *name)
{
    for (size_t i = 0; i < picture->end_count; i++) {
        if (strcmp(picture->names[i], name) == 0)
            return i;
    }
    return PICTURE_NOBODY;
}

/* --- transmissions -------------------------------------------------------- */

enum {
    SLOT_WHAT,
    SLOT_END,
    SLOT_BEGAN,
    SLOT_ENDED,
    SLOT_TURNS,
    SLOT_BYTES,
    SLOT_COLLIDED,
    SLOT_COLUMNS
};

static int open_slots(const char *ledger, struct tsv *tsv, struct fault *fault)
{
    static const char *const columns[SLOT_COLUMNS] = {
        [SLOT_WHAT] = "what",
        [SLOT_END] = "end",
        [SLOT_BEGAN] = "scheduled_ns",
        [SLOT_ENDED] = "ended_ns",
        [SLOT_TURNS] = "turns_count",
        [SLOT_BYTES] = "ip_bytes",
        [SLOT_COLLIDED] = "collided_count",
    };

    return tsv_open(tsv, ledger, "transmissions.tsv", columns, SLOT_COLUMNS,
                    fault);
}

static int take_slot(const struct picture *picture, const struct tsv *tsv,
                     struct picture_slot *slot, struct fault *fault)
{
    const char *what = tsv->values[SLOT_WHAT];
    uint64_t collided_count = 0;

    *slot = (struct picture_slot){
        .what = strcmp(what, "sent") == 0   ? PICTURE_SENT
                : strcmp(what, "idle") == 0 ? PICTURE_IDLE
                                            : PICTURE_OTHER,
        .end = find_end(picture, tsv->values[SLOT_END]),
    };
    if (tsv_whole(tsv, SLOT_BEGAN, &slot->began_ns, fault)
        || tsv_whole(tsv, SLOT_ENDED, &slot->ended_ns, fault)
        || tsv_whole(tsv, SLOT_TURNS, &slot->turns_count, fault)
        || tsv_whole(tsv, SLOT_BYTES, &slot->ip_bytes, fault)
        || tsv_whole(tsv, SLOT_COLLIDED, &collided_count, fault))
        return fault->code;
    slot->is_collided = collided_count > 0;
    if (slot->what == PICTURE_SENT && slot->end == PICTURE_NOBODY)
        return fault_set(fault, -EINVAL,
                         "%s:%zu: found '%.40s', expected an end of this "
                         "practice link",
                         tsv->path, tsv->line_number, tsv->values[SLOT_END]);
    return 0;
}

/* See each slot, until see returns other than 0. */
typedef int slot_fn(void *owner, const struct picture_slot *slot,
                    struct fault *fault);

static int each_slot(const struct picture *picture, const char *ledger,
                     slot_fn *see, void *owner, struct fault *fault)
{
    struct picture_slot slot;
    struct tsv tsv;
    int status = open_slots(ledger, &tsv, fault);

    if (status)
        return status;
    for (status = tsv_next(&tsv, fault); status > 0;
         status = tsv_next(&tsv, fault)) {
        status = take_slot(picture, &tsv, &slot, fault);
        if (!status)
            status = see(owner, &slot, fault);
        if (status)
            break;
    }
    tsv_close(&tsv);
    return status;
}

/* --- which part is worth seeing ------------------------------------------- */

/* The last few transmissions, as the ledger is read, and the best few so far.
 */
struct search {
    uint64_t first_ns, last_ns; /* the ledger begins and ends */
    size_t wanted;
    struct picture_slot window[SENT_MOST];
    size_t count; /* of all so far */
    double best_score;
    uint64_t best_from_ns, best_to_ns;
};

/* Many ends, a busy channel; a collision is rare and worth seeing. */
static double score_of(const struct search *search, uint64_t span_ns)
{
    bool is_seen[PLAN_ENDS_MAX] = { false };
    bool is_collided = false;
    double ends_count = 0, busy_ns = 0;

    for (size_t i = 0; i < search->wanted; i++) {
        const struct picture_slot *slot = &search->window[i];

        ends_count += !is_seen[slot->end];
        is_seen[slot->end] = true;
        is_collided = is_collided || slot->is_collided;
        busy_ns += (double) (slot->ended_ns - slot->began_ns);
    }
    return (ends_count + is_collided)
           * fmin(1, busy_ns / (double) (span_ns ? span_ns : 1));
}

static int search_slot(void *owner, const struct picture_slot *slot,
                       struct fault *fault)
{
    struct search *search = owner;
    const size_t place = search->count % search->wanted;

    (void) fault;
    if (!search->first_ns || slot->began_ns < search->first_ns)
        search->first_ns = slot->began_ns;
    if (slot->ended_ns > search->last_ns)
        search->last_ns = slot->ended_ns;
    if (slot->what != PICTURE_SENT)
        return 0;
    search->window[place] = *slot;
    if (++search->count < search->wanted)
        return 0;
    const uint64_t from_ns =
        search->window[(place + 1) % search->wanted].began_ns;
    const uint64_t span_ns =
        slot->ended_ns > from_ns ? slot->ended_ns - from_ns : 0;
    const double score = score_of(search, span_ns);

    /* The first of equally good ones; a crumb better is no better. */
    if (score > search->best_score * 1.001) {
        search->best_score = score;
        search->best_from_ns = from_ns;
        search->best_to_ns = from_ns + span_ns;
    }
    return 0;
}

/* Fewer than were wanted: all of them, or a while without any. */
static void settle_search(struct search *search)
{
    if (search->best_score > 0)
        return;
    search->best_from_ns =
        search->count ? search->window[0].began_ns : search->first_ns;
    search->best_to_ns =
        search->count ? search->window[search->count - 1].ended_ns
                      : search->first_ns
                            + (uint64_t) (nothing_sent_s * (double) NS_PER_S);
}

/* What is asked for, to whole ticks of the axis. */
static void set_span(struct picture *picture, const struct picture_wish *wish,
                     const struct search *search)
{
    const double ns = (double) NS_PER_S;
    double from_s =
        (double) (int64_t) (search->best_from_ns - picture->began_ns) / ns;
    double for_s = (double) (search->best_to_ns - search->best_from_ns) / ns;

    if (isfinite(wish->from_s))
        from_s = wish->from_s;
    if (isfinite(wish->for_s))
        for_s = wish->for_s;
    const struct ticks ticks = ticks_for(
        fmax(0, from_s), fmax(0, from_s) + fmax(for_s, 1e-3), TICKS_SHOWN);

    picture->tick_s = ticks.step;
    picture->from_ns =
        picture->began_ns + (uint64_t) llround(fmax(0, ticks.low) * ns);
    picture->to_ns = picture->began_ns + (uint64_t) llround(ticks.high * ns);
}

static int choose_span(struct picture *picture, const char *ledger,
                       const struct picture_wish *wish, struct fault *fault)
{
    size_t wanted = ROUNDS_SHOWN * picture->end_count;

    wanted = wanted < SENT_LEAST ? SENT_LEAST : wanted;
    struct search search = { .wanted =
                                 wanted < SENT_MOST ? wanted : SENT_MOST };
    const int status = each_slot(picture, ledger, search_slot, &search, fault);

    if (status)
        return status;
    if (!search.first_ns)
        return fault_set(fault, -EINVAL,
                         "%s: found no transmission and no turn, expected a "
                         "ledger with something in it",
                         ledger);
    const double ended_s =
        (double) (int64_t) (search.last_ns - picture->began_ns)
        / (double) NS_PER_S;

    if (wish->from_s >= ended_s) /* never true of a NaN */
        return fault_set(fault, -EINVAL,
                         "found %.6g s, expected a begin before %.6g s, when "
                         "this practice link ended",
                         wish->from_s, ended_s);
    settle_search(&search);
    set_span(picture, wish, &search);
    return 0;
}

/* --- what is in it -------------------------------------------------------- */

static int keep_slot(void *owner, const struct picture_slot *slot,
                     struct fault *fault)
{
    struct picture *picture = owner;

    if (slot->ended_ns <= picture->from_ns || slot->began_ns >= picture->to_ns)
        return 0;
    if (picture->slots.count == PICTURE_SLOTS_MAX)
        return fault_set(fault, -E2BIG,
                         "found more than %d transmissions in that time, "
                         "expected a shorter one for a picture",
                         PICTURE_SLOTS_MAX);
    *(struct picture_slot *) rows_add(&picture->slots) = *slot;
    return 0;
}

enum {
    PACKET_FROM,
    PACKET_BYTES,
    PACKET_ENQUEUED,
    PACKET_OVER,
    PACKET_COLUMNS
};

static void note_change(struct picture *picture, size_t end, uint64_t at_ns,
                        int64_t bytes)
{
    *(struct picture_change *) rows_add(&picture->changes) =
        (struct picture_change){ end, at_ns, bytes };
}

/* A packet has its room in the sender's queue until it is over. */
static int keep_packet(struct picture *picture, const struct tsv *tsv,
                       struct fault *fault)
{
    const size_t end = find_end(picture, tsv->values[PACKET_FROM]);
    uint64_t bytes, enqueued_ns, over_ns;

    if (tsv_whole(tsv, PACKET_BYTES, &bytes, fault)
        || tsv_whole(tsv, PACKET_ENQUEUED, &enqueued_ns, fault)
        || tsv_whole(tsv, PACKET_OVER, &over_ns, fault))
        return fault->code;
    if (end == PICTURE_NOBODY || over_ns <= picture->from_ns
        || enqueued_ns >= picture->to_ns || over_ns <= enqueued_ns)
        return 0;
    if (picture->changes.count + 2 > PICTURE_CHANGES_MAX)
        return fault_set(fault, -E2BIG,
                         "found more than %d packets in that time, expected a "
                         "shorter one for a picture",
                         PICTURE_CHANGES_MAX / 2);
    note_change(picture, end,
                enqueued_ns > picture->from_ns ? enqueued_ns : picture->from_ns,
                (int64_t) bytes);
    note_change(picture, end, over_ns, -(int64_t) bytes);
    return 0;
}

static int keep_packets(struct picture *picture, const char *ledger,
                        struct fault *fault)
{
    static const char *const columns[PACKET_COLUMNS] = {
        [PACKET_FROM] = "from",
        [PACKET_BYTES] = "ip_bytes",
        [PACKET_ENQUEUED] = "enqueued_ns",
        [PACKET_OVER] = "over_ns",
    };
    struct tsv tsv;
    int status =
        tsv_open(&tsv, ledger, "packets.tsv", columns, PACKET_COLUMNS, fault);

    if (status)
        return status;
    for (status = tsv_next(&tsv, fault); status > 0;
         status = tsv_next(&tsv, fault)) {
        status = keep_packet(picture, &tsv, fault);
        if (status)
            break;
    }
    tsv_close(&tsv);
    return status;
}

/* At the same moment what comes stands before what goes. */
static int compare_changes(const void *a_, const void *b_)
{
    const struct picture_change *a = a_, *b = b_;

    if (a->at_ns != b->at_ns)
        return a->at_ns < b->at_ns ? -1 : 1;
    return (a->bytes < b->bytes) - (a->bytes > b->bytes);
}

static int compare_slots(const void *a_, const void *b_)
{
    const struct picture_slot *a = a_, *b = b_;

    return (a->began_ns > b->began_ns) - (a->began_ns < b->began_ns);
}

int picture_read(const char *ledger, const struct picture_wish *wish,
                 struct picture *ret_picture, struct fault *fault)
{
    struct picture picture = {
        .access = wish->access,
        .slots = { .row_size = sizeof(struct picture_slot) },
        .changes = { .row_size = sizeof(struct picture_change) },
    };
    int status = read_names(ledger, &picture, fault);

    if (!status)
        status = choose_span(&picture, ledger, wish, fault);
    if (!status)
        status = each_slot(&picture, ledger, keep_slot, &picture, fault);
    if (!status)
        status = keep_packets(&picture, ledger, fault);
    if (status) {
        picture_clear(&picture);
        return status;
    }
    if (picture.slots.count)
        qsort(picture.slots.data, picture.slots.count, picture.slots.row_size,
              compare_slots);
    if (picture.changes.count)
        qsort(picture.changes.data, picture.changes.count,
              picture.changes.row_size, compare_changes);
    *ret_picture = picture;
    return 0;
}

void picture_clear(struct picture *picture)
{
    rows_clear(&picture->slots);
    rows_clear(&picture->changes);
}
