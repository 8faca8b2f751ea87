/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_KIND_H
#define BOTHENDS_KIND_H

#include <bothends/fields.h>
#include <stdalign.h>

/*
 * What every part knows of an exchange kind: its field lists.  The rows are
 * gathered in kinds.h; the behaviour stands in agent/exchanges (what an end
 * does) and in reports (what the samples say).
 */

/* One table of samples; the logbook's table is <kind>_<series>. */
struct series {
    const char *name;
    const char *help;
    size_t row_size;
    const struct field *fields;
    size_t field_count;
};

#define KIND_SERIES_MAX 4

/* Room for any kind's spec or outcome; a kind asserts that its own fit. */
struct kind_room {
    alignas(max_align_t) unsigned char bytes[512];
};

struct kind {
    const char *name;
    const char *help;
    /* What the end named by "from" and the end named by "to" do. */
    const char *from_part, *to_part;
    /* Data go both ways: a plan says between: [FIRST, SECOND] instead, and
     * FIRST stands for "from", SECOND for "to". */
    bool uses_between;
    /* May "to" be a host without an agent (a router, a radio)? */
    bool to_may_be_host;
    /* What the plan says of one exchange. */
    const struct field *spec_fields;
    size_t spec_field_count, spec_size;
    /* What one end says of it in the end: one row. */
    const struct field *outcome_fields;
    size_t outcome_field_count, outcome_size;
    /* What it recorded on the way. */
    const struct series *series;
    size_t series_count;
    /* A spec may name a host that stands for "from", in a URL for instance:
     * true when it does, and the host.  May be NULL. */
    bool (*from_host)(const void *spec, char *ret_host, size_t size);
    /* Make it a spec whose data an end sends, for a rehearsal.  NULL where
     * from_host is. */
    void (*forget_host)(void *spec);
    /* The spec is complete and free of contradiction: NULL, or what a person
     * should change, as "found …, expected …".  Static text. */
    const char *(*objection)(const void *spec);
    /*
     * How long the exchange will take, and at the most, in ns after its start.
     * expected_bps is what the step should carry (0: not known).
     */
    uint64_t (*planned_ns)(const void *spec, uint64_t seed,
                           double expected_bps);
    uint64_t (*longest_ns)(const void *spec, uint64_t seed);
};

#endif
