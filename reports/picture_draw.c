/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/picture.h"

#include "reports/picture_forms.h"
#include "reports/wording.h"

#include <bothends/units.h>
#include <math.h>

/* A lane an end: above its turns, below what waits in its queue. */
static const double page_width = 1100;
static const double margin = 24;
static const double names_width = 130;
static const double figures_width = 116;
static const double lanes_top = 118;
static const double lanes_height = 420; /* about, of all */
static const double lane_least = 26, lane_most = 110;
static const double lane_gap = 6;
static const double title_size = 16, text_size = 13, small_size = 11.5;
static const double key_baseline = 96;

struct lanes {
    const struct picture *picture;
    struct plot plot; /* x: seconds since the practice link began */
    double lane_height;
    double queue_most_bytes; /* full height, in all lanes */
};

struct lane {
    double top, middle, bottom; /* turns above the middle, the queue below */
};

static double seconds(const struct picture *picture, uint64_t at_ns)
{
    return (double) (int64_t) (at_ns - picture->began_ns) / (double) NS_PER_S;
}

static double place_x(const struct lanes *lanes, uint64_t at_ns)
{
    const struct plot *plot = &lanes->plot;
    const double x = plot_x(plot, seconds(lanes->picture, at_ns));

    return fmin(fmax(x, plot->left), plot->right);
}

static struct lane lane_of(const struct lanes *lanes, size_t end)
{
    const double top =
        lanes->plot.top + lane_gap + (double) end * lanes->lane_height;
    const double height = lanes->lane_height - lane_gap;

    return (struct lane){ top, top + height * 0.45, top + height };
}

/* In kB, with as many digits as help. */
static void write_bytes(double bytes, char *text, size_t size)
{
    if (bytes < 1000)
        (void) snprintf(text, size, "%.0f B", bytes);
    else
        (void) snprintf(text, size, "%.*f kB", bytes < 9950 ? 1 : 0,
                        bytes / 1000);
}

/* --- turns ---------------------------------------------------------------- */

static struct box slot_box(const struct lanes *lanes,
                           const struct picture_slot *slot)
{
    const double left = place_x(lanes, slot->began_ns);
    /* However short, it is seen. */
    const double right = fmax(place_x(lanes, slot->ended_ns), left + 0.8);

    if (slot->end == PICTURE_NOBODY || slot->turns_count > 1)
        return (struct box){ left, lanes->plot.top, right, lanes->plot.bottom };
    const struct lane lane = lane_of(lanes, slot->end);

    return (struct box){ left, lane.top, right, lane.middle };
}

/* Turns that went round, or somebody else on the channel: across all lanes. */
static bool is_across(const struct picture_slot *slot)
{
    return slot->what == PICTURE_OTHER || slot->end == PICTURE_NOBODY
           || slot->turns_count > 1;
}

static void draw_across(cairo_t *page, const struct lanes *lanes,
                        const struct picture_slot *slot)
{
    const struct box box = slot_box(lanes, slot);
    const struct box head = { box.left, box.top - 15, box.right, box.top - 1 };
    char text[64];

    if (slot->what == PICTURE_OTHER) {
        form_others(page, &box);
        return;
    }
    form_round(page, &box);
    (void) snprintf(text, sizeof(text), "%llu turns",
                    (unsigned long long) slot->turns_count);
    drawing_ink(page, INK_TEXT);
    form_text(page, &head, small_size, text);
}

static void draw_slot(cairo_t *page, const struct lanes *lanes,
                      const struct picture_slot *slot)
{
    struct box box = slot_box(lanes, slot);
    char text[32];

    if (slot->what == PICTURE_IDLE) {
        box.top += (box.bottom - box.top) * 0.5;
        form_hollow(page, &box);
        return;
    }
    if (slot->is_collided) {
        form_collided(page, &box);
        return;
    }
    form_sent(page, &box);
    write_bytes((double) slot->ip_bytes, text, sizeof(text));
    cairo_set_source_rgb(page, 1, 1, 1);
    form_text(page, &box, small_size, text);
}

static void draw_slots(cairo_t *page, const struct lanes *lanes,
                       bool is_across_)
{
    for (size_t i = 0; i < lanes->picture->slots.count; i++) {
        const struct picture_slot *slot = rows_at(&lanes->picture->slots, i);

        if (is_across(slot) != is_across_)
            continue;
        if (is_across_)
            draw_across(page, lanes, slot);
        else
            draw_slot(page, lanes, slot);
    }
}

/* --- queues --------------------------------------------------------------- */

static double most_waiting(const struct picture *picture, size_t end)
{
    double bytes = 0, most = 0;

    for (size_t i = 0; i < picture->changes.count; i++) {
        const struct picture_change *change = rows_at(&picture->changes, i);

        if (change->end != end || change->at_ns >= picture->to_ns)
            continue;
        bytes += (double) change->bytes;
        most = fmax(most, bytes);
    }
    return most;
}

static double queue_y(const struct lanes *lanes, const struct lane *lane,
                      double bytes)
{
    const double room = lane->bottom - lane->middle - 2;

    return lane->bottom - room * bytes / lanes->queue_most_bytes;
}

static void draw_queue(cairo_t *page, const struct lanes *lanes, size_t end)
{
    const struct picture *picture = lanes->picture;
    const struct lane lane = lane_of(lanes, end);
    double bytes = 0;

    cairo_new_path(page);
    cairo_move_to(page, lanes->plot.left, lane.bottom);
    for (size_t i = 0; i < picture->changes.count; i++) {
        const struct picture_change *change = rows_at(&picture->changes, i);
        const double x = place_x(lanes, change->at_ns);

        if (change->end != end)
            continue;
        cairo_line_to(page, x, queue_y(lanes, &lane, bytes));
        bytes += (double) change->bytes;
        cairo_line_to(page, x, queue_y(lanes, &lane, bytes));
    }
    cairo_line_to(page, lanes->plot.right, queue_y(lanes, &lane, bytes));
    cairo_line_to(page, lanes->plot.right, lane.bottom);
    cairo_close_path(page);
    drawing_ink(page, INK_THIRD);
    cairo_fill(page);
}

static void draw_lane(cairo_t *page, const struct lanes *lanes, size_t end)
{
    const struct picture *picture = lanes->picture;
    const struct lane lane = lane_of(lanes, end);
    const double most = most_waiting(picture, end);
    const double size = lanes->lane_height > 34 ? text_size : small_size;
    char name[NAME_SIZE], bytes[32], text[64];

    drawing_ink(page, INK_TEXT);
    drawing_line(page, lanes->plot.left, lane.bottom, lanes->plot.right,
                 lane.bottom, 0.5);
    wording_clean(picture->names[end], name, sizeof(name));
    drawing_text(page, lanes->plot.left - 12,
                 (lane.top + lane.bottom) / 2 + size * 0.36, size, true,
                 ANCHOR_RIGHT, name);
    if (!(most > 0))
        return;
    draw_queue(page, lanes, end);
    write_bytes(most, bytes, sizeof(bytes));
    (void) snprintf(text, sizeof(text), "at most %s", bytes);
    drawing_ink(page, INK_THIRD);
    drawing_text(page, lanes->plot.right + 10, lane.bottom - 1, size, false,
                 ANCHOR_LEFT, text);
}

/* --- the key ---------------------------------------------------------------
 */

/* A form and what it stands for; returns where the next one begins. */
static double draw_key(cairo_t *page, double x, form_fn *draw, const char *what)
{
    const struct box box = { x, key_baseline - 11, x + 24, key_baseline + 1 };

    draw(page, &box);
    drawing_ink(page, INK_TEXT);
    drawing_text(page, x + 31, key_baseline, small_size, false, ANCHOR_LEFT,
                 what);
    return x + 31 + drawing_text_width(page, small_size, false, what) + 22;
}

static bool has_idle(const struct picture *picture, bool is_round)
{
    for (size_t i = 0; i < picture->slots.count; i++) {
        const struct picture_slot *slot = rows_at(&picture->slots, i);

        if (slot->what == PICTURE_IDLE && is_across(slot) == is_round)
            return true;
    }
    return false;
}

/* Only of what is to be seen. */
static void draw_keys(cairo_t *page, const struct picture *picture)
{
    double x = margin;

    x = draw_key(page, x, form_sent, "transmits (so many bytes of IP)");
    if (has_idle(picture, false))
        x = draw_key(page, x, form_hollow, "has its turn, nothing to send");
    if (has_idle(picture, true))
        x = draw_key(page, x, form_round,
                     "turns go round, nobody has anything to send");
    if (picture_count(picture, PICTURE_SENT, true))
        x = draw_key(page, x, form_collided, "collided: lost");
    if (picture_count(picture, PICTURE_OTHER, false))
        x = draw_key(page, x, form_others, "other users of the channel");
    (void) draw_key(page, x, form_queue, "waits in its queue");
}

static void draw_picture(cairo_t *page, const void *picture)
{
    const struct lanes *lanes = picture;
    char title[240];

    picture_says(lanes->picture, title, sizeof(title));
    drawing_ink(page, INK_TEXT);
    drawing_text(page, margin, 34, title_size, true, ANCHOR_LEFT, title);
    drawing_text(page, margin, 62, text_size, false, ANCHOR_LEFT,
                 picture_explains(lanes->picture));
    draw_keys(page, lanes->picture);
    draw_slots(page, lanes, true);
    plot_axis_x(page, &lanes->plot, "seconds since the practice link began");
    for (size_t i = 0; i < lanes->picture->end_count; i++)
        draw_lane(page, lanes, i);
    draw_slots(page, lanes, false);
}

/* The axis of picture_read(): whole ticks from one end to the other. */
static struct ticks axis_of(const struct picture *picture)
{
    const double low = seconds(picture, picture->from_ns);
    const double high = seconds(picture, picture->to_ns);

    return (struct ticks){
        .low = low,
        .high = high,
        .step = picture->tick_s,
        .count = (size_t) floor((high - low) / picture->tick_s + 0.5) + 1,
        .decimals = (int) fmax(-floor(log10(picture->tick_s) + 1e-9), 0),
    };
}

int picture_draw(const struct picture *picture, const char *path,
                 struct fault *fault)
{
    struct lanes lanes = {
        .picture = picture,
        .plot = { .left = margin + names_width,
                  .right = page_width - margin - figures_width,
                  .top = lanes_top,
                  .x = axis_of(picture) },
        .lane_height =
            fmin(fmax(lanes_height / (double) picture->end_count, lane_least),
                 lane_most),
        .queue_most_bytes = 1,
    };

    for (size_t i = 0; i < picture->end_count; i++)
        lanes.queue_most_bytes =
            fmax(lanes.queue_most_bytes, most_waiting(picture, i));
    lanes.plot.bottom =
        lanes_top + lane_gap + (double) picture->end_count * lanes.lane_height;
    return drawing_write(path, page_width, lanes.plot.bottom + 56, draw_picture,
                         &lanes, fault);
}

int picture_write(const char *ledger, const struct picture_wish *wish,
                  const char *path, struct fault *fault)
{
    struct picture picture;
    int status = picture_read(ledger, wish, &picture, fault);

    if (status)
        return status;
    status = picture_draw(&picture, path, fault);
    picture_clear(&picture);
    return status;
}
