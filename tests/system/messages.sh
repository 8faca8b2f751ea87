# SPDX-License-Identifier: GPL-3.0-or-later
# Messages of the logbook beside the ledger's TCP segments.  Sourced after
# ledger.sh; hold_messages comes after hold_together and adds to $check.
#
# A frame's place in the stream follows from the logbook: at each end messages
# (at the time they were given to TCP) and confirmations (at the time of reading
# what they confirm) follow one another behind the head of the HTTP upgrade.  The
# ledger then says when the segment with its last byte was delivered; what lies
# behind a gap reaches the application when the gap is filled.
slot_ns=150000000 # slot_limit of plans.sh

hold_messages() { # REHEARSAL-FOLDER
    sqlite3 "$check" <<SQL
ATTACH '$1/logbook.db' AS logbook;
CREATE TABLE caller ("end", call_bytes);
INSERT INTO caller VALUES ('quarry', length('Q0QRY')), ('jetty', length('Q1JTY'));
CREATE TABLE talker AS SELECT a.*, o.local_port, o.peer_port,
    o.opened_ns - a.offset_ns AS opened_ns, o.stream_bytes_out, o.sent_count,
    o.confirmed_count, o.unconfirmed_count, o.late_count, o.unsent_count,
    o.duplicates_count, o.received_count, o.out_of_order_count, c.call_bytes
    FROM account a JOIN logbook.messages_outcome o USING (account)
    JOIN caller c USING ("end");
CREATE TABLE sent AS SELECT t.id, t."end", t.call_bytes, s."row", s.sequence,
    s.state, s.size_bytes, s.handed_ns - t.offset_ns AS handed_ns,
    s.confirmed_ns - t.offset_ns AS confirmed_ns
    FROM talker t JOIN logbook.messages_sent s USING (account);
CREATE TABLE received AS SELECT t.id, t."end", t.call_bytes, r."row", r.sequence,
    r.size_bytes, r.received_ns - t.offset_ns AS received_ns, r.is_in_order
    FROM talker t JOIN logbook.messages_received r USING (account);
-- The segments of each direction, by place in the stream; the first is the head.
CREATE TABLE segment AS SELECT id, "end", ((sequence - isn - 1) & 0xffffffff) AS first_byte,
    payload_bytes, enqueued_ns, handed_ns, fate FROM (SELECT t.id, t."end", p.*,
        (SELECT s.sequence FROM packet s WHERE s.protocol = 6 AND s."from" = t."end"
         AND s.source_port = t.local_port AND s.destination_port = t.peer_port
         AND s.flags & 2 AND s.enqueued_ns BETWEEN t.begun_ns - 5000000000 AND t.ended_ns) AS isn
    FROM talker t JOIN packet p ON p.protocol = 6 AND p."from" = t."end"
    AND p.source_port = t.local_port AND p.destination_port = t.peer_port
    AND p.payload_bytes > 0 AND NOT p.flags & 2
    AND p.enqueued_ns BETWEEN t.begun_ns - 1000000000 AND t.ended_ns + 5000000000);
CREATE INDEX segment_place ON segment (id, "end", first_byte);
CREATE TABLE head AS SELECT id, "end", payload_bytes AS head_bytes FROM segment
    WHERE first_byte = 0 GROUP BY id, "end" HAVING enqueued_ns = MIN(enqueued_ns);
CREATE TABLE frame AS SELECT f.*, h.head_bytes + SUM(bytes) OVER
        (PARTITION BY f.id, f."end" ORDER BY at_ns, word DESC, number) AS end_byte
    FROM (SELECT id, "end", 'message' AS word, sequence AS number, handed_ns AS at_ns,
            length('message ' || sequence || ' ' || size_bytes || ' ') + call_bytes + 1
            + size_bytes AS bytes FROM sent WHERE state <> 'unsent'
        UNION ALL SELECT id, "end", 'confirm', sequence, received_ns,
            length('confirm ' || sequence || ' 0 ') + call_bytes + 1 FROM received) f
    JOIN head h USING (id, "end");
CREATE TABLE carried AS SELECT f.id, f."end", f.word, f.number, f.end_byte, f.at_ns,
    (SELECT MIN(s.enqueued_ns) FROM segment s WHERE s.id = f.id AND s."end" = f."end"
        AND s.first_byte < f.end_byte AND s.first_byte + s.payload_bytes >= f.end_byte) AS enqueued_ns,
    MAX((SELECT MIN(s.handed_ns) FROM segment s WHERE s.id = f.id AND s."end" = f."end"
        AND s.first_byte < f.end_byte AND s.first_byte + s.payload_bytes >= f.end_byte
        AND s.fate = 'delivered')) OVER (PARTITION BY f.id, f."end" ORDER BY f.end_byte) AS handed_ns
    FROM frame f;
-- Each message with what the ledger has of it and of its confirmation.
CREATE TABLE told AS SELECT s.id, s."end", s.sequence, s.state, s.handed_ns, r.received_ns,
    s.confirmed_ns, m.enqueued_ns AS left_ns, m.handed_ns AS came_ns, c.handed_ns AS back_ns
    FROM sent s
    LEFT JOIN received r ON r.id = s.id AND r."end" <> s."end" AND r.sequence = s.sequence
    LEFT JOIN carried m ON m.id = s.id AND m."end" = s."end" AND m.word = 'message'
        AND m.number = s.sequence
    LEFT JOIN carried c ON c.id = s.id AND c."end" <> s."end" AND c.word = 'confirm'
        AND c.number = s.sequence;
SQL
}

# What holds of messages whatever runs beside them.
promise_messages() {
    promise "all frames of each direction are in the ledger, byte for byte" none \
        "SELECT t.id, t.\"end\", h.head_bytes + t.stream_bytes_out, MAX(s.first_byte + s.payload_bytes)
        FROM talker t LEFT JOIN head h USING (id, \"end\") LEFT JOIN segment s USING (id, \"end\")
        WHERE s.fate = 'delivered' GROUP BY t.id, t.\"end\"
        HAVING MAX(s.first_byte + s.payload_bytes) IS NOT h.head_bytes + t.stream_bytes_out"
    promise "every message that was sent was read at the other end, in order, once" none \
        "SELECT s.id, s.\"end\", s.sequence, COUNT(r.sequence), MAX(r.\"row\") FROM sent s
        LEFT JOIN received r ON r.id = s.id AND r.\"end\" <> s.\"end\"
            AND r.sequence = s.sequence AND r.size_bytes = s.size_bytes AND r.is_in_order
            AND r.\"row\" = s.\"row\"
        GROUP BY s.id, s.\"end\", s.sequence HAVING COUNT(r.sequence) <> 1"
    promise "counts are those of the samples, and of the other end" none \
        "SELECT t.id, t.\"end\" FROM talker t JOIN talker o ON o.id = t.id AND o.\"end\" <> t.\"end\"
        WHERE t.sent_count <> (SELECT COUNT(*) FROM sent s WHERE s.id = t.id AND s.\"end\" = t.\"end\")
            OR t.sent_count <> o.received_count OR t.confirmed_count <> t.sent_count
            OR t.unconfirmed_count + t.late_count + t.unsent_count + t.duplicates_count
                + t.out_of_order_count <> 0"
    promise "every message was read within a slot of the ledger's delivery" none \
        "SELECT id, \"end\", sequence, received_ns - came_ns FROM told
        WHERE came_ns IS NULL OR received_ns IS NULL
            OR received_ns - came_ns NOT BETWEEN -1000000 AND $slot_ns"
    promise "every confirmation was read within a slot of the ledger's delivery" none \
        "SELECT id, \"end\", sequence, confirmed_ns - back_ns FROM told
        WHERE back_ns IS NULL OR state <> 'confirmed'
            OR confirmed_ns - back_ns NOT BETWEEN -1000000 AND $slot_ns"
    promise "no message left before it was given to TCP" none \
        "SELECT id, \"end\", sequence, left_ns - handed_ns FROM told
        WHERE left_ns IS NULL OR left_ns < handed_ns"
    promise "there were messages to compare" some "SELECT COUNT(*) FROM told"
}
