#!/bin/sh
# manage.py as the service runs it: same user, same settings. Run as root.
set -eu
cd "$(dirname "$0")/.."
set -a
. /etc/loombook.env
set +a
exec runuser -u loombook -- .venv/bin/python manage.py "$@"
