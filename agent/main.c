/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"
#include "agent/config.h"
#include "agent/log.h"
#include "agent/options.h"
#include "agent/self.h"
#include "agent/service.h"
#include "agent/spool.h"
#include "agent/wire/key.h"

#include <bothends/characters.h>
#include <curl/curl.h>
#include <fcntl.h>
#include <signal.h>
#include <sodium.h>
#include <string.h>
#include <unistd.h>

/* As in the controller: 2 wrong usage, 4 a failure of our own. */
enum {
    STATUS_FINE = 0,
    STATUS_USAGE = 2,
    STATUS_OURS = 4
};

struct agent {
    uv_loop_t loop;
    uv_signal_t interrupt, terminate;
    struct agent_config config;
    struct service *service;
    bool is_ending;
};

static int complain(int status, const struct fault *fault)
{
    (void) fprintf(stderr, "bothends-agent: %s\n", fault->text);
    return status;
}

static int make_key(const char *path)
{
    struct fault fault = { 0 };

    if (wire_key_create(path, &fault) < 0)
        return complain(STATUS_USAGE, &fault);
    (void) printf(
        "made the key '%s'\n"
        "next: copy it, by a way that others can't read, to the controller's "
        "computer\n"
        "(the plan's key: FILE names it there), and start the agent with\n"
        "  bothends-agent --key %s\n",
        path, path);
    return fflush(stdout) == 0 ? STATUS_FINE : STATUS_OURS;
}

/* --- start ---------------------------------------------------------------- */

/* Parts the comma list in place. */
static int split_addresses(char *list, struct service_site *site,
                           struct fault *fault)
{
    char *rest = list;

    for (char *address = strsep(&rest, ","); address && *list;
         address = strsep(&rest, ",")) {
        if (site->address_count == SERVICE_ADDRESSES_MAX)
            return fault_set(fault, UV_E2BIG,
                             "--listen: found more than %d addresses, expected "
                             "at most as many",
                             SERVICE_ADDRESSES_MAX);
        site->addresses[site->address_count++] = address;
    }
    return 0;
}

static const char *name_of(const struct agent_options *options,
                           char room[UV_MAXHOSTNAMESIZE])
{
    size_t room_bytes = UV_MAXHOSTNAMESIZE;

    if (options->name[0])
        return options->name;
    return uv_os_gethostname(room, &room_bytes) == 0 && text_is_clean(room)
               ? room
               : "agent";
}

static void print_start(const struct agent_options *options, const char *name,
                        const struct service *service)
{
    struct self_abilities abilities;
    char advice[1024];

    self_probe(&abilities);
    (void) printf(
        "bothends-agent %s '%s' listens on %s port %u (TCP and UDP)%s; ICMP: "
        "%s; kernel stamps: %s\n",
        BOTHENDS_VERSION, name, service_addresses(service),
        service_port(service),
        options->key[0] ? "" : ", loopback only for want of a key",
        abilities.icmp == ICMP_NONE ? "not allowed"
                                    : self_icmp_word(abilities.icmp),
        abilities.has_kernel_stamps ? "yes" : "no");
    if (abilities.icmp == ICMP_NONE) {
        self_icmp_advice(advice, sizeof(advice));
        (void) printf("to allow ICMP (ping) type: %s\n", advice);
    }
    (void) fflush(stdout);
}

static void on_closed(void *owner)
{
    struct agent *agent = owner;

    uv_close((uv_handle_t *) &agent->interrupt, NULL);
    uv_close((uv_handle_t *) &agent->terminate, NULL);
}

/* The second signal gets the system's own treatment. */
static void on_signal(uv_signal_t *handle, int number)
{
    struct agent *agent = handle->data;

    (void) uv_signal_stop(handle);
    if (agent->is_ending)
        return;
    agent->is_ending = true;
    log_info("main: ending by signal %d", number);
    service_close(agent->service, on_closed, agent);
}

static void watch_signals(struct agent *agent)
{
    agent->interrupt.data = agent->terminate.data = agent;
    (void) uv_signal_init(&agent->loop, &agent->interrupt);
    (void) uv_signal_init(&agent->loop, &agent->terminate);
    (void) uv_signal_start(&agent->interrupt, on_signal, SIGINT);
    (void) uv_signal_start(&agent->terminate, on_signal, SIGTERM);
}

/* Whose mistake it is that the service does not start. */
static int status_of(int code)
{
    switch (code) {
    case UV_EINVAL:
    case UV_EADDRINUSE:
    case UV_EADDRNOTAVAIL:
    case UV_EAFNOSUPPORT:
    case UV_EACCES:
    case UV_EPERM:
    case UV_ENOENT:
    case UV_EBUSY:
        return STATUS_USAGE;
    default:
        return STATUS_OURS;
    }
}

static int run(struct agent_options *options)
{
    struct agent agent = { .is_ending = false };
    struct fault fault = { 0 };
    char host[UV_MAXHOSTNAMESIZE];
    struct service_site site = {
        .loop = &agent.loop,
        .port = (uint16_t) options->port,
        .key_file = options->key[0] ? options->key : NULL,
        .spool_folder = options->spool,
        .name = name_of(options, host),
        .config = &agent.config,
    };

    if (split_addresses(options->listen, &site, &fault) < 0
        || (options->config[0]
            && config_read_file(options->config, &agent.config, &fault) < 0))
        return complain(STATUS_USAGE, &fault);
    (void) uv_loop_init(&agent.loop);
    int status = STATUS_FINE;
    const int result = service_open(&site, &agent.service, &fault);
    if (result == 0) {
        watch_signals(&agent);
        print_start(options, site.name, agent.service);
    } else {
        status = complain(status_of(result), &fault);
    }
    (void) uv_run(&agent.loop, UV_RUN_DEFAULT);
    config_clear(&agent.config);
    if (uv_loop_close(&agent.loop) < 0) {
        log_error("main: something was left open at the end");
        return STATUS_OURS;
    }
    return status;
}

/* --- options -------------------------------------------------------------- */

static int prepare(struct agent_options *options, struct fault *fault)
{
    log_set_level((enum log_level) options->log);
    (void) signal(SIGPIPE, SIG_IGN);
    if (options->end_with_parent) {
        const int result = self_end_with_parent();
        if (result < 0)
            return fault_set(fault, result, "--end-with-parent: %s",
                             result == UV_ESRCH ? "the parent has ended"
                                                : uv_strerror(result));
    }
    if (options->practice_clock[0]) {
        const int result = clock_practise(options->practice_clock, fault);

        if (result < 0)
            return result;
    }
    if (!options->spool[0]
        && spool_default_folder(options->spool, sizeof(options->spool)) < 0)
        return fault_set(fault, UV_ENOENT,
                         "there is no home folder; name a folder for results "
                         "with --spool DIR");
    return 0;
}

/* Whoever starts it with a closed input or output would have a socket take its
 * number, and libuv ends the program when it closes one. */
static void fill_standard_files(void)
{
    int fd;

    do
        fd = open("/dev/null", O_RDWR);
    while (fd >= 0 && fd <= STDERR_FILENO);
    if (fd >= 0)
        (void) close(fd);
}

int main(int argument_count, char **arguments)
{
    static struct agent_options options;
    struct fault fault = { 0 };

    fill_standard_files();
    if (options_read(argument_count, arguments, &options, &fault) < 0)
        return complain(STATUS_USAGE, &fault);
    if (options.help) {
        options_print_help(stdout);
        return STATUS_FINE;
    }
    if (options.version) {
        (void) printf("bothends-agent %s\n", BOTHENDS_VERSION);
        return STATUS_FINE;
    }
    if (sodium_init() < 0 || curl_global_init(CURL_GLOBAL_DEFAULT) != 0) {
        (void) fault_set(&fault, UV_ENOSYS, "a library can't be started");
        return complain(STATUS_OURS, &fault);
    }
    if (options.new_key[0])
        return make_key(options.new_key);
    if (prepare(&options, &fault) < 0)
        return complain(STATUS_OURS, &fault);
    const int status = run(&options);
    curl_global_cleanup();
    return status;
}
