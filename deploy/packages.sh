#!/bin/sh
# Install the named Debian packages, or say which are missing and stop.
set -eu

stop() {
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

echo "Installing system packages: $*"
log=$(mktemp)
trap 'rm -f "$log"' EXIT
fetch() { $as_root env DEBIAN_FRONTEND=noninteractive LC_ALL=C "$@" >>"$log" 2>&1; }
# What an earlier run that was cut off left half done; and a new machine may be busy with its own
# first updates, which are waited for.
for _ in $(seq 60); do
    ! fetch dpkg --configure -a || break
    grep -q 'locked by another process' "$log" || break
    : >"$log"
    sleep 5
done
fetch apt-get -o DPkg::Lock::Timeout=300 update || true
if ! fetch apt-get -o DPkg::Lock::Timeout=300 install -y --no-install-recommends "$@"; then
    cat "$log" >&2
    stop "$@"
fi
