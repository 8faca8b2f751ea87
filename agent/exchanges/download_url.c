/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/exchanges/address.h"
#include "agent/exchanges/download_parts.h"
#include "agent/sockets.h"

#include <curl/curl.h>

/*
 * A download from a URL: a web server takes the sender's place, and the
 * receiver opens.  It goes to no other place: not where a redirect points, and
 * not to another address than the order's.
 */

static bool is_allowed(const struct exchange_site *site, const char *url)
{
    for (size_t i = 0; i < site->url_count; i++) {
        if (url_is_within(url, site->urls[i].text))
            return true;
    }
    return false;
}

/* A numeric host must be the address that the order names; what a name stands
 * for is the controller's word. */
static bool is_at_peer(const struct exchange *exchange, const struct url *url)
{
    struct sockaddr_storage host;
    struct fault none = { 0 };

    return sockets_parse(url->host, url->port, &host, &none) != 0
           || address_is_same_host((const struct sockaddr *) &host,
                                   exchange_peer(exchange));
}

int download_check_url(const struct exchange *exchange,
                       const struct download_spec *spec, struct fault *fault)
{
    const struct exchange_site *site = exchange_site_of(exchange);
    const char *objection = url_objection(spec->url);
    struct url url = { .port = 0 };

    if (objection)
        return fault_set(fault, UV_EINVAL, "%s", objection);
    if (!is_allowed(site, spec->url))
        return fault_set(
            fault, UV_EACCES,
            "the owner of this agent does not allow the download of %s: "
            "allow_urls in the agent's configuration (--config) %s",
            spec->url,
            site->url_count ? "has nothing that it begins with"
                            : "is empty or not there");
    (void) url_split(spec->url, &url);
    if (!is_at_peer(exchange, &url))
        return fault_set(fault, UV_EINVAL,
                         "the URL's host is %s, but the order's address is %s",
                         url.host, exchange_order_of(exchange)->peer_address);
    return 0;
}

int download_aim_at_url(struct data_connection *connection)
{
    struct download *download = connection->download;
    const char *address = exchange_order_of(download->exchange)->peer_address;
    const bool is_v6 = strchr(address, ':') != NULL;
    struct url url = { .port = 0 };
    char aim[ADDRESS_SIZE + 16];

    (void) url_split(download->spec.url, &url);
    (void) snprintf(aim, sizeof(aim), "::%s%s%s:%u", is_v6 ? "[" : "", address,
                    is_v6 ? "]" : "", (unsigned) url.port);
    if (!download->aims)
        download->aims = curl_slist_append(NULL, aim);
    if (!download->aims)
        return UV_ENOMEM;
    (void) curl_easy_setopt(connection->easy, CURLOPT_URL, download->spec.url);
    (void) curl_easy_setopt(connection->easy, CURLOPT_CONNECT_TO,
                            download->aims);
    (void) curl_easy_setopt(connection->easy, CURLOPT_FOLLOWLOCATION, 0L);
    return 0;
}

/* A web server knows nothing of our time. */
void download_end_url_in_time(struct download *download)
{
    if (!download->spec.url[0] || clock_now_ns() < download_end_ns(download))
        return;
    for (size_t i = 0; i < download->connection_count; i++) {
        struct data_connection *connection = &download->connections[i];

        if (connection->state != DATA_OPEN || !connection->easy)
            continue;
        if (connection->socket >= 0)
            tcp_info_discard_on_close(connection->socket);
        download_drop_transfer(connection);
        download_connection_ended(connection, DATA_DONE);
    }
}
