/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/replay.h"

#include <dirent.h>
#include <stdio.h>

#define FILE_BYTES_MAX (1 << 20)

static int replay_file(const char *path)
{
    static uint8_t data[FILE_BYTES_MAX];
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

    if (!folder) {
        (void) fprintf(stderr, "cannot open '%s'\n", path);
        return 1;
    }
    for (const struct dirent *entry = readdir(folder); entry;
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
