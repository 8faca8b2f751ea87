# SPDX-License-Identifier: GPL-3.0-or-later
# What goes on beside the radio, between the computers of a rehearsal: a second
# way, foreign traffic.  Sourced after lib.sh; root only, for it enters the
# namespaces of the practice computers.  Plans as plans.sh makes them: quarry
# 10.61.0.10, jetty 10.61.0.11 become practice addresses, read from the plan that
# was run.

can_join_ends() {
    [ "$(id -u)" = 0 ] && command -v ip >/dev/null && command -v nsenter >/dev/null
}

# find_agents FOLDER: the agents of the rehearsal there, into $quarry and $jetty
# (process ids), their practice addresses into $quarry_ip and $jetty_ip.
find_agents() {
    local left=400 pid name
    until quarry=$(agent_of "$1" quarry) && jetty=$(agent_of "$1" jetty); do
        left=$((left - 1))
        [ $left -gt 0 ] || { echo "no agents of $1"; return 1; }
        sleep 0.05
    done
    quarry_ip=$(address_of "$1" quarry)
    jetty_ip=$(address_of "$1" jetty)
    echo "quarry $quarry $quarry_ip, jetty $jetty $jetty_ip"
}

agent_of() { # FOLDER END
    pgrep -o -f "bothends-agent --name $2 .*$1/practice-"
}

address_of() { # FOLDER END
    ip_in "$2" -4 -br addr show dev air0 | awk '{ sub("/.*", "", $3); print $3 }'
}

ip_in() { # END ARGUMENTS...
    local pid=${!1}
    shift
    nsenter -t "$pid" -n ip "$@"
}

# wait_for_order FOLDER NUMBER: the exchange of that place, or a later one if this
# computer was slow to look, was told to jetty.
wait_for_order() {
    local left=1200
    until ls "$1"/practice-1/ends/jetty/spool 2>/dev/null \
        | grep -q -- "-[$2-9]-[0-9]*\.\(order\|json\)$"; do
        left=$((left - 1))
        [ $left -gt 0 ] || { echo "exchange $2 did not come"; return 1; }
        sleep 0.05
    done
}

# join_ends END...: a pair of interfaces fast0 between both; those ends have routes
# that prefer it.
join_ends() {
    ip link add fast0 netns "$quarry" type veth peer name fast0 netns "$jetty" \
        || return 1
    local end other
    ip_in quarry link set fast0 up && ip_in jetty link set fast0 up || return 1
    for end in "$@"; do
        other=$([ $end = quarry ] && echo "$jetty_ip" || echo "$quarry_ip")
        ip_in $end route add "$other/32" dev fast0 || return 1
    done
}
