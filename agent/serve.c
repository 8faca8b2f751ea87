/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/serve.h"

#include "agent/log.h"
#include "agent/query.h"
#include "agent/wire/body.h"

#include <string.h>

struct route {
    const char *method;
    const char *path; /* ends in '/': an id follows */
    void (*serve)(struct call *call, json_t *body);
    bool has_body;
    const char *queries[6]; /* NULL-terminated */
};

/* clang-format off */
static const struct route routes[] = {
    { "GET", "/self", serve_self, false, { "ack", "selftest", NULL } },
    { "GET", "/way", serve_way, false, { "ack", "to", "from", "interface", "bytes", NULL } },
    { "PUT", "/exchanges/", serve_put_exchange, true, { "ack", NULL } },
    { "GET", "/exchanges/", serve_get_exchange, false, { "ack", "wait_ms", NULL } },
    { "DELETE", "/exchanges/", serve_delete_exchange, false, { "ack", NULL } },
    { "GET", "/exchanges", serve_list, false, { "ack", NULL } },
    { "PUT", "/step", serve_step, true, { "ack", NULL } },
};
/* clang-format on */

static bool path_fits(const struct route *route, const char *path,
                      const char **ret_rest)
{
    const size_t length = strlen(route->path);

    *ret_rest = "";
    if (route->path[length - 1] != '/')
        return strcmp(route->path, path) == 0;
    if (strncmp(route->path, path, length) != 0)
        return false;
    *ret_rest = path + length;
    return spool_id_is_right(*ret_rest);
}

/* NULL: answered, there is none. */
static const struct route *find_route(struct call *call)
{
    const char *path = http_path(call->request);
    bool is_path_known = false;

    for (size_t i = 0; i < COUNT_OF(routes); i++) {
        const char *rest = NULL;

        if (!path_fits(&routes[i], path, &rest))
            continue;
        is_path_known = true;
        if (strcmp(routes[i].method, http_method(call->request)) == 0) {
            (void) snprintf(call->id, sizeof(call->id), "%s", rest);
            return &routes[i];
        }
    }
    char detail[160];
    (void) snprintf(detail, sizeof(detail),
                    "found %s %.80s, expected a request of the control "
                    "protocol (DEVELOPERS.md)",
                    http_method(call->request), path);
    if (is_path_known)
        call_answer_problem(call, 405, "method", "Not with that method",
                            detail);
    else
        call_answer_problem(call, 404, "unknown", "There is no such place",
                            detail);
    return NULL;
}

static void drop_acknowledged(struct desk *desk, const char *list)
{
    while (*list) {
        const size_t length = strcspn(list, ",");
        enum account_state state = ACCOUNT_ARMED;
        char id[ID_SIZE];

        (void) snprintf(id, sizeof(id), "%.*s",
                        (int) (length < ID_SIZE ? length : 0), list);
        /* What is still under way has no account to drop. */
        if (roster_find(desk->roster, id, &state) == ROSTER_READY) {
            spool_drop(desk->spool, id);
            log_debug("spool: '%s' acknowledged and dropped", id);
        }
        list += length + (list[length] == ',');
    }
}

/* The query: names known, acknowledged accounts dropped. */
static bool take_query(const struct call *call, const struct route *route)
{
    const char *query = http_query(call->request);
    char list[ID_SIZE * ROSTER_EXCHANGES_MAX];
    char detail[160];
    char unknown[64];

    if (query_has_unknown(query, route->queries, unknown, sizeof(unknown))) {
        (void) snprintf(detail, sizeof(detail),
                        "query: found '%s', expected only what %s %s knows",
                        unknown, route->method, route->path);
        call_answer_mistake(call, detail);
        return false;
    }
    switch (query_text(query, "ack", list, sizeof(list))) {
    case QUERY_ABSENT:
        return true;
    case QUERY_FOUND:
        drop_acknowledged(call->desk, list);
        return true;
    case QUERY_WRONG:
        break;
    }
    call_answer_mistake(call,
                        "ack: found what can't be read, expected ids parted "
                        "by commas");
    return false;
}

/* False: answered, it is not of the kind that the route takes. */
static bool is_right_body(const struct call *call, const struct route *route,
                          const json_t *body)
{
    if (!route->has_body) {
        if (body)
            call_answer_mistake(call, "body: found one, expected none");
        return !body;
    }
    const char *type = http_header(call->request, "Content-Type");
    if (!type || strcmp(type, BODY_TYPE_JSON) != 0) {
        call_answer_problem(call, 415, "type", "The body is of another type",
                            "content-type: expected " BODY_TYPE_JSON);
        return false;
    }
    if (!json_is_object(body))
        call_answer_mistake(call,
                            "body: found something else, expected an object");
    return json_is_object(body);
}

void serve_request(struct call *call, json_t *body)
{
    const struct route *route = find_route(call);

    if (!route || !take_query(call, route) || !is_right_body(call, route, body))
        return;
    if (call->desk->is_closing)
        call_answer_problem(call, 503, "ending", "This agent is ending",
                            "it was told to end");
    else
        route->serve(call, body);
}
