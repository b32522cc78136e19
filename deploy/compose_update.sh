#!/bin/sh
# A new version in containers, in place of this one: backup, fetch, build, tables, start. The old one
# serves until the tables are up to date, and the proxy holds back what comes while the new one starts.
# Going back: git checkout of what it printed, deploy/compose_update.sh --here; then, where rows were
# changed too, restore of the backup.
set -eu
cd "$(dirname "$0")"
compose() { docker compose --env-file compose.env "$@"; }
echo "Until now: $(git rev-parse HEAD)"
compose exec -T backup .venv/bin/python manage.py backup
[ "${1:-}" = --here ] || git pull --ff-only
compose build
compose run --rm -T migrate
compose up --detach --no-deps --wait web mail hooks backup
