/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/driver_panel.h"

#include "controller/rehearsal/driver_control.h"

#include <bothends/units.h>
#include <stdbool.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

/* Who has said nothing for so long is cut off. */
#define CLIENT_LIMIT_NS (2 * NS_PER_S)

static struct pollfd *client_of(const struct panel *panel, size_t index)
{
    return &panel->polls[1 + index];
}

int panel_open(struct panel *panel, const char *folder, struct fault *fault)
{
    for (size_t i = 0; i < PANEL_POLLS; i++)
        panel->polls[i] = (struct pollfd){ .fd = -1, .events = POLLIN };
    return driver_control_listen(folder, &panel->polls[0].fd, fault);
}

static void end_client(struct pollfd *client)
{
    (void) close(client->fd);
    client->fd = -1;
}

void panel_close(struct panel *panel, const char *folder)
{
    if (panel->polls[0].fd >= 0)
        driver_control_remove(folder);
    for (size_t i = 0; i < PANEL_POLLS; i++) {
        if (panel->polls[i].fd >= 0)
            end_client(&panel->polls[i]);
    }
}

static void serve_client(struct panel *panel, struct pollfd *client)
{
    char message[CONTROL_MESSAGE_SIZE], answer[CONTROL_ANSWER_SIZE];
    const ssize_t length = recv(client->fd, message, sizeof(message) - 1, 0);

    if (length > 0) {
        message[length] = '\0';
        panel->on_message(panel->owner, message, answer, sizeof(answer));
        (void) send(client->fd, answer, strlen(answer), MSG_NOSIGNAL);
    }
    end_client(client);
}

static void serve_clients(struct panel *panel, uint64_t woken_ns)
{
    for (size_t i = 0; i < PANEL_CLIENTS_MAX; i++) {
        struct pollfd *client = client_of(panel, i);

        if (client->fd < 0)
            continue;
        if (client->revents)
            serve_client(panel, client);
        else if (woken_ns - panel->since_ns[i] > CLIENT_LIMIT_NS)
            end_client(client);
    }
}

/* With nowhere to put one, the listening socket is not looked at: else it would
 * keep the air, which comes before all other programs, from ever sleeping. */
static void accept_clients(struct panel *panel, uint64_t woken_ns)
{
    struct pollfd *listener = &panel->polls[0];
    bool has_room = false;

    for (size_t i = 0; i < PANEL_CLIENTS_MAX; i++) {
        struct pollfd *client = client_of(panel, i);

        if (client->fd < 0 && listener->revents) {
            client->fd =
                accept4(listener->fd, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
            client->revents = 0;
            panel->since_ns[i] = woken_ns;
            if (client->fd < 0)
                listener->revents = 0; /* all taken */
        }
        has_room = has_room || client->fd < 0;
    }
    listener->events = has_room ? POLLIN : 0;
}

void panel_serve(struct panel *panel, uint64_t woken_ns)
{
    serve_clients(panel, woken_ns);
    accept_clients(panel, woken_ns);
}
