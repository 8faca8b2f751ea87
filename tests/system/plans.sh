# SPDX-License-Identifier: GPL-3.0-or-later
# Short plans for the system tests: one hub, one station, one step of 60 kbit/s.

# short_plan SEQUENCE-LINES: a plan over the practice link's usual channel
short_plan() {
    cat <<YAML
plan: A short test
link:
  access: scheduled
  slot_overhead: 12 ms
  slot_limit: 150 ms
  frame: {payload: 240 B, overhead: 12 B}
steps:
  - {name: walk, symbol_rate: 80 kBd, levels: 2, code_rate: 3/4}
ends:
  quarry: {role: hub, call: Q0QRY, address: 10.61.0.10}
  jetty: {role: station, call: Q1JTY, address: 10.61.0.11}
controller_at: quarry
sequence:
$1
set_steps: by agent
practice: {queue: 8 kB}
YAML
}

# loopback_plan SEQUENCE-LINES FAR-PORT: both ends on this computer
loopback_plan() {
    cat <<YAML
plan: Two ends on one computer
on_air: no
link: {access: full-duplex}
steps:
  - {name: wire, usable_rate: 1 Gbit/s}
ends:
  near: {role: hub, call: Q0NEA, address: 127.0.0.2, port: ${3:-7907}}
  far: {role: station, call: Q1FAR, address: 127.0.0.3, port: $2}
controller_at: near
sequence:
$1
YAML
}
