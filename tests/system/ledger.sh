# SPDX-License-Identifier: GPL-3.0-or-later
# Logbook and ledger of a rehearsal side by side, in one SQLite file.  Sourced
# after lib.sh.  Times of the views are the practice link's own clock.

check=$folder/check.db

# hold_together REHEARSAL-FOLDER NUMBER: makes $folder/check.db
hold_together() {
    local logbook=$1/logbook.db ledger=$1/practice-$2/ledger
    rm -f "$check"
    sqlite3 "$check" \
        ".mode tabs" \
        ".import '$ledger/packets.tsv' packet_lines" \
        ".import '$ledger/transmissions.tsv' transmission_lines" || return 1
    sqlite3 "$check" <<SQL || return 1
CREATE TABLE clock AS SELECT key AS "end", value AS offset_ns
    FROM json_each(readfile('$ledger/clocks.json'), '\$.ends');
CREATE TABLE packet AS SELECT "from", "to", "source", "destination",
    CAST(protocol AS INTEGER) AS protocol,
    CAST(source_port AS INTEGER) AS source_port,
    CAST(destination_port AS INTEGER) AS destination_port,
    CAST(ip_bytes AS INTEGER) AS ip_bytes,
    CAST(tcp_sequence AS INTEGER) AS sequence,
    CAST(tcp_flags AS INTEGER) AS flags,
    CAST(payload_bytes AS INTEGER) AS payload_bytes,
    CAST(icmp_type AS INTEGER) AS icmp_type,
    CAST(icmp_id AS INTEGER) AS icmp_id,
    CAST(icmp_sequence AS INTEGER) AS icmp_sequence,
    CAST(enqueued_ns AS INTEGER) AS enqueued_ns,
    CAST(over_ns AS INTEGER) AS over_ns,
    CAST(handed_ns AS INTEGER) AS handed_ns,
    CAST(repeats_count AS INTEGER) AS repeats_count,
    CAST(copies_count AS INTEGER) AS copies_count, fate, mark, exchange
    FROM packet_lines;
CREATE INDEX packet_time ON packet (enqueued_ns);
ATTACH '$logbook' AS logbook;
-- Each end's account, on the practice link's clock.
CREATE TABLE account AS SELECT a.account, x.id, x.kind, x.plan_index,
    g.position, g.step, x.from_name, x.to_name, a."end", a.part, a.state,
    a.start_ns - c.offset_ns AS start_ns,
    a.begun_ns - c.offset_ns AS begun_ns,
    a.ended_ns - c.offset_ns AS ended_ns, a.identification_count, c.offset_ns,
    a.start_uncertainty_ns
    FROM logbook.accounts a JOIN logbook.exchanges x USING (exchange)
    JOIN logbook.groups g USING (group_id) JOIN clock c ON c."end" = a."end";
CREATE TABLE connection AS SELECT a.*, d.connection, d.local_port, d.peer_port,
    d.content_bytes, d.framing_bytes, d.request_ns - a.offset_ns AS request_ns,
    d.last_byte_ns - a.offset_ns AS last_byte_ns
    FROM account a JOIN logbook.download_connections d USING (account)
    WHERE a.part = 'receiver';
CREATE TABLE arrival AS SELECT a.id, d.at_ns - a.offset_ns AS at_ns, d.bytes
    FROM account a JOIN logbook.download_arrivals d USING (account);
CREATE TABLE outcome AS SELECT a.*, d.content_bytes, d.tail_bytes,
    d.fed_until_ns - a.offset_ns AS fed_until_ns, d.most_unsent_bytes
    FROM account a JOIN logbook.download_outcome d USING (account);
CREATE TABLE probe AS SELECT a.id, a.from_name, a.to_name, p.sequence, p.state,
    p.sent_ns - a.offset_ns AS sent_ns, p.rtt_ns, p.duplicates_count
    FROM account a JOIN logbook.ping_probes p USING (account);
CREATE TABLE reading AS SELECT x.id, r."end", r.moment, r.name, r.text, r.value
    FROM logbook.readings r JOIN logbook.exchanges x USING (exchange);
-- The packets of each download's data direction.
CREATE TABLE data_packet AS SELECT c.id, c.connection, p.* FROM connection c
    JOIN packet p ON p.protocol = 6 AND p."to" = c.to_name
    AND p.destination_port = c.local_port AND p.source_port = c.peer_port
    AND p.enqueued_ns BETWEEN c.begun_ns - 1000000000 AND c.ended_ns + 1000000000;
-- Control traffic: TCP that is no data connection's, nor one of messages.
CREATE TABLE control AS SELECT p.* FROM packet p WHERE p.protocol = 6
    AND NOT EXISTS (SELECT 1 FROM connection c WHERE
        (p.source_port = c.local_port AND p.destination_port = c.peer_port
        OR p.destination_port = c.local_port AND p.source_port = c.peer_port)
        AND p.enqueued_ns BETWEEN c.begun_ns - 5000000000
            AND c.ended_ns + 5000000000)
    AND NOT EXISTS (SELECT 1 FROM account a
        JOIN logbook.messages_outcome m USING (account) WHERE
        (p.source_port = m.local_port AND p.destination_port = m.peer_port
        OR p.destination_port = m.local_port AND p.source_port = m.peer_port)
        AND p.enqueued_ns BETWEEN a.begun_ns - 5000000000
            AND a.ended_ns + 5000000000);
-- A download's stream as the ledger has it.
CREATE TABLE stream AS SELECT id, connection,
    MAX(((sequence - isn) & 0xffffffff) + payload_bytes) - 1 AS bytes,
    MAX(CASE WHEN payload_bytes > 0 THEN handed_ns END) AS last_ns
    FROM (SELECT d.*, (SELECT s.sequence FROM data_packet s WHERE s.id = d.id
        AND s.connection = d.connection AND s.flags & 2) AS isn
        FROM data_packet d WHERE fate = 'delivered' AND NOT flags & 2
        AND payload_bytes > 0)
    GROUP BY id, connection;
SQL
}

ask() { sqlite3 -separator ' ' "$check" "$1"; }

# none QUERY: the rows of the query are exceptions; there must be none.
none() {
    local rows
    rows=$(ask "$1") || return 1
    [ -z "$rows" ] || { echo "exceptions:"; echo "$rows" | head -20; return 1; }
}

# some QUERY: the query gives a count, which must not be 0; it is printed.
some() {
    local count
    count=$(ask "$1") || return 1
    [ "${count:-0}" -gt 0 ] || { echo "found none"; return 1; }
    echo "$count"
}
