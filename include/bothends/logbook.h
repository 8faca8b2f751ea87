/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_LOGBOOK_H
#define BOTHENDS_LOGBOOK_H

/*
 * The logbook: the SQLite file in which every run is kept, samples raw.  Only
 * controller/logbook writes; reports and anybody with SQLite read.
 *
 * The tables below are fixed.  Further tables are made from the field lists of
 * the kinds, their columns named and typed after the fields:
 *
 *   <kind>_spec      one row an exchange: exchange, the spec's fields
 *   <kind>_outcome   one row an end:      account, the outcome's fields
 *   <kind>_<series>  rows of samples:     account, row, the series' fields
 *   accounts         one row an end:      see below, and account_fields
 *   readings         rows of any kind:    exchange, end, the fields of readings
 *
 * WHOLE, SIGNED and FLAG become INTEGER (a WHOLE above 2^63-1 is refused), REAL
 * becomes REAL (NULL for NaN), CHOICE and TEXT become TEXT, a RANGE becomes two
 * REAL columns <name>_low and <name>_high, a SPREAD four: <name>_form (TEXT),
 * <name>_mean, <name>_low, <name>_high.  Names are SQL-quoted.
 *
 * accounts: account INTEGER PRIMARY KEY, exchange, end (TEXT), start_ns (the
 * ordered start on that agent's clock), start_uncertainty_ns, offset_ns
 * (controller's monotonic clock minus the agent's, for the record), then the
 * columns of account_fields but "id" and "kind" (they stand in exchanges).
 */

#define LOGBOOK_SCHEMA_VERSION 1          /* PRAGMA user_version */
#define LOGBOOK_APPLICATION_ID 0x62656e64 /* PRAGMA application_id */

static const char logbook_fixed_tables[] =
    "CREATE TABLE runs (\n"
    "  run INTEGER PRIMARY KEY,\n"
    "  title TEXT NOT NULL,\n"
    "  plan_text TEXT NOT NULL,\n" /* as read, byte for byte */
    "  plan_path TEXT NOT NULL,\n"
    "  practice INTEGER NOT NULL,\n" /* 1: over the practice link */
    "  program_version TEXT NOT NULL,\n"
    "  started_unix_ns INTEGER NOT NULL,\n"
    "  ended_unix_ns INTEGER,\n" /* NULL: under way, or cut off */
    "  state TEXT NOT NULL,\n"   /* running, complete, interrupted, failed */
    "  seed INTEGER NOT NULL\n"
    ") STRICT;\n"
    "CREATE TABLE run_ends (\n"
    "  run INTEGER NOT NULL REFERENCES runs,\n"
    "  end TEXT NOT NULL,\n"
    "  self_json TEXT NOT NULL,\n"    /* the agent's self-description */
    "  contact_json TEXT NOT NULL,\n" /* what the contact proof found */
    "  PRIMARY KEY (run, end)\n"
    ") STRICT;\n"
    "CREATE TABLE groups (\n"
    "  group_id INTEGER PRIMARY KEY,\n"
    "  run INTEGER NOT NULL REFERENCES runs,\n"
    /* From 0, over all rounds and steps; -1, -2 ...: cut short by the operator,
     * kept beside the run, which does that group again when it is resumed. */
    "  position INTEGER NOT NULL,\n"
    "  round INTEGER NOT NULL,\n" /* from 1 */
    "  step TEXT NOT NULL,\n"
    "  place INTEGER NOT NULL,\n" /* index into the plan's groups */
    "  started_unix_ns INTEGER NOT NULL,\n"
    "  ended_unix_ns INTEGER NOT NULL,\n"
    "  control_sent_bytes INTEGER NOT NULL,\n" /* HTTP bytes, by far ends */
    "  control_received_bytes INTEGER NOT NULL,\n"
    "  UNIQUE (run, position)\n"
    ") STRICT;\n"
    "CREATE TABLE exchanges (\n"
    "  exchange INTEGER PRIMARY KEY,\n"
    "  group_id INTEGER NOT NULL REFERENCES groups,\n"
    "  id TEXT NOT NULL UNIQUE,\n"
    "  kind TEXT NOT NULL,\n"
    "  from_name TEXT NOT NULL,\n"
    "  to_name TEXT NOT NULL,\n"
    "  condition TEXT NOT NULL,\n"
    "  seed INTEGER NOT NULL,\n"
    "  plan_index INTEGER NOT NULL\n" /* index into the plan's exchanges */
    ") STRICT;\n"
    "CREATE TABLE notes (\n" /* warnings and doubts, in words */
    "  note INTEGER PRIMARY KEY,\n"
    "  run INTEGER NOT NULL REFERENCES runs,\n"
    "  group_id INTEGER REFERENCES groups,\n"
    "  at_unix_ns INTEGER NOT NULL,\n"
    "  class TEXT NOT NULL,\n" /* a word: interface, clock, control ... */
    "  text TEXT NOT NULL\n"
    ") STRICT;\n";

#endif
