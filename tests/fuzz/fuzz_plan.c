/* SPDX-License-Identifier: GPL-3.0-or-later */

/*
 * Exercises controller/plan (scan, walk, reader, sequence, rules, writer) and
 * controller/quantity: any text is read and written back, or refused with
 * printable mistakes.
 *
 * With clang: -fsanitize=fuzzer, and -DWITH_FUZZER.  Without, main() replays
 * the files that it is given, so that the corpus runs in plain ctest.
 */
#include "tests/support/plan_property.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>

#define TEXT_BYTES_MAX 20000 /* larger ones teach nothing new */

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size > TEXT_BYTES_MAX)
        return 0;
    const char *broken = plan_property_broken((const char *) data, size);
    if (broken) {
        (void) fprintf(stderr, "%s\n", broken);
        abort();
    }
    return 0;
}

#ifndef WITH_FUZZER
static int replay_file(const char *path)
{
    static uint8_t data[TEXT_BYTES_MAX];
    FILE *file = fopen(path, "rb");

    if (!file) {
        (void) fprintf(stderr, "cannot open '%s'\n", path);
        return 1;
    }
    const size_t size = fread(data, 1, sizeof(data), file);
    (void) fclose(file);
    return LLVMFuzzerTestOneInput(data, size);
}

static int replay_folder(const char *path, int *file_count)
{
    DIR *folder = opendir(path);
    int status = 0;

    if (!folder)
        return 1;
    for (struct dirent *entry = readdir(folder); entry;
         entry = readdir(folder)) {
        char file[1024];

        if (entry->d_name[0] == '.')
            continue;
        (void) snprintf(file, sizeof(file), "%s/%s", path, entry->d_name);
        status |= replay_file(file);
        ++*file_count;
    }
    (void) closedir(folder);
    return status;
}

int main(int argc, char **argv)
{
    int status = 0, file_count = 0;

    for (int i = 1; i < argc; i++)
        status |= replay_folder(argv[i], &file_count);
    (void) printf("%d files replayed\n", file_count);
    return status || file_count == 0;
}
#endif
