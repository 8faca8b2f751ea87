/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef AGENT_TABLE_H
#define AGENT_TABLE_H

/* The parts that the kinds' files offer; table.c alone gathers them. */
struct exchange_part;

extern const struct exchange_part ping_prober, ping_answerer;
extern const struct exchange_part download_sender, download_receiver;
extern const struct exchange_part messages_first, messages_second;
extern const struct exchange_part timing_sender, timing_reflector;

#endif
