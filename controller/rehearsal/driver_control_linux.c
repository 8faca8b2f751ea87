/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/driver_control.h"

#include "controller/rehearsal/driver.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <sys/un.h>
#include <unistd.h>

#define SOCKET_NAME    "air.socket"
#define ANSWER_LIMIT_S 10

/* The socket's address by way of the folder's descriptor, which is short. */
static struct sockaddr_un address_in(int folder)
{
    struct sockaddr_un address = { .sun_family = AF_UNIX };

    (void) snprintf(address.sun_path, sizeof(address.sun_path),
                    "/proc/self/fd/%d/" SOCKET_NAME, folder);
    return address;
}

static int open_socket(const char *folder, int flags, int *ret_folder,
                       int *ret_socket, struct fault *fault)
{
    const int directory = open(folder, O_PATH | O_DIRECTORY | O_CLOEXEC);

    if (directory < 0)
        return fault_set(fault, -errno, "cannot open the folder '%s': %s",
                         folder, strerror(errno));
    const int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC | flags, 0);

    if (fd < 0) {
        const int status = -errno;

        (void) close(directory);
        return fault_set(fault, status, "socket: %s", strerror(-status));
    }
    *ret_folder = directory;
    *ret_socket = fd;
    return 0;
}

int driver_control_listen(const char *folder, int *ret_socket,
                          struct fault *fault)
{
    int directory = -1, fd = -1;
    int status = open_socket(folder, SOCK_NONBLOCK, &directory, &fd, fault);

    if (status)
        return status;
    const struct sockaddr_un address = address_in(directory);

    if (bind(fd, (const struct sockaddr *) &address, sizeof(address)) != 0
        || listen(fd, 8) != 0)
        status = fault_set(fault, -errno, "cannot listen in '%s': %s", folder,
                           strerror(errno));
    (void) close(directory);
    if (status)
        (void) close(fd);
    else
        *ret_socket = fd;
    return status;
}

void driver_control_remove(const char *folder)
{
    const int directory = open(folder, O_PATH | O_DIRECTORY | O_CLOEXEC);

    if (directory < 0)
        return;
    (void) unlinkat(directory, SOCKET_NAME, 0);
    (void) close(directory);
}

/* Send the message, and take an answer other than "ok" as the fault. */
static int ask(int fd, const char *message, char answer[CONTROL_ANSWER_SIZE],
               struct fault *fault)
{
    const struct timeval limit = { .tv_sec = ANSWER_LIMIT_S };
    ssize_t length = 0;

    if (setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof(limit)) == 0
        && send(fd, message, strlen(message), MSG_NOSIGNAL) >= 0)
        length = recv(fd, answer, CONTROL_ANSWER_SIZE - 1, 0);
    if (length <= 0)
        return fault_set(fault, -EIO,
                         "the practice link did not answer: is the rehearsal "
                         "still running?");
    answer[length] = '\0';
    if (strcmp(answer, "ok") != 0 && strncmp(answer, "ok\n", 3) != 0)
        return fault_set(fault, -EINVAL, "%s", answer);
    return 0;
}

static int ask_in(const char *folder, const char *message,
                  char answer[CONTROL_ANSWER_SIZE], struct fault *fault)
{
    int directory = -1, fd = -1;
    int status = open_socket(folder, 0, &directory, &fd, fault);

    if (status)
        return status;
    const struct sockaddr_un address = address_in(directory);

    if (connect(fd, (const struct sockaddr *) &address, sizeof(address)) != 0)
        status = fault_set(fault, -errno, "no rehearsal is running in '%s': %s",
                           folder, strerror(errno));
    else
        status = ask(fd, message, answer, fault);
    (void) close(directory);
    (void) close(fd);
    return status;
}

/* Two words of a message. */
static int tell_in(const char *folder, const char *what, const char *rest,
                   char answer[CONTROL_ANSWER_SIZE], struct fault *fault)
{
    char message[CONTROL_MESSAGE_SIZE];

    if (snprintf(message, sizeof(message), "%s\t%s", what, rest)
        >= (int) sizeof(message))
        return fault_set(fault, -E2BIG,
                         "found too long a name of end or step, "
                         "or too many words");
    return ask_in(folder, message, answer, fault);
}

int driver_set_step(const char *folder, const char *end, const char *step,
                    struct fault *fault)
{
    char answer[CONTROL_ANSWER_SIZE];

    return tell_in(folder, end, step, answer, fault);
}

/* What follows "ok" and its line end, if anything does. */
static void take_rest(const char *answer, char *ret_text, size_t size)
{
    const char *rest = strchr(answer, '\n');

    (void) snprintf(ret_text, size, "%s", rest ? rest + 1 : "");
}

int driver_read(const char *folder, const char *end,
                char ret_text[DRIVER_READINGS_SIZE], struct fault *fault)
{
    char answer[CONTROL_ANSWER_SIZE];

    if (strlen(end) >= CONTROL_MESSAGE_SIZE)
        return fault_set(fault, -E2BIG, "found too long a name of an end");
    const int status = ask_in(folder, end, answer, fault);

    if (!status)
        take_rest(answer, ret_text, DRIVER_READINGS_SIZE);
    return status;
}

int driver_begin(const char *folder, const char *words, unsigned *ret_number,
                 struct fault *fault)
{
    char answer[CONTROL_ANSWER_SIZE], number[24];
    const int status = tell_in(folder, CONTROL_BEGIN, words, answer, fault);

    if (status)
        return status;
    take_rest(answer, number, sizeof(number));
    *ret_number = (unsigned) strtoul(number, NULL, 10);
    return 0;
}

int driver_end(const char *folder, unsigned number, struct fault *fault)
{
    char answer[CONTROL_ANSWER_SIZE], text[24];

    (void) snprintf(text, sizeof(text), "%u", number);
    return tell_in(folder, CONTROL_END, text, answer, fault);
}

int driver_events(const char *folder, char ret_text[DRIVER_EVENTS_SIZE],
                  struct fault *fault)
{
    char answer[CONTROL_ANSWER_SIZE];
    const int status = ask_in(folder, CONTROL_EVENTS, answer, fault);

    if (!status)
        take_rest(answer, ret_text, DRIVER_EVENTS_SIZE);
    return status;
}
