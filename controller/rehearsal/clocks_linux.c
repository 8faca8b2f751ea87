/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/clocks.h"

#include <bothends/units.h>
#include <errno.h>
#include <fcntl.h>
#include <jansson.h>
#include <stdio.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

#define PATH_SIZE 4300

static struct practice_clock *map_file(const char *path)
{
    const size_t size = sizeof(struct practice_clock);
    const int fd = open(path, O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
    void *mapped = MAP_FAILED;

    if (fd < 0)
        return NULL;
    if (ftruncate(fd, (off_t) size) == 0)
        mapped = mmap(NULL, size, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    const int code = errno;

    (void) close(fd);
    errno = code;
    return mapped == MAP_FAILED ? NULL : mapped;
}

int clocks_make(const struct clock_setup *setup, uint64_t now_ns,
                struct practice_clock **ret_clock, struct fault *fault)
{
    *ret_clock = NULL;
    if (!setup->file)
        return 0;
    struct practice_clock *clock = map_file(setup->file);

    if (!clock)
        return fault_set(fault, -errno, "cannot write '%s': %s", setup->file,
                         strerror(errno));
    clock->skew_ratio = setup->wall_skew_ppm * 1e-6;
    clock->since_ns = (int64_t) now_ns + setup->monotonic_offset_ns;
    atomic_store(&clock->offset_ns, setup->wall_offset_ns);
    clock->mark = PRACTICE_CLOCK_MARK;
    *ret_clock = clock;
    return 0;
}

void clocks_step(struct practice_clock *clock, int64_t by_ns)
{
    (void) atomic_fetch_add(&clock->offset_ns, by_ns);
}

static json_t *wall_json(const struct clock_setup *setup)
{
    return json_pack("{s:I, s:f}", "offset_ns",
                     (json_int_t) setup->wall_offset_ns, "skew_ppm",
                     setup->wall_skew_ppm);
}

static int write_json(const char *path, const struct clock_setup *setups,
                      size_t count)
{
    json_t *ends = json_object(), *walls = json_object();

    for (size_t i = 0; i < count; i++) {
        (void) json_object_set_new(
            ends, setups[i].end,
            json_integer((json_int_t) setups[i].monotonic_offset_ns));
        if (setups[i].file)
            (void) json_object_set_new(walls, setups[i].end,
                                       wall_json(&setups[i]));
    }
    json_t *clocks =
        json_pack("{s:s, s:s, s:o, s:s, s:o}", "clock",
                  "an end's CLOCK_MONOTONIC minus the ledger's", "unit", "ns",
                  "ends", ends, "wall_clock",
                  "how far an end's wall clock is ahead of the right time at "
                  "first, and by how much too fast",
                  "wall", walls);
    const int failed = json_dump_file(clocks, path, JSON_INDENT(2));

    json_decref(clocks);
    return failed;
}

int clocks_write(const char *ledger, const struct clock_setup *setups,
                 size_t count, struct fault *fault)
{
    char path[PATH_SIZE];

    (void) snprintf(path, sizeof(path), "%s/clocks.json", ledger);
    if (write_json(path, setups, count) != 0)
        return fault_set(fault, -EIO, "cannot write '%s'", path);
    return 0;
}
