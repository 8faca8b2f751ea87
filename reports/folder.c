/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/folder.h"

#include <errno.h>
#include <string.h>
#include <sys/stat.h>

static int make_one(const char *path, struct fault *fault)
{
    if (mkdir(path, 0777) == 0 || errno == EEXIST)
        return 0;
    return fault_set(fault, -errno, "cannot make the folder '%s': %s", path,
                     strerror(errno));
}

int folder_make(const char *path, struct fault *fault)
{
    char copy[FOLDER_SIZE];
    const size_t length = strlen(path);

    if (!length || length >= sizeof(copy))
        return fault_set(fault, -ENAMETOOLONG,
                         "the folder's name is empty or too long");
    (void) memcpy(copy, path, length + 1);
    for (char *slash = strchr(copy + 1, '/'); slash;
         slash = strchr(slash + 1, '/')) {
        *slash = '\0';
        const int code = make_one(copy, fault);

        *slash = '/';
        if (code)
            return code;
    }
    return make_one(copy, fault);
}

int folder_make_for(const char *file, struct fault *fault)
{
    char folder[FOLDER_SIZE];
    const char *slash = strrchr(file, '/');
    const size_t length = slash ? (size_t) (slash - file) : 0;

    if (!length)
        return 0;
    if (length >= sizeof(folder))
        return fault_set(fault, -ENAMETOOLONG, "the folder's name is too long");
    (void) memcpy(folder, file, length);
    folder[length] = '\0';
    return folder_make(folder, fault);
}
