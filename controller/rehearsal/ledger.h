/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REHEARSAL_LEDGER_H
#define REHEARSAL_LEDGER_H

#include "controller/rehearsal/air.h"
#include "controller/rehearsal/packet.h"

#include <bothends/fault.h>

/*
 * The ledger: what really happened on the practice link, in a folder of its
 * own.  Tab-separated text with a heading, and two small JSON files.  Times
 * are the practice link's CLOCK_MONOTONIC, in ns; clocks.json says what each
 * end's own clock adds to it.
 *
 * packets.tsv, a line a packet in the order in which they were settled:
 *   from, to            names of the ends; to is "-" where no end has that
 *                       address
 *   ip_version, protocol, source, source_port, destination, destination_port
 *   ip_bytes            length with all headers: what the radio carries
 *   tcp_sequence, tcp_acknowledgement   raw 32 bits
 *   tcp_flags           low 8 bits: 1 FIN, 2 SYN, 4 RST, 8 PSH, 16 ACK
 *   payload_bytes       after the TCP, UDP or ICMP header
 *   icmp_type, icmp_id, icmp_sequence
 *   enqueued_ns         taken from the end's computer
 *   first_bit_ns        its first frame began; 0: never
 *   over_ns             delivered, dropped or given up: scheduled time
 *   handed_ns           really handed to the receiving computer; 0: never
 *   fate                delivered, corrupted (delivered with a wrong bit),
 *                       queue_full, step_differs, lost, outage, collision,
 *                       away (its station was not registered), unfinished,
 *                       not_forwarded (no end has that address, or not IP)
 *   mark                identification, or "-"
 *   exchange            the id that an identification names, or "-"
 *   copies_count        2: it was delivered twice
 *   repeats_count       how many frames with a part of it were repeated
 *
 * transmissions.tsv, a line a transmission or a run of idle turns:
 *   what                sent, idle, or other: another user of the channel
 *   end                 who sent; who had the first of the idle turns ("-": a
 *                       registered station that is not in the plan)
 *   step                name of the sender's step, or "-"
 *   scheduled_ns, actual_ns, ended_ns   the turn began (the slot overhead comes
 *                       first); when the practice link really got to it; end
 *   turns_count         1, or how many turns passed idle
 *   frames_count, ip_bytes, queue_bytes_before
 *   repeats_count, collided_count   of these frames
 *
 * events.tsv, a line when something that comes and goes begins or ends:
 *   at_ns
 *   number              of the event: those of the plan from 1 on
 *   what                begins, ends (a clock step is over at once)
 *   event               in words: "loss from=skerry chance=10%"
 *
 * totals.json: when the air began, sums of these lines by direction and by
 * end, how late the edges were, and whether that makes the run untrustworthy.
 */
struct ledger;

enum ledger_fate_more {
    FATE_NOT_FORWARDED = FATE_UNFINISHED + 1,
    FATE_COUNT
};

extern const char *const ledger_fates[FATE_COUNT];

struct ledger_names {
    const char *ends[PLAN_ENDS_MAX]; /* borrowed while the ledger is open */
    const char *steps[PLAN_STEPS_MAX];
    size_t end_count, step_count;
};

/* Makes folder (its parent must be there) and the files; air gives the slot
 * by which lateness is judged. */
int ledger_open(const char *folder, const struct ledger_names *names,
                const struct air_config *air, struct ledger **ret_ledger,
                struct fault *fault);

/* The air begins at that time. */
void ledger_began(struct ledger *ledger, uint64_t began_ns);
/* packet may be NULL: not IP.  to >= end_count: no end.  fate: an air_fate or
 * FATE_NOT_FORWARDED. */
void ledger_packet(struct ledger *ledger, const struct packet *packet,
                   const struct air_packet *air_packet, int fate,
                   uint64_t handed_ns);
void ledger_transmission(struct ledger *ledger,
                         const struct air_transmission *sent);
void ledger_idle(struct ledger *ledger, const struct air_idle *idle);
void ledger_other(struct ledger *ledger, const struct air_other *other);
void ledger_event(struct ledger *ledger, uint64_t at_ns, unsigned number,
                  bool is_beginning, const struct plan_event *event);
/* An edge was due and was reached so much later. */
void ledger_lateness(struct ledger *ledger, uint64_t late_ns);
/* Packets that the practice link itself failed to take or to hand over. */
void ledger_own_loss(struct ledger *ledger, uint64_t packets_count);
/* Write out what is buffered, if a second has passed since the last time. */
void ledger_tick(struct ledger *ledger, uint64_t now_ns);

/* Writes totals.json and frees.  A failed write anywhere since the opening is
 * reported here. */
int ledger_close(struct ledger *ledger, struct fault *fault);

/* What totals.json says of the practice link itself. */
struct ledger_verdict {
    bool is_trustworthy;
    uint64_t lateness_p99_ns, lateness_limit_ns, own_loss_count;
};

int ledger_read_verdict(const char *folder, struct ledger_verdict *ret_verdict,
                        struct fault *fault);

#endif
