#!/bin/sh
# manage.py as the service runs it: same user, same settings. Run as root.
set -eu
cd "$(dirname "$0")/.."
[ "$(id -u)" = 0 ] || { echo "This needs root: sudo deploy/manage.sh $*" >&2; exit 1; }
[ ! -d .served ] || cd .served
. deploy/settings.sh
settings /etc/loombook.env
case ${1:-} in
    # What makes tables is done as their owner, where that is another (deploy/roles.sql).
    migrate | restore) [ ! -f /etc/loombook-owner.env ] || settings /etc/loombook-owner.env ;;
esac
umask 077
exec runuser -u loombook -- .venv/bin/python manage.py "$@"
