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
$as_root apt-get update >"$log" 2>&1 || true
if ! $as_root env DEBIAN_FRONTEND=noninteractive \
    apt-get install -y --no-install-recommends "$@" >>"$log" 2>&1; then
    cat "$log" >&2
    stop "$@"
fi
