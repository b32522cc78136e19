#!/bin/sh
# Put the units where systemd reads them, with what hardens them beside each.
set -eu
cd "$(dirname "$0")/.."
units=/etc/systemd/system
install -m 644 deploy/loombook*.service deploy/loombook*.timer "$units"
# The second name holds for every unit that begins with loombook-.
for one in loombook.service.d loombook-.service.d; do
    install -d -m 755 "$units/$one"
    install -m 644 deploy/hardening.conf "$units/$one/hardening.conf"
done
[ ! -d /run/systemd/system ] || systemctl daemon-reload
