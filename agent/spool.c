/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/spool.h"

#include "agent/log.h"
#include "agent/memory.h"

#include <assert.h>
#include <bothends/exchange.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

static const unsigned lock_tries = 30, lock_gap_ms = 100;

#define ACCOUNT_SUFFIX  ".json"
#define ORDER_SUFFIX    ".order"
#define PART_SUFFIX     ".part" /* not yet whole */
#define FILE_NAME_SIZE  (ID_SIZE + 16)
#define FILE_MOST_BYTES ((off_t) 256 * 1024 * 1024)
/* Room that an account is given when the disk has filled meanwhile. */
#define RESERVE_BYTES ((size_t) 256 * 1024)

struct entry {
    struct entry *next;
    char id[ID_SIZE];
    bool has_order, has_account;
    char *kept; /* the account, where it is in memory only */
    size_t kept_bytes;
};

struct spool {
    uv_loop_t *loop;
    char folder[PATH_MAX];
    int folder_fd, lock_fd;
    struct entry *entries;
};

bool spool_id_is_right(const char *id)
{
    const size_t length = strspn(id, "abcdefghijklmnopqrstuvwxyz0123456789-");

    return length > 0 && length < ID_SIZE && id[length] == '\0';
}

int spool_default_folder(char *room, size_t room_bytes)
{
    const char *state = getenv("XDG_STATE_HOME");
    const char *home = getenv("HOME");
    int length = -1;

    if (geteuid() == 0)
        length = snprintf(room, room_bytes, "/var/lib/bothends/spool");
    else if (state && state[0] == '/')
        length = snprintf(room, room_bytes, "%s/bothends/spool", state);
    else if (home && home[0] == '/')
        length =
            snprintf(room, room_bytes, "%s/.local/state/bothends/spool", home);
    return length > 0 && (size_t) length < room_bytes ? 0 : UV_ENOENT;
}

/* --- entries ------------------------------------------------------------- */

static struct entry *find_entry(const struct spool *spool, const char *id)
{
    struct entry *entry = spool->entries;

    while (entry && strcmp(entry->id, id) != 0)
        entry = entry->next;
    return entry;
}

static struct entry *need_entry(struct spool *spool, const char *id)
{
    struct entry *entry = find_entry(spool, id);

    if (entry)
        return entry;
    entry = mem_new(struct entry);
    (void) snprintf(entry->id, sizeof(entry->id), "%s", id);
    entry->next = spool->entries;
    spool->entries = entry;
    return entry;
}

static void remove_entry(struct spool *spool, struct entry *entry)
{
    struct entry **link = &spool->entries;

    while (*link != entry)
        link = &(*link)->next;
    *link = entry->next;
    free(entry->kept);
    free(entry);
}

/* --- files --------------------------------------------------------------- */

static const char *file_name(const char *id, const char *suffix,
                             char room[FILE_NAME_SIZE])
{
    (void) snprintf(room, FILE_NAME_SIZE, "%s%s", id, suffix);
    return room;
}

static int write_all(int fd, const char *bytes, size_t byte_count)
{
    while (byte_count > 0) {
        const ssize_t written = write(fd, bytes, byte_count);

        if (written < 0 && errno == EINTR)
            continue;
        if (written < 0)
            return -errno;
        bytes += written;
        byte_count -= (size_t) written;
    }
    return 0;
}

static int write_part(int folder_fd, const char *part, const char *bytes,
                      size_t byte_count)
{
    const int fd =
        openat(folder_fd, part,
               O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (fd < 0)
        return -errno;
    int result = write_all(fd, bytes, byte_count);
    if (result == 0 && fsync(fd) < 0)
        result = -errno;
    if (close(fd) < 0 && result == 0)
        result = -errno;
    return result;
}

/* Whole or not at all, and lasting when this returns 0.  Any thread. */
static int write_file(int folder_fd, const char *id, const char *suffix,
                      const char *bytes, size_t byte_count)
{
    char name[FILE_NAME_SIZE], part[FILE_NAME_SIZE];

    (void) file_name(id, suffix, name);
    (void) snprintf(part, sizeof(part), "%s%s", id, PART_SUFFIX);
    int result = write_part(folder_fd, part, bytes, byte_count);
    if (result == 0 && renameat(folder_fd, part, folder_fd, name) < 0)
        result = -errno;
    if (result == 0 && fsync(folder_fd) < 0)
        result = -errno;
    if (result < 0)
        (void) unlinkat(folder_fd, part, 0);
    return result;
}

static int read_open_file(int fd, char **ret_bytes, size_t *ret_byte_count)
{
    struct stat facts;

    if (fstat(fd, &facts) < 0)
        return -errno;
    if (facts.st_size > FILE_MOST_BYTES)
        return UV_EFBIG;
    const size_t size = (size_t) facts.st_size;
    char *bytes = mem_checked(malloc(size + 1));
    size_t have = 0;
    while (have < size) {
        const ssize_t got = read(fd, bytes + have, size - have);

        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0) {
            free(bytes);
            return got < 0 ? -errno : UV_EIO;
        }
        have += (size_t) got;
    }
    bytes[size] = '\0';
    *ret_bytes = bytes;
    *ret_byte_count = size;
    return 0;
}

static int read_file(const struct spool *spool, const char *id,
                     const char *suffix, char **ret_bytes,
                     size_t *ret_byte_count)
{
    char name[FILE_NAME_SIZE];
    const int fd = openat(spool->folder_fd, file_name(id, suffix, name),
                          O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    if (fd < 0)
        return -errno;
    const int result = read_open_file(fd, ret_bytes, ret_byte_count);
    (void) close(fd);
    return result;
}

/* --- opening ------------------------------------------------------------- */

static int make_folders(const char *folder, struct fault *fault)
{
    char path[PATH_MAX];

    (void) snprintf(path, sizeof(path), "%s", folder);
    for (char *slash = path + 1; *slash; slash++) {
        if (*slash != '/')
            continue;
        *slash = '\0';
        (void) mkdir(path, 0755); /* what is missing shows in the last one */
        *slash = '/';
    }
    if (mkdir(path, 0700) < 0 && errno != EEXIST)
        return fault_set(fault, -errno,
                         "cannot make the spool folder '%s': %s; name another "
                         "with --spool",
                         folder, strerror(errno));
    return 0;
}

/* An agent that is just ending is waited for. */
static bool get_lock(int fd)
{
    for (unsigned tries = 0; tries < lock_tries; tries++) {
        if (tries > 0)
            uv_sleep(lock_gap_ms);
        if (flock(fd, LOCK_EX | LOCK_NB) == 0)
            return true;
    }
    return false;
}

static int lock_folder(struct spool *spool, struct fault *fault)
{
    spool->lock_fd = openat(spool->folder_fd, "lock",
                            O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (spool->lock_fd < 0)
        return fault_set(fault, -errno,
                         "cannot write in the spool folder '%s': %s; name "
                         "another with --spool",
                         spool->folder, strerror(errno));
    if (!get_lock(spool->lock_fd))
        return fault_set(fault, UV_EBUSY,
                         "the spool folder '%s' is in use by another agent; "
                         "stop it, or name another folder with --spool",
                         spool->folder);
    return 0;
}

/* The lock file is the reserve.  Written, for a hole takes no room. */
static int make_reserve(const struct spool *spool)
{
    static const char zeros[4096];
    struct stat found;
    int result = fstat(spool->lock_fd, &found) < 0 ? -errno : 0;

    if (result == 0 && found.st_size >= (off_t) RESERVE_BYTES)
        return 0;
    if (result == 0 && lseek(spool->lock_fd, 0, SEEK_SET) < 0)
        result = -errno;
    for (size_t i = 0; result == 0 && i < RESERVE_BYTES; i += sizeof(zeros))
        result = write_all(spool->lock_fd, zeros, sizeof(zeros));
    /* What fitted is kept: it may be enough. */
    return result;
}

/* "run-1.json" with suffix ".json": gives "run-1". */
static bool split_name(const char *name, const char *suffix, char id[ID_SIZE])
{
    const size_t length = strlen(name), suffix_length = strlen(suffix);

    if (length <= suffix_length || length - suffix_length >= ID_SIZE
        || strcmp(name + length - suffix_length, suffix) != 0)
        return false;
    memcpy(id, name, length - suffix_length);
    id[length - suffix_length] = '\0';
    return spool_id_is_right(id);
}

static void take_stock(struct spool *spool, const char *name)
{
    char id[ID_SIZE];

    if (split_name(name, ACCOUNT_SUFFIX, id))
        need_entry(spool, id)->has_account = true;
    else if (split_name(name, ORDER_SUFFIX, id))
        need_entry(spool, id)->has_order = true;
    else if (split_name(name, PART_SUFFIX, id))
        (void) unlinkat(spool->folder_fd, name, 0);
}

static int read_folder(struct spool *spool, struct fault *fault)
{
    DIR *folder = opendir(spool->folder);
    if (!folder)
        return fault_set(fault, -errno, "cannot read the spool folder '%s': %s",
                         spool->folder, strerror(errno));
    for (const struct dirent *file = readdir(folder); file;
         file = readdir(folder))
        take_stock(spool, file->d_name);
    (void) closedir(folder);
    return 0;
}

int spool_open(uv_loop_t *loop, const char *folder, struct spool **ret_spool,
               struct fault *fault)
{
    int result = strlen(folder) < PATH_MAX ? make_folders(folder, fault)
                                           : UV_ENAMETOOLONG;
    if (result < 0)
        return fault_set(fault, result, "the spool folder's name is too long");

    struct spool *spool = mem_new(struct spool);
    spool->loop = loop;
    spool->lock_fd = -1;
    (void) snprintf(spool->folder, sizeof(spool->folder), "%s", folder);
    spool->folder_fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (spool->folder_fd < 0)
        result =
            fault_set(fault, -errno, "cannot open the spool folder '%s': %s",
                      folder, strerror(errno));
    if (result == 0)
        result = lock_folder(spool, fault);
    if (result == 0)
        result = read_folder(spool, fault);
    if (result == 0 && make_reserve(spool) < 0)
        log_warning("spool: there is hardly any room in '%s'", folder);
    if (result < 0) {
        spool_close(spool);
        return result;
    }
    *ret_spool = spool;
    return 0;
}

void spool_close(struct spool *spool)
{
    if (!spool)
        return;
    while (spool->entries)
        remove_entry(spool, spool->entries);
    if (spool->lock_fd >= 0)
        (void) close(spool->lock_fd);
    if (spool->folder_fd >= 0)
        (void) close(spool->folder_fd);
    free(spool);
}

/* --- marks --------------------------------------------------------------- */

int spool_mark(struct spool *spool, const char *id, const char *order,
               size_t order_bytes, struct fault *fault)
{
    assert(spool_id_is_right(id));
    (void) make_reserve(spool); /* it may have been needed; else no matter */
    const int result =
        write_file(spool->folder_fd, id, ORDER_SUFFIX, order, order_bytes);
    if (result < 0)
        return fault_set(fault, result, "cannot write to the spool '%s': %s",
                         spool->folder, uv_strerror(result));
    need_entry(spool, id)->has_order = true;
    return 0;
}

/* --- accounts ------------------------------------------------------------ */

struct put {
    uv_work_t work;
    struct spool *spool;
    char id[ID_SIZE];
    char *account;
    size_t account_bytes;
    int result;
    spool_put_fn *on_put;
    void *owner;
};

/* In the thread pool. */
static void write_account(uv_work_t *work)
{
    struct put *put = work->data;
    char order[FILE_NAME_SIZE];

    put->result = write_file(put->spool->folder_fd, put->id, ACCOUNT_SUFFIX,
                             put->account, put->account_bytes);
    if (put->result == UV_ENOSPC && ftruncate(put->spool->lock_fd, 0) == 0)
        put->result = write_file(put->spool->folder_fd, put->id, ACCOUNT_SUFFIX,
                                 put->account, put->account_bytes);
    if (put->result == 0)
        (void) unlinkat(put->spool->folder_fd,
                        file_name(put->id, ORDER_SUFFIX, order), 0);
}

static void on_written(uv_work_t *work, int status)
{
    struct put *put = work->data;
    struct spool *spool = put->spool;
    struct fault fault = { 0 };
    const int result = status < 0 ? status : put->result;

    if (result < 0) {
        (void) fault_set(&fault, result,
                         "cannot write to the spool '%s': %s; the result is "
                         "kept in memory only",
                         spool->folder, uv_strerror(result));
        spool_keep(spool, put->id, put->account, put->account_bytes);
    } else {
        struct entry *entry = need_entry(spool, put->id);

        entry->has_account = true;
        entry->has_order = false;
        free(put->account);
    }
    put->on_put(put->owner, put->id, &fault);
    free(put);
}

void spool_put(struct spool *spool, const char *id, char *account,
               size_t account_bytes, spool_put_fn *on_put, void *owner)
{
    struct put *put = mem_new(struct put);

    assert(spool_id_is_right(id));
    put->work.data = put;
    put->spool = spool;
    (void) snprintf(put->id, sizeof(put->id), "%s", id);
    put->account = account;
    put->account_bytes = account_bytes;
    put->on_put = on_put;
    put->owner = owner;
    /* Fails only without a work function. */
    (void) uv_queue_work(spool->loop, &put->work, write_account, on_written);
}

void spool_keep(struct spool *spool, const char *id, char *account,
                size_t account_bytes)
{
    struct entry *entry = need_entry(spool, id);

    free(entry->kept);
    entry->kept = account;
    entry->kept_bytes = account_bytes;
}

bool spool_has(const struct spool *spool, const char *id)
{
    const struct entry *entry = find_entry(spool, id);

    return entry && (entry->has_account || entry->kept);
}

int spool_get(const struct spool *spool, const char *id, char **ret_account,
              size_t *ret_account_bytes)
{
    const struct entry *entry = find_entry(spool, id);

    if (entry && entry->kept) {
        *ret_account = mem_copy(entry->kept, entry->kept_bytes);
        *ret_account_bytes = entry->kept_bytes;
        return 0;
    }
    if (!entry || !entry->has_account)
        return UV_ENOENT;
    return read_file(spool, id, ACCOUNT_SUFFIX, ret_account, ret_account_bytes);
}

int spool_get_order(const struct spool *spool, const char *id, char **ret_order,
                    size_t *ret_order_bytes)
{
    const struct entry *entry = find_entry(spool, id);

    if (!entry || !entry->has_order)
        return UV_ENOENT;
    return read_file(spool, id, ORDER_SUFFIX, ret_order, ret_order_bytes);
}

void spool_drop(struct spool *spool, const char *id)
{
    struct entry *entry = find_entry(spool, id);
    char name[FILE_NAME_SIZE];

    if (!entry)
        return;
    if (entry->has_account
        && unlinkat(spool->folder_fd, file_name(id, ACCOUNT_SUFFIX, name), 0)
               < 0)
        log_warning("spool: cannot remove '%s': %s", name, strerror(errno));
    if (entry->has_order || entry->kept)
        (void) unlinkat(spool->folder_fd, file_name(id, ORDER_SUFFIX, name), 0);
    remove_entry(spool, entry);
}

void spool_each(const struct spool *spool, bool marks,
                void (*each)(void *owner, const char *id), void *owner)
{
    for (const struct entry *entry = spool->entries, *next; entry;
         entry = next) {
        const bool has_account = entry->has_account || entry->kept;

        next = entry->next;
        if (marks ? entry->has_order && !has_account : has_account)
            each(owner, entry->id);
    }
}
