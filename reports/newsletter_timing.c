/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/newsletter_says.h"
#include "reports/newsletter_words.h"

/* The first pair of ways, alone on the link, of which one loses more than
 * chance would do. */
static bool find_weaker(const struct rows *ways, struct finding *ret_weaker,
                        struct finding *ret_other)
{
    for (size_t i = 0; i + 1 < ways->count; i++) {
        const struct finding *there = rows_at(ways, i);
        const struct finding *back = rows_at(ways, i + 1);
        const bool is_pair = strcmp(there->from, back->to) == 0
                             && strcmp(there->to, back->from) == 0
                             && strcmp(there->step, back->step) == 0
                             && wording_is_alone(there->condition)
                             && wording_is_alone(back->condition);

        if (!is_pair || !(there->low > back->high || back->low > there->high))
            continue;
        *ret_weaker = there->low > back->high ? *there : *back;
        *ret_other = there->low > back->high ? *back : *there;
        return true;
    }
    return false;
}

/* "six of 60" */
static void say_lost(const struct finding *loss, FILE *out)
{
    char lost[SPOKEN_SIZE];
    char sent[SPOKEN_SIZE];

    spoken_count((uint64_t) llround(loss->value * (double) loss->samples_count),
                 lost);
    spoken_count(loss->samples_count, sent);
    (void) fprintf(out, "%s of %s", loss->value > 0 ? lost : "none", sent);
}

void newsletter_say_each_way(const struct newsletter_facts *facts, FILE *out)
{
    struct rows ways = wording_table(facts->reduction, "one_way_loss");
    struct finding weaker, other;

    if (find_weaker(&ways, &weaker, &other)) {
        (void) fputs("One direction is the weaker one: of the short calls ",
                     out);
        newsletter_say_way(&weaker, out);
        (void) fputs(" on ", out);
        newsletter_say_step(weaker.step, out);
        (void) fputc(' ', out);
        say_lost(&weaker, out);
        (void) fputs(" got lost, the other way ", out);
        say_lost(&other, out);
        (void) fputs(". That is the side to look at first.", out);
    }
    rows_clear(&ways);
}
