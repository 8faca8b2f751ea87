/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/wire/key.h"

#include <errno.h>
#include <fcntl.h>
#include <sodium.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <uv.h>

#define HEX_DIGITS ((size_t) 2 * WIRE_KEY_BYTES)

static void name_key(struct wire_key *key)
{
    unsigned char hash[crypto_hash_sha256_BYTES];

    (void) crypto_hash_sha256(hash, key->bytes, sizeof(key->bytes));
    (void) sodium_bin2hex(key->id, sizeof(key->id), hash, 4);
}

static int check_permissions(int file, const char *path, struct fault *fault)
{
    struct stat status;

    if (fstat(file, &status) < 0)
        return fault_set(fault, -errno, "cannot read key file '%s': %s", path,
                         strerror(errno));
    if (!S_ISREG(status.st_mode))
        return fault_set(fault, UV_EINVAL, "key file '%s' is no ordinary file",
                         path);
    if (status.st_mode & (S_IRWXG | S_IRWXO))
        return fault_set(fault, UV_EACCES,
                         "key file '%s': found mode %04o, expected one that "
                         "only its owner can read: chmod 600 %s",
                         path, (unsigned) (status.st_mode & 07777), path);
    return 0;
}

static int parse_key(const char *text, const char *path, struct wire_key *key,
                     struct fault *fault)
{
    const size_t digits = strspn(text, "0123456789abcdefABCDEF");
    size_t length = 0;

    if (digits != HEX_DIGITS
        || strspn(text + digits, "\r\n") != strlen(text + digits)
        || sodium_hex2bin(key->bytes, sizeof(key->bytes), text, digits, NULL,
                          &length, NULL)
               != 0
        || length != WIRE_KEY_BYTES)
        return fault_set(
            fault, UV_EINVAL,
            "key file '%s': found no key, expected %zu hexadecimal "
            "digits as bothends-agent --new-key writes them",
            path, HEX_DIGITS);
    return 0;
}

int wire_key_read(const char *path, struct wire_key *ret_key,
                  struct fault *fault)
{
    struct wire_key key = { .id = "" };
    char text[HEX_DIGITS + 8] = "";
    const int file = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);

    if (file < 0)
        return fault_set(fault, -errno, "cannot open key file '%s': %s", path,
                         strerror(errno));
    int code = check_permissions(file, path, fault);
    if (!code) {
        const ssize_t length = read(file, text, sizeof(text) - 1);

        if (length < 0)
            code = fault_set(fault, -errno, "cannot read key file '%s': %s",
                             path, strerror(errno));
        else
            code = parse_key(text, path, &key, fault);
    }
    (void) close(file); /* only read */
    if (!code) {
        name_key(&key);
        *ret_key = key;
    }
    sodium_memzero(text, sizeof(text));
    wire_key_clear(&key);
    return code;
}

void wire_key_random(struct wire_key *ret_key)
{
    randombytes_buf(ret_key->bytes, sizeof(ret_key->bytes));
    name_key(ret_key);
}

int wire_key_write(const char *path, const struct wire_key *key,
                   struct fault *fault)
{
    char text[HEX_DIGITS + 2];
    const int file = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600);

    if (file < 0 && errno == EEXIST)
        return fault_set(fault, UV_EEXIST,
                         "key file '%s' is there already and stays as it is",
                         path);
    if (file < 0)
        return fault_set(fault, -errno, "cannot make key file '%s': %s", path,
                         strerror(errno));
    (void) sodium_bin2hex(text, HEX_DIGITS + 1, key->bytes, sizeof(key->bytes));
    text[HEX_DIGITS] = '\n';
    const bool is_written =
        write(file, text, HEX_DIGITS + 1) == (ssize_t) HEX_DIGITS + 1
        && fsync(file) == 0;
    const int reason = errno;

    sodium_memzero(text, sizeof(text));
    if (close(file) == 0 && is_written)
        return 0;
    (void) unlink(path); /* half a key helps nobody */
    return fault_set(fault, UV_EIO, "cannot write key file '%s': %s", path,
                     strerror(reason));
}

int wire_key_create(const char *path, struct fault *fault)
{
    struct wire_key key;

    wire_key_random(&key);
    const int code = wire_key_write(path, &key, fault);
    wire_key_clear(&key);
    return code;
}

void wire_key_clear(struct wire_key *key)
{
    sodium_memzero(key, sizeof(*key));
}
