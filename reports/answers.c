/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/answers.h"

#include "reports/pixel_columns.h"

void answers_add(struct curve *curve, double at_s, double took_s)
{
    struct answer_counts *counts = &curve->answers;
    const bool is_lost = isinf(took_s);

    counts->sent_count++;
    counts->lost_count += is_lost;
    counts->run_count = is_lost ? counts->run_count + 1 : 0;
    if (counts->run_count == 1)
        counts->run_from_s = at_s;
    if (counts->run_count > counts->longest_run_count) {
        counts->longest_run_count = counts->run_count;
        counts->longest_from_s = counts->run_from_s;
        counts->longest_to_s = at_s;
    }
    if (!isnan(took_s))
        pixel_columns_add(&curve->columns, at_s, curve->span_s,
                          is_lost ? (double) NAN : took_s);
}

void answers_join(struct answer_counts *all, const struct answer_counts *more)
{
    all->sent_count += more->sent_count;
    all->lost_count += more->lost_count;
    if (more->longest_run_count > all->longest_run_count)
        all->longest_run_count = more->longest_run_count;
}
