#!/bin/sh
# A new version in containers, in place of this one: backup, fetch, build, tables, start. The old one
# serves until the tables are up to date, and the proxy holds back what comes while the new one starts.
# Where any of this fails the old one goes on, or is put back. Going back later: git checkout of what
# it printed, deploy/compose_update.sh --here; then, where rows were changed too, restore of the backup.
set -eu
cd "$(dirname "$0")"
compose() { docker compose --env-file compose.env "$@"; }
serve() {
    compose up --detach --no-deps web mail hooks backup &&
        compose up --detach --no-deps --wait --wait-timeout 180 web
}
before=$(git rev-parse HEAD)
put_back() {
    [ "$1" = 0 ] && return
    docker tag loombook:before loombook
    serve || true
    echo "The new version could not be put in place: the one of before serves, $before." >&2
}

echo "Until now: $before"
compose exec -T backup .venv/bin/python manage.py backup
docker tag loombook loombook:before
trap 'put_back $?' EXIT
[ "${1:-}" = --here ] || git pull --ff-only
compose build
compose run --rm -T migrate
serve
echo "The new version serves."
