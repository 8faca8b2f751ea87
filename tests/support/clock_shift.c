/* SPDX-License-Identifier: GPL-3.0-or-later */
#include <dlfcn.h>
#include <fcntl.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

/*
 * Loaded before a program (LD_PRELOAD): its wall clock jumps by CLOCK_SHIFT_S
 * seconds when the file CLOCK_SHIFT_FILE appears, as if somebody had set it.
 * Only for programs with CLOCK_SHIFT_ONLY among their arguments.  Stamps of the
 * kernel are not shifted: they are those of a clock that was not set, which a
 * program must not be fooled by either.
 */
static bool is_meant(void)
{
    static int meant = -1;
    const char *only = getenv("CLOCK_SHIFT_ONLY");
    char line[8192] = "";

    if (meant >= 0)
        return meant;
    meant = 0;
    const int fd = open("/proc/self/cmdline", O_RDONLY | O_CLOEXEC);
    const ssize_t got = fd < 0 ? 0 : read(fd, line, sizeof(line) - 1);
    if (fd >= 0)
        (void) close(fd);
    for (ssize_t at = 0; only && at < got;
         at += (ssize_t) strlen(line + at) + 1) {
        if (strcmp(line + at, only) == 0)
            meant = 1;
    }
    return meant;
}

static time_t shift_s(void)
{
    const char *file = getenv("CLOCK_SHIFT_FILE");
    const char *seconds = getenv("CLOCK_SHIFT_S");

    return file && seconds && is_meant() && access(file, F_OK) == 0
               ? (time_t) strtol(seconds, NULL, 10)
               : 0;
}

typedef int clock_gettime_fn(clockid_t, struct timespec *);

static int real_clock_gettime(clockid_t clock, struct timespec *time)
{
    static clock_gettime_fn *real;
    void *found = real ? NULL : dlsym(RTLD_NEXT, "clock_gettime");

    if (found)
        memcpy(&real, &found, sizeof(real));
    return real(clock, time);
}

int clock_gettime(clockid_t clock, struct timespec *time)
{
    const int result = real_clock_gettime(clock, time);

    if (result == 0 && clock == CLOCK_REALTIME)
        time->tv_sec += shift_s();
    return result;
}

int timespec_get(struct timespec *time, int base)
{
    if (base != TIME_UTC || clock_gettime(CLOCK_REALTIME, time) != 0)
        return 0;
    return base;
}

int gettimeofday(struct timeval *restrict now, void *restrict zone)
{
    struct timespec time;

    (void) zone;
    if (clock_gettime(CLOCK_REALTIME, &time) != 0)
        return -1;
    now->tv_sec = time.tv_sec;
    now->tv_usec = time.tv_nsec / 1000;
    return 0;
}
