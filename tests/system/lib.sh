# SPDX-License-Identifier: GPL-3.0-or-later
# What the system tests share.  A test sources this file, states promises with
# `promise`, and ends with `conclude`.  Exit 77: cannot be run here, and why.
# BUILD is the build folder; KEEP=1 keeps the temporary folder.
set -u
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
: "${BUILD:?BUILD must name the build folder}"
BUILD=$(cd "$BUILD" && pwd)
bothends=$BUILD/bothends
agent=$BUILD/bothends-agent
folder=$(mktemp -d "${TMPDIR:-/tmp}/bothends-test.XXXXXX")
passed=0 failed=0
# Keys, logbooks and spools of this test only, whoever runs it.
export XDG_CONFIG_HOME=$folder/config XDG_DATA_HOME=$folder/data XDG_STATE_HOME=$folder/state

# Processes of this test that are still there: they work in its folder, or were
# told a path in it.
left_over() {
    local process
    for process in /proc/[0-9]*; do
        case ${process#/proc/} in "$$" | "$BASHPID") continue ;; esac
        case $(readlink "$process/cwd") in "$folder" | "$folder"/*) ;; *)
            grep -qzsF -- "$folder/" "$process/cmdline" || continue ;;
        esac
        echo "${process#/proc/}"
    done 2>/dev/null
}

# Where a practice link says by itself that it could not keep time, what failed
# may have failed for that: the test is done once more, both are shown.  A test
# that makes its link stand still sets stands_still.
is_worth_another_try() { # STATUS
    [ "$1" != 0 ] && [ "$1" != 77 ] && [ -z "${SECOND_TRY:-}${stands_still:-}" ] &&
        grep -rqs --include=totals.json '"trustworthy": false' "$folder"
}

send_all() { # SIGNAL PROCESSES
    [ -z "$2" ] || kill -s "$1" $2 2>/dev/null
}

# Told to end, they may need a moment: a rehearsal closes its ledger.
clean_up() {
    local status=$? left=100
    send_all TERM "$(jobs -p)"
    send_all CONT "$(left_over)"
    while [ "$(jobs -pr)" ] && [ $left -gt 0 ]; do
        left=$((left - 1))
        sleep 0.05
    done
    send_all KILL "$(left_over)"
    if is_worth_another_try $status; then
        echo "note: this computer could not keep time, says a practice link itself; once more:"
        rm -rf "$folder"
        SECOND_TRY=yes exec "$0"
    fi
    [ "${KEEP:-}" ] || rm -rf "$folder"
    exit $status
}
trap clean_up EXIT

# The test, from its begin, in a network of its own where that is allowed: no
# port of it is anybody else's.
in_own_network() {
    if [ -z "${IN_OWN_NETWORK:-}" ] && is_root && unshare -n true 2>/dev/null; then
        rmdir "$folder"
        IN_OWN_NETWORK=yes exec unshare -n "$0"
    fi
    [ -z "${IN_OWN_NETWORK:-}" ] || ip link set lo up
}

skip() {
    echo "skipped: $*"
    exit 77
}

# promise TEXT COMMAND...: TEXT holds if COMMAND succeeds; what it prints is
# shown when it does not.
promise() {
    local text=$1 output
    shift
    if output=$("$@" 2>&1); then
        passed=$((passed + 1))
        echo "holds: $text${output:+ ($(tail -n 1 <<<"$output"))}"
    else
        failed=$((failed + 1))
        echo "BROKEN: $text"
        sed 's/^/    /' <<<"$output"
    fi
}

conclude() {
    echo "$passed passed, $failed failed"
    [ "$failed" = 0 ] && [ "$passed" -gt 0 ]
}

# is_true EXPRESSION [note]: an awk condition over numbers.
is_true() {
    awk "BEGIN { exit !($1) }" || { echo "not so: $1 ${2:-}"; return 1; }
    echo "$1"
}

contains() { # FILE TEXT
    grep -qF -- "$2" "$1" || { echo "'$2' is not in:"; cat "$1"; return 1; }
}

# until_true SECONDS COMMAND...: asks again and again.  What the last try said is
# said where it never came true.
until_true() {
    local left=$(($1 * 10)) output
    shift
    until output=$("$@" 2>&1); do
        left=$((left - 1))
        [ $left -gt 0 ] || { echo "$output"; return 1; }
        sleep 0.1
    done
    echo "$output"
}

# Root of this computer, not only of a namespace.
is_root() {
    [ "$(id -u)" = 0 ] && [ "$(awk '{ print $3 }' /proc/self/uid_map)" -gt 1 ]
}

can_make_namespaces() {
    unshare -n true 2>/dev/null || unshare -Urn true 2>/dev/null
}

# A rehearsal has ended well, but for its practice link that was late.
has_ended_well() { # STATUS FILE-WITH-WHAT-IT-SAID
    [ "$1" = 0 ] || { [ "$1" = 1 ] && grep -q "practice link did not keep time" "$2"; } ||
        { echo "status $1"; return 1; }
}

# The process of a rehearsal's air; pgrep's pattern is for the process's name.
find_air() { # PROCESS-OF-THE-REHEARSAL
    pgrep -x -P "$(pgrep -P "$1" | paste -sd,)" bothends-air
}

# A signed call is not needed to know that an agent listens: its start line.
wait_for_line() { # FILE TEXT [SECONDS]
    local left=$((${3:-60} * 20))
    until grep -qF -- "$2" "$1" 2>/dev/null; do
        left=$((left - 1))
        [ $left -gt 0 ] || { echo "'$2' did not come in $1"; return 1; }
        sleep 0.05
    done
}
