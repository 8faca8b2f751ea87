/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/commands/outcome.h"
#include "controller/plan/starter.h"
#include "controller/text.h"

#include <netdb.h>
#include <string.h>
#include <uv.h>

/* A starter plan on standard output: bothends draft > club.yaml, or, ready to
 * run, bothends draft --to 192.0.2.2 > link.yaml */

struct draft_options {
    char to[ADDRESS_SIZE];
    bool all;
};

static const struct field draft_options[] = {
    { "ADDRESS", "to", FIELD_TEXT, UNIT_NONE,
      FIELD_AT(struct draft_options, to), 0, 0, "", NULL,
      "instead a plan that pings this computer from here, and runs without "
      "editing" },
    { "all", "all", FIELD_FLAG, UNIT_NONE, FIELD_AT(struct draft_options, all),
      0, 0, "no", NULL, "with every key that a plan may have" },
};

static const uint16_t discard_port = 9; /* any will do: nothing is sent */

static int look_up(const char *host, struct sockaddr_storage *ret_address,
                   struct fault *fault)
{
    const struct addrinfo hints = { .ai_socktype = SOCK_DGRAM };
    struct addrinfo *found = NULL;

    if (text_address_family(host) == ADDRESS_NONE
        || (text_address_family(host) != ADDRESS_HOST_NAME
            && !text_is_one_host(host)))
        return fault_set(fault, UV_EINVAL,
                         "--to: found '%s', expected the address of one host, "
                         "such as 192.0.2.2, or a host name",
                         host);
    if (getaddrinfo(host, NULL, &hints, &found) != 0)
        return fault_set(fault, UV_ENOENT,
                         "--to: cannot look '%s' up: expected an address, or a "
                         "name that this computer knows",
                         host);
    memcpy(ret_address, found->ai_addr, found->ai_addrlen);
    freeaddrinfo(found);
    if (ret_address->ss_family == AF_INET6)
        ((struct sockaddr_in6 *) ret_address)->sin6_port = htons(discard_port);
    else
        ((struct sockaddr_in *) ret_address)->sin_port = htons(discard_port);
    return 0;
}

static void write_address(const struct sockaddr *address, char *ret_text)
{
    ret_text[0] = '\0';
    if (address->sa_family == AF_INET6)
        (void) uv_ip6_name((const struct sockaddr_in6 *) address, ret_text,
                           ADDRESS_SIZE);
    else
        (void) uv_ip4_name((const struct sockaddr_in *) address, ret_text,
                           ADDRESS_SIZE);
}

/* A connected UDP socket has the address that the system's routes give it, and
 * has sent nothing. */
static int find_own_address(const struct sockaddr_storage *to,
                            char ret_address[ADDRESS_SIZE])
{
    struct sockaddr_storage own = { .ss_family = AF_UNSPEC };
    int length = sizeof(own);
    uv_loop_t loop;
    uv_udp_t probe;

    (void) uv_loop_init(&loop);
    (void) uv_udp_init(&loop, &probe);
    int code = uv_udp_connect(&probe, (const struct sockaddr *) to);
    if (!code)
        code = uv_udp_getsockname(&probe, (struct sockaddr *) &own, &length);
    uv_close((uv_handle_t *) &probe, NULL);
    (void) uv_run(&loop, UV_RUN_DEFAULT);
    (void) uv_loop_close(&loop);
    if (!code)
        write_address((const struct sockaddr *) &own, ret_address);
    return code;
}

/* The interface that has the address; none is no failure. */
static bool find_interface(const char *address, char ret_name[NAME_SIZE])
{
    uv_interface_address_t *interfaces = NULL;
    int count = 0;
    bool is_found = false;

    if (uv_interface_addresses(&interfaces, &count) != 0)
        return false;
    for (int i = 0; i < count && !is_found; i++) {
        char text[ADDRESS_SIZE];

        write_address((const struct sockaddr *) &interfaces[i].address, text);
        is_found = strcmp(text, address) == 0;
        if (is_found)
            (void) snprintf(ret_name, NAME_SIZE, "%.*s", NAME_SIZE - 1,
                            interfaces[i].name);
    }
    uv_free_interface_addresses(interfaces, count);
    return is_found;
}

static int find_way(const char *to, struct starter_way *ret_way,
                    struct fault *fault)
{
    struct sockaddr_storage address = { .ss_family = AF_UNSPEC };
    char numeric[ADDRESS_SIZE], ignored[NAME_SIZE];
    int code = look_up(to, &address, fault);

    if (code)
        return code;
    write_address((const struct sockaddr *) &address, numeric);
    (void) snprintf(ret_way->to, sizeof(ret_way->to), "%s", to);
    code = find_own_address(&address, ret_way->address);
    if (code)
        return fault_set(fault, UV_EINVAL,
                         "--to: there is no way from this computer to '%s' "
                         "(%s): expected an address that a route leads to",
                         to, uv_strerror(code));
    /* To a loopback address the way starts at another one of them. */
    if (strcmp(numeric, ret_way->address) == 0
        || find_interface(numeric, ignored)
        || strncmp(numeric, "127.", strlen("127.")) == 0)
        return fault_set(fault, UV_EINVAL,
                         "--to: found '%s', an address of this computer: "
                         "expected that of the far computer",
                         to);
    (void) find_interface(ret_way->address, ret_way->interface);
    return 0;
}

static int draft_run(const char *const *arguments, size_t argument_count,
                     const void *options)
{
    const struct draft_options *draft = options;
    struct starter_way way = { .to = "" };
    struct fault fault = { 0 };

    (void) arguments;
    (void) argument_count;
    if (draft->to[0] && draft->all) {
        (void) fputs("bothends draft: found --to and --all, expected one of "
                     "them\n",
                     stderr);
        return STATUS_USAGE;
    }
    if (!draft->to[0]) {
        starter_print(stdout, draft->all);
        return STATUS_MET;
    }
    if (find_way(draft->to, &way, &fault) != 0)
        return outcome_fault("draft", &fault);
    starter_print_to(stdout, &way);
    return STATUS_MET;
}

const struct command draft_command = {
    .name = "draft",
    .arguments = "",
    .help = "print a commented starter plan, to be kept in a file and changed",
    .options = draft_options,
    .option_count = COUNT_OF(draft_options),
    .options_size = sizeof(struct draft_options),
    .run = draft_run,
};
