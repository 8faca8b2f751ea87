/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef BOTHENDS_URL_H
#define BOTHENDS_URL_H

#include <ctype.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

/*
 * What both sides need of an http URL (RFC 3986, RFC 9110 section 4.2.1): the
 * host and the port.  No user name, nothing but printable ASCII, and a path
 * without dot segments: an owner allows what a URL begins with.
 */
#define URL_SIZE      200
#define URL_HOST_SIZE 64

struct url {
    char host[URL_HOST_SIZE]; /* without the brackets of IPv6 */
    uint16_t port;            /* 80 when it is not said */
    bool is_ipv6;
};

/* What a URL may begin with. */
struct url_prefix {
    char text[URL_SIZE];
};

#define URL_SCHEME "http://"

/* Also when written as %2e: a server may decode it. */
static inline bool url_has_dot_segment(const char *path)
{
    for (const char *at = strchr(path, '/'); at; at = strchr(at + 1, '/')) {
        const char *next = at + 1;
        size_t dots = 0;

        while (*next == '.' || strncasecmp(next, "%2e", 3) == 0) {
            next += *next == '.' ? 1 : 3;
            dots++;
        }
        if (dots && dots <= 2
            && (*next == '/' || *next == '?' || *next == '\0'))
            return true;
    }
    return false;
}

/* The host at `at`; gives what follows it, or NULL. */
static inline const char *url_read_host(const char *at, struct url *ret_url)
{
    ret_url->is_ipv6 = *at == '[';
    const char *first = at + (ret_url->is_ipv6 ? 1 : 0);
    const size_t length =
        ret_url->is_ipv6 ? strcspn(first, "]") : strcspn(first, ":/?#@");

    if (!length || length >= sizeof(ret_url->host)
        || (ret_url->is_ipv6 && first[length] != ']'))
        return NULL;
    memcpy(ret_url->host, first, length);
    ret_url->host[length] = '\0';
    return first + length + (ret_url->is_ipv6 ? 1 : 0);
}

/* "", or ":" and 1 to 65535; gives what follows it, or NULL. */
static inline const char *url_read_port(const char *at, struct url *ret_url)
{
    unsigned long port = 0;

    ret_url->port = 80;
    if (*at != ':')
        return at;
    for (at++; isdigit((unsigned char) *at) && port <= UINT16_MAX; at++)
        port = port * 10 + (unsigned long) (*at - '0');
    ret_url->port = (uint16_t) port;
    return port >= 1 && port <= UINT16_MAX ? at : NULL;
}

/* False: it is none that we can use; url_objection() says why. */
static inline bool url_split(const char *text, struct url *ret_url)
{
    if (strncmp(text, URL_SCHEME, strlen(URL_SCHEME)) != 0)
        return false;
    const char *at = url_read_host(text + strlen(URL_SCHEME), ret_url);

    if (at)
        at = url_read_port(at, ret_url);
    return at && *at == '/' && !url_has_dot_segment(at);
}

/* As "found ..., expected ...", or NULL.  Static text. */
static inline const char *url_objection(const char *text)
{
    struct url url;

    for (const char *at = text; *at; at++) {
        if (*at <= ' ' || *at > '~' || *at == '#')
            return "found a url with a blank, '#' or another character that "
                   "a URL can't have, expected it written with %";
    }
    if (strncmp(text, URL_SCHEME, strlen(URL_SCHEME)) != 0)
        return "found a url of another sort, expected one that begins with "
               "http:// (nothing is encrypted on the air)";
    if (!url_split(text, &url))
        return "found a url that can't be used, expected "
               "http://HOST/PATH or http://HOST:PORT/PATH without user name "
               "and without . or .. in the path";
    return NULL;
}

/* May this be fetched where URLs that begin with that are allowed?  "That" has
 * at least http://HOST/, so that no longer host name fits. */
static inline bool url_is_within(const char *text, const char *allowed)
{
    return strncmp(text, allowed, strlen(allowed)) == 0
           && url_objection(text) == NULL;
}

#endif
