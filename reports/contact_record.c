/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/contact_record.h"

#include "reports/samples.h"

#include <jansson.h>

static void copy_text(const json_t *object, const char *key, char *ret_text,
                      size_t size)
{
    const char *text = json_string_value(json_object_get(object, key));

    (void) snprintf(ret_text, size, "%s", text ? text : "");
}

static uint64_t ttl_of(const json_t *echoes)
{
    const json_t *echo;
    uint64_t ttl = 0;
    size_t i;

    json_array_foreach(echoes, i, echo)
    {
        const json_int_t said =
            json_integer_value(json_object_get(echo, "ttl"));

        if (said > 0 && said < 256)
            ttl = (uint64_t) said;
    }
    return ttl;
}

static void take_ways(struct contact_records *records, const char *end,
                      const json_t *ways)
{
    const json_t *way;
    size_t i;

    json_array_foreach(ways, i, way)
    {
        struct contact_way_record *record = rows_add(&records->ways);

        (void) snprintf(record->end, sizeof(record->end), "%s", end);
        copy_text(way, "to_name", record->to, sizeof(record->to));
        copy_text(way, "interface", record->interface,
                  sizeof(record->interface));
        copy_text(way, "source_address", record->source_address,
                  sizeof(record->source_address));
        copy_text(way, "gateway", record->gateway, sizeof(record->gateway));
        record->ttl = ttl_of(json_object_get(way, "echoes"));
    }
}

/* A text that is no JSON tells nothing. */
static void take_row(struct contact_records *records, sqlite3_stmt *row)
{
    const char *self_text = (const char *) sqlite3_column_text(row, 1);
    const char *ways_text = (const char *) sqlite3_column_text(row, 2);
    struct contact_end *end = rows_add(&records->ends);
    json_t *self = self_text ? json_loads(self_text, 0, NULL) : NULL;
    json_t *ways = ways_text ? json_loads(ways_text, 0, NULL) : NULL;

    samples_text(row, 0, end->end, sizeof(end->end));
    end->loopback_bps =
        json_number_value(json_object_get(self, "loopback_bps"));
    take_ways(records, end->end, ways);
    json_decref(self);
    json_decref(ways);
}

int contact_records_load(sqlite3 *logbook, int64_t run,
                         struct contact_records *ret_records,
                         struct fault *fault)
{
    sqlite3_stmt *row;
    int step;

    *ret_records = (struct contact_records){
        .ends.row_size = sizeof(struct contact_end),
        .ways.row_size = sizeof(struct contact_way_record),
    };
    const int code = samples_prepare(
        logbook,
        "SELECT \"end\", self_json, contact_json FROM run_ends WHERE run = ? "
        "ORDER BY \"end\"",
        run, &row, fault);
    if (code)
        return code;
    while ((step = sqlite3_step(row)) == SQLITE_ROW)
        take_row(ret_records, row);
    (void) sqlite3_finalize(row);
    return step == SQLITE_DONE ? 0 : samples_failed(logbook, "run_ends", fault);
}

void contact_records_clear(struct contact_records *records)
{
    rows_clear(&records->ends);
    rows_clear(&records->ways);
}
