/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/clock.h"

#include <bothends/practice_clock.h>
#include <bothends/units.h>
#include <fcntl.h>
#include <stddef.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

static int64_t reading_ns(clockid_t clock)
{
    struct timespec now;

    if (clock_gettime(clock, &now) != 0)
        return 0;
    return (int64_t) now.tv_sec * (int64_t) NS_PER_S + now.tv_nsec;
}

/*
 * Cut to whole ms, for the two readings are some 100 ns apart.  In a time
 * namespace with a monotonic offset of its own the difference can be negative:
 * then the sleep cannot be told.
 */
uint64_t clock_suspended_ns(void)
{
    const int64_t monotonic_ns = reading_ns(CLOCK_MONOTONIC);
    const int64_t slept_ns = reading_ns(CLOCK_BOOTTIME) - monotonic_ns;

    if (slept_ns < 0)
        return 0;
    return (uint64_t) slept_ns / NS_PER_MS * NS_PER_MS;
}

const struct practice_clock *clock_map(const char *path)
{
    const size_t size = sizeof(struct practice_clock);
    const int fd = open(path, O_RDONLY | O_CLOEXEC);
    void *mapped = MAP_FAILED;
    struct stat facts;

    if (fd < 0)
        return NULL;
    if (fstat(fd, &facts) == 0 && facts.st_size >= (off_t) size)
        mapped = mmap(NULL, size, PROT_READ, MAP_SHARED, fd, 0);
    (void) close(fd);
    return mapped == MAP_FAILED ? NULL : mapped;
}
