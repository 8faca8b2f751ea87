/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/awake.h"

#include "agent/memory.h"

/* Where the system's own way is not known yet. */
struct awake {
    char nothing;
};

bool awake_can(void)
{
    return false;
}

struct awake *awake_open(uv_loop_t *loop)
{
    (void) loop;
    return mem_new(struct awake);
}

void awake_close(struct awake *awake)
{
    free(awake);
}

void awake_hold(struct awake *awake, uint64_t until_ns)
{
    (void) awake;
    (void) until_ns;
}

void awake_release(struct awake *awake)
{
    (void) awake;
}
