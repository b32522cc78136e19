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
$as_root apt-get update -q >/dev/null || echo "The package lists could not be refreshed; trying the ones at hand." >&2
$as_root env DEBIAN_FRONTEND=noninteractive \
    apt-get install -y -q --no-install-recommends "$@" >/dev/null || stop "$@"
