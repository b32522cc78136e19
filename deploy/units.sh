#!/bin/sh
# Put the units where systemd reads them, with what hardens them beside each; for each further
# business on this machine units of its own, under its name.
set -eu
cd "$(dirname "$0")/.."
. deploy/settings.sh
units=/etc/systemd/system
install -m 644 deploy/loombook*.service deploy/loombook*.timer "$units"
for book in $(books | tail -n +2); do
    for one in deploy/loombook*.service deploy/loombook*.timer; do
        name=$(basename "$one")
        sed -e "s#/etc/loombook#/etc/$book#" -e "s#^\(User\|Group\|StateDirectory\)=loombook\$#\1=$book#" \
            -e "s#loombook\(-[a-z]*\)\?\(@%n\)\?\.\(service\|timer\)#$book\1\2.\3#g" \
            -e "s#^Description=.*#& ($book)#" "$one" >"$units/$book${name#loombook}.new"
        chmod 644 "$units/$book${name#loombook}.new"
        mv "$units/$book${name#loombook}.new" "$units/$book${name#loombook}"
    done
done
# The second name holds for every unit that begins with loombook-.
for one in loombook.service.d loombook-.service.d; do
    install -d -m 755 "$units/$one"
    install -m 644 deploy/hardening.conf "$units/$one/hardening.conf"
done
[ ! -d /run/systemd/system ] || systemctl daemon-reload
