/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "agent/self.h"

#include <uv.h>

/* Where the system's own ways are not known yet: interfaces as libuv tells
 * them, and nothing that can't be known. */

bool self_can_stamp(int socket)
{
    (void) socket;
    return false;
}

void self_add_system(json_t *self)
{
    uv_interface_address_t *addresses = NULL;
    json_t *interfaces = json_array();
    int count = 0;

    if (uv_interface_addresses(&addresses, &count) == 0) {
        for (int i = 0; i < count; i++) {
            char text[64] = "";

            (void) uv_ip_name((const struct sockaddr *) &addresses[i].address,
                              text, sizeof(text));
            (void) json_array_append_new(
                interfaces, json_pack("{s:s, s:[s]}", "name", addresses[i].name,
                                      "addresses", text));
        }
        uv_free_interface_addresses(addresses, count);
    }
    (void) json_object_set_new(self, "interfaces", interfaces);
}

void self_icmp_advice(char *room, size_t room_bytes)
{
    (void) snprintf(room, room_bytes,
                    "start the agent with the rights of an administrator");
}

int self_end_with_parent(void)
{
    return UV_ENOSYS;
}
