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

clean_up() {
    local status=$?
    jobs -p | xargs -r kill 2>/dev/null
    [ "${KEEP:-}" ] || rm -rf "$folder"
    exit $status
}
trap clean_up EXIT

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

# Root of this computer, not only of a namespace.
is_root() {
    [ "$(id -u)" = 0 ] && [ "$(awk '{ print $3 }' /proc/self/uid_map)" -gt 1 ]
}

can_make_namespaces() {
    unshare -n true 2>/dev/null || unshare -Urn true 2>/dev/null
}

# A signed call is not needed to know that an agent listens: its start line.
wait_for_line() { # FILE TEXT SECONDS
    local left=$((${3:-10} * 20))
    until grep -qF -- "$2" "$1" 2>/dev/null; do
        left=$((left - 1))
        [ $left -gt 0 ] || { echo "'$2' did not come in $1"; return 1; }
        sleep 0.05
    done
}
