/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_NETLINK_H
#define REHEARSAL_NETLINK_H

#include <bothends/fault.h>
#include <stdbool.h>
#include <stdint.h>

/*
 * The few rtnetlink requests that the practice world needs (Linux).  Each
 * concerns the network namespace that the calling thread is in.
 */

/* A veth pair: `name` here, `peer` in the namespace of peer_namespace, both
 * with the hardware address and MTU. */
int netlink_make_veth(const char *name, const char *peer, int peer_namespace,
                      const unsigned char hardware_address[6],
                      uint64_t mtu_bytes, struct fault *fault);

/* Up; without address resolution where is_noarp. */
int netlink_set_up(const char *name, bool is_noarp, struct fault *fault);

/* address in text, IPv4 or IPv6; at once usable (no duplicate detection). */
int netlink_add_address(const char *name, const char *address,
                        unsigned prefix_bits, struct fault *fault);

#endif
