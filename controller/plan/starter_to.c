/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/plan/starter.h"

#include <string.h>

/* IPv6 addresses hold what YAML takes for its own. */
static void print_quoted(FILE *out, const char *text)
{
    const char *quote = strchr(text, ':') ? "\"" : "";

    (void) fprintf(out, "%s%s%s", quote, text, quote);
}

/* The rungs that only the operator knows the addresses of.  Examples are from
 * RFC 5737 and RFC 3849. */
struct example_rung {
    const char *name, *role, *landmark, *ipv4, *ipv6, *help;
};

static const struct example_rung example_rungs[] = {
    { "own-radio", "station", "own radio", "192.0.2.1", "2001:db8:1::1",
      "the radio at this computer, by its own address" },
    { "far-radio", "hub", "far radio", "198.51.100.1", "2001:db8:2::1",
      "the radio at the other site" },
    { "router", "hub", "router", "203.0.113.1", "2001:db8:3::1",
      "the router behind that radio" },
};

static void print_head(FILE *out, const struct starter_way *way)
{
    (void) fprintf(
        out,
        "# A plan for what this computer alone can see of %s.\n"
        "# It runs as it is:\n"
        "#\n"
        "#   bothends check FILE      (nothing is sent)\n"
        "#   bothends run FILE\n"
        "#\n"
        "# It sends pings only.  The more of the rungs below you fill in, the "
        "better the\n"
        "# report can say where the way breaks.\n"
        "#\n"
        "# Before you transmit: never without an antenna or a dummy load; put "
        "your call\n"
        "# sign in where your licence asks for it.\n\n"
        "plan: \"The way to %s\"\n\n",
        way->to, way->to);
}

static void print_steps(FILE *out)
{
    (void) fputs(
        "# The radios as they are set now.  What they should carry is not "
        "known: put the\n"
        "# data sheet's figure in, and the report can hold something against "
        "it.\n"
        "steps:\n"
        "  - {name: as-it-is, usable_rate: 1.2..1000 kbit/s}\n\n",
        out);
}

static void print_rungs(FILE *out, bool is_ipv6)
{
    (void) fputs("  # Rungs on the way out: take the '#' away and put your own "
                 "addresses in, here\n"
                 "  # and in the sequence.\n",
                 out);
    for (size_t i = 0; i < COUNT_OF(example_rungs); i++) {
        const struct example_rung *rung = &example_rungs[i];

        (void) fprintf(out,
                       "  # %s: {role: %s, agent: no, landmark: %s, address: ",
                       rung->name, rung->role, rung->landmark);
        print_quoted(out, is_ipv6 ? rung->ipv6 : rung->ipv4);
        (void) fprintf(out, "}   # %s\n", rung->help);
    }
}

static void print_ends(FILE *out, const struct starter_way *way)
{
    (void) fputs("ends:\n"
                 "  near:                                # this computer\n"
                 "    role: station\n"
                 "    # call: Q0ABC\n"
                 "    address: ",
                 out);
    print_quoted(out, way->address);
    if (way->interface[0])
        (void) fprintf(out, "\n    interface: \"%s\"", way->interface);
    (void) fputs("\n", out);
    print_rungs(out, strchr(way->address, ':') != NULL);
    (void) fputs("  far:\n"
                 "    role: hub\n"
                 "    agent: no                          # take this line away "
                 "when bothends-agent runs there\n"
                 "    landmark: far computer\n"
                 "    address: ",
                 out);
    print_quoted(out, way->to);
    (void) fputs("\n\ncontroller_at: near\n\n", out);
}

static void print_sequence(FILE *out)
{
    (void) fputs("sequence:\n", out);
    for (size_t i = 0; i < COUNT_OF(example_rungs); i++)
        (void) fprintf(out, "  # - ping: {from: near, to: %s, count: 10}\n",
                       example_rungs[i].name);
    (void) fputs("  - ping: {from: near, to: far, count: 40}\n", out);
}

void starter_print_to(FILE *out, const struct starter_way *way)
{
    print_head(out, way);
    print_steps(out);
    print_ends(out, way);
    print_sequence(out);
}
