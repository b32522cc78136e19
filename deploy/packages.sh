#!/bin/sh
# Install the named Debian packages, or say which are missing and stop.
# A|B is the first of the two that this distribution has.
set -eu

chosen() {
    for one in "$@"; do
        case $one in
            *"|"*) if apt-cache show "${one%|*}" >/dev/null 2>&1; then echo "${one%|*}"; else echo "${one#*|}"; fi ;;
            *) echo "$one" ;;
        esac
    done
}

stop() {
    # shellcheck disable=SC2046 # one word a package
    set -- $(chosen "$@")
    echo "Loombook needs these system packages: $*" >&2
    echo "Install them, then run the same command again. On Debian or Ubuntu:" >&2
    echo "    sudo apt-get update && sudo apt-get install --no-install-recommends $*" >&2
    exit 1
}

command -v apt-get >/dev/null || stop "$@"
if [ "$(id -u)" = 0 ]; then
    as_root=
elif sudo -n true 2>/dev/null; then
    as_root="sudo -n"
else
    stop "$@"
fi

log=$(mktemp)
trap 'rm -f "$log"' EXIT
# A new machine may be busy with its own first updates, or an earlier run was cut off.
fetch() { $as_root env DEBIAN_FRONTEND=noninteractive "$@" >>"$log" 2>&1; }
fetch dpkg --configure -a || true
fetch apt-get -o DPkg::Lock::Timeout=300 update || true
# shellcheck disable=SC2046 # one word a package
set -- $(chosen "$@")
echo "Installing system packages: $*"
if ! fetch apt-get -o DPkg::Lock::Timeout=300 install -y --no-install-recommends "$@"; then
    cat "$log" >&2
    stop "$@"
fi
