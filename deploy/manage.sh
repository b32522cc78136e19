#!/bin/sh
# manage.py as the service runs it: same user, same settings. Run as root.
set -eu
cd "$(dirname "$0")/.."
set -a
. /etc/loombook.env
case ${1:-} in
    # What makes tables is done as their owner, where that is another (deploy/roles.sql).
    migrate | restore) [ ! -f /etc/loombook-owner.env ] || . /etc/loombook-owner.env ;;
esac
set +a
exec runuser -u loombook -- .venv/bin/python manage.py "$@"
