#!/bin/sh
# A new version in place of this one: backup, fetch, install, tables, start. As root.
# Going back: git checkout of what it printed, deploy/update.sh --here; then, where rows were
# changed too, restore of the backup.
set -eu
cd "$(dirname "$0")/.."
[ "$(id -u)" = 0 ] || { echo "An update needs root: sudo deploy/update.sh" >&2; exit 1; }
echo "Until now: $(git rev-parse HEAD)"
deploy/manage.sh backup
[ "${1:-}" = --here ] || git pull --ff-only
deploy/install.sh run
cp deploy/loombook*.service deploy/loombook*.timer /etc/systemd/system/
systemctl daemon-reload
# Started again before the program that needs what it makes.
systemctl restart loombook-migrate.service
systemctl restart loombook.service loombook-mail.service loombook-hooks.service
deploy/ready.sh
