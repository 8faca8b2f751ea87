/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/markdown_tcp.h"

#include "reports/wording.h"

/*
 * One row for a download in all its rounds, one for all that ran at once on a
 * step; figures from the least to the most of them.
 */
struct spread_of {
    double least, most;
};

struct tcp_row {
    char step[NAME_SIZE], from[ADDRESS_SIZE], to[ADDRESS_SIZE];
    bool is_alone;
    size_t count;
    struct spread_of again_ratio, times;
};

static struct tcp_row *row_of(struct rows *rows,
                              const struct exchange_record *exchange)
{
    const bool is_alone = wording_is_alone(exchange->condition);

    for (size_t i = 0; i < rows->count; i++) {
        struct tcp_row *row = rows_at(rows, i);

        if (strcmp(row->step, exchange->step) == 0 && row->is_alone == is_alone
            && (!is_alone
                || (strcmp(row->from, exchange->from) == 0
                    && strcmp(row->to, exchange->to) == 0)))
            return row;
    }
    struct tcp_row *row = rows_add(rows);

    (void) snprintf(row->step, sizeof(row->step), "%s", exchange->step);
    (void) snprintf(row->from, sizeof(row->from), "%s", exchange->from);
    (void) snprintf(row->to, sizeof(row->to), "%s", exchange->to);
    row->is_alone = is_alone;
    row->again_ratio = row->times =
        (struct spread_of){ (double) NAN, (double) NAN };
    return row;
}

static void widen(struct spread_of *spread, double value)
{
    spread->least = fmin(spread->least, value);
    spread->most = fmax(spread->most, value);
}

static struct rows gather(const struct reduction *reduction)
{
    struct rows rows = { .row_size = sizeof(struct tcp_row) };

    for (size_t i = 0; i < reduction->exchanges.count; i++) {
        const struct exchange_record *exchange =
            reduction_exchange(reduction, i);
        const struct finding *efficiency =
            reduction_finding(reduction, exchange, "tcp_efficiency");
        const struct finding *delay =
            reduction_finding(reduction, exchange, "buffer_delay");

        if (!efficiency)
            continue;
        struct tcp_row *row = row_of(&rows, exchange);

        row->count++;
        widen(&row->again_ratio, 1 - efficiency->value);
        if (delay)
            widen(&row->times, 1 + delay->value);
    }
    return rows;
}

static void write_spread(const struct spread_of *spread, double unit,
                         int digits, FILE *out)
{
    char least[FIGURE_SIZE], most[FIGURE_SIZE];

    wording_significant(spread->least / unit, digits, least);
    wording_significant(spread->most / unit, digits, most);
    (void) fprintf(out, " | %s%s%s", least, strcmp(least, most) == 0 ? "" : "–",
                   strcmp(least, most) == 0 ? "" : most);
}

static void write_row(const struct tcp_row *row, FILE *out)
{
    (void) fputs("| ", out);
    wording_escape(out, row->step);
    (void) fputs(" | ", out);
    if (row->is_alone) {
        wording_escape(out, row->from);
        (void) fputs(" → ", out);
        wording_escape(out, row->to);
    } else {
        (void) fputs("beside others", out);
    }
    (void) fprintf(out, " | %zu", row->count);
    write_spread(&row->again_ratio, 0.01, 2, out);
    write_spread(&row->times, 1, 2, out);
    (void) fputs(" |\n", out);
}

void markdown_tcp(const struct reduction *reduction, FILE *out)
{
    struct rows rows = gather(reduction);

    if (rows.count)
        (void) fputs("## What TCP did\n\n"
                     "By its senders' own account: how much of what was sent "
                     "had to be sent again, and how many times its least the "
                     "round trip was on average while data waited in the "
                     "radios' queues. Long queues do not slow a download "
                     "down, but whoever wants an answer meanwhile waits as "
                     "long (RFC 6349: 1 - TCP efficiency, 1 + buffer "
                     "delay).\n\n"
                     "| step | direction | downloads | sent again, % | round "
                     "trip, times the least |\n"
                     "|---|---|---:|---:|---:|\n",
                     out);
    for (size_t i = 0; i < rows.count; i++)
        write_row(rows_at(&rows, i), out);
    if (rows.count)
        (void) fputc('\n', out);
    rows_clear(&rows);
}
