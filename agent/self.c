/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/self.h"

#include "agent/awake.h"
#include "agent/clock.h"
#include "agent/memory.h"
#include "agent/power.h"

#include <bothends/characters.h>
#include <netinet/in.h>
#include <unistd.h>
#include <uv.h>

#define PROTOCOL_VERSION 1

static bool can_open(int family, int type, int protocol)
{
    const int fd = socket(family, type | SOCK_CLOEXEC, protocol);

    if (fd >= 0)
        (void) close(fd);
    return fd >= 0;
}

void self_probe(struct self_abilities *ret_abilities)
{
    ret_abilities->icmp = ICMP_NONE;
    if (can_open(AF_INET, SOCK_DGRAM, IPPROTO_ICMP))
        ret_abilities->icmp = ICMP_DATAGRAM;
    else if (can_open(AF_INET, SOCK_RAW, IPPROTO_ICMP))
        ret_abilities->icmp = ICMP_RAW;

    const int udp = socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    ret_abilities->has_kernel_stamps = udp >= 0 && self_can_stamp(udp);
    if (udp >= 0)
        (void) close(udp);
}

const char *self_icmp_word(enum icmp_socket_kind kind)
{
    switch (kind) {
    case ICMP_NONE:
        return "none";
    case ICMP_DATAGRAM:
        return "datagram";
    case ICMP_RAW:
        return "raw";
    }
    return "none";
}

static void add_text(json_t *object, const char *key, const char *text)
{
    /* A host's name may be any bytes: what can't be shown is left out. */
    if (text_is_clean(text))
        (void) json_object_set_new(object, key, json_string(text));
}

static void add_clocks(json_t *self)
{
    const uint64_t now_ns = clock_now_ns();
    const int64_t difference_ns = clock_wall_minus_monotonic_ns(NULL);

    (void) json_object_set_new(self, "now_ns",
                               json_integer((json_int_t) now_ns));
    (void) json_object_set_new(
        self, "wall_unix_ns",
        json_integer((json_int_t) now_ns + difference_ns));
    (void) json_object_set_new(self, "wall_minus_monotonic_ns",
                               json_integer(difference_ns));
}

static void add_host(json_t *self)
{
    uv_utsname_t names;
    char host[UV_MAXHOSTNAMESIZE] = "";
    size_t host_bytes = sizeof(host);

    if (uv_os_gethostname(host, &host_bytes) == 0)
        add_text(self, "host", host);
    if (uv_os_uname(&names) == 0) {
        add_text(self, "system", names.sysname);
        add_text(self, "kernel", names.release);
        add_text(self, "machine", names.machine);
    }
}

static void add_steps(json_t *self, const struct agent_config *config)
{
    json_t *steps = json_array();

    for (size_t i = 0; i < config->step_count; i++)
        (void) json_array_append_new(steps, json_string(config->steps[i]));
    (void) json_object_set_new(self, "can_set_steps",
                               json_boolean(config->step_command[0] != NULL));
    (void) json_object_set_new(self, "steps", steps);
}

static void add_power(json_t *self)
{
    struct power power;

    power_read(POWER_FOLDER, &power);
    if (!power.has_battery)
        return;
    (void) json_object_set_new(self, "battery_percent",
                               json_integer((json_int_t) power.percent));
    (void) json_object_set_new(self, "on_mains", json_boolean(power.on_mains));
}

static void add_abilities(json_t *self, const struct self_site *site)
{
    if (site->loopback_bps > 0)
        (void) json_object_set_new(
            self, "loopback_bps",
            json_integer((json_int_t) site->loopback_bps));
    (void) json_object_set_new(self, "can_prevent_sleep",
                               json_boolean(awake_can()));
    (void) json_object_set_new(
        self, "can_read_radio",
        json_boolean(site->config->readings_command[0] != NULL));
    if (site->readings_ns)
        (void) json_object_set_new(
            self, "readings_ns", json_integer((json_int_t) site->readings_ns));
}

json_t *self_describe(const struct self_site *site)
{
    struct self_abilities abilities;
    json_t *self = mem_checked(json_object());

    self_probe(&abilities);
    add_text(self, "program", "bothends-agent");
    add_text(self, "version", BOTHENDS_VERSION);
    (void) json_object_set_new(self, "protocol",
                               json_integer(PROTOCOL_VERSION));
    add_text(self, "name", site->name);
    (void) json_object_set_new(self, "port", json_integer(site->port));
    add_clocks(self);
    add_host(self);
    add_text(self, "icmp", self_icmp_word(abilities.icmp));
    (void) json_object_set_new(self, "kernel_stamps",
                               json_boolean(abilities.has_kernel_stamps));
    add_steps(self, site->config);
    add_abilities(self, site);
    add_power(self);
    self_add_system(self);
    return self;
}
