#!/bin/sh
# Everything that must hold before a change lands; every step runs, whatever the others find.
# Arguments go to pytest.
set -u
cd "$(dirname "$0")/.." || exit
unset DATABASE_URL
# Many tests start a process of their own: none has to compile the program anew.
unset PYTHONDONTWRITEBYTECODE
failed=
# One process more than processors: the one that drives the browser mostly waits for it.
processors=$(nproc)
parallel="-n $((processors < 4 ? processors + 1 : 5))"

step() {
    name=$1
    shift
    echo "== $name"
    "$@" || failed="$failed
  $name"
}

# What reads the text alone runs beside the tests, which often wait, and is told after them.
beside=$(mktemp -d)
trap 'rm -rf "$beside"' EXIT
{
    step "Format and lint" deploy/lint.sh
    step "Types" .venv/bin/mypy
    step "Migrations" deploy/migrations.sh
    printf %s "$failed" >"$beside/failed"
} >"$beside/told" 2>&1 &
step "Tests on SQLite" .venv/bin/pytest $parallel "$@"
wait $!
cat "$beside/told"
failed="$failed$(cat "$beside/failed")"
step "Tests on PostgreSQL" deploy/test_postgres.sh .venv/bin/pytest $parallel --database-only "$@"

[ -z "$failed" ] || { echo "Failed:$failed"; exit 1; }
