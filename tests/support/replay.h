/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef TESTS_REPLAY_H
#define TESTS_REPLAY_H

#include <stddef.h>
#include <stdint.h>

/* A fuzz target; replay.c has a main() that runs it over the files of the
 * folders that it is given, so that a corpus is tested in plain ctest. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

#endif
