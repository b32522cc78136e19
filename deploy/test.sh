#!/bin/sh
# Everything that must hold before a change lands; every step runs, whatever the others find.
# Arguments go to pytest.
set -u
cd "$(dirname "$0")/.."
unset DATABASE_URL
# Many tests start a process of their own: none has to compile the program anew.
unset PYTHONDONTWRITEBYTECODE
failed=
processors=$(nproc)
told=$(mktemp -d)
started=

step() {
    name=$1
    shift
    echo "== $name"
    "$@" || failed="$failed
  $name"
}

# A part that runs beside another, which often waits; it gives way to it and is told after it.
beside() {
    part=$1
    shift
    { "$@"; printf %s "$failed" >"$told/$part.failed"; } >"$told/$part" 2>&1 &
    started="$started $!"
}

text() {
    step "Format and lint" nice deploy/lint.sh
    step "Types" nice .venv/bin/mypy
    step "Migrations" nice deploy/migrations.sh
}

stop() {
    # shellcheck disable=SC2086 # one word a process
    [ -z "$started" ] || kill $started 2>/dev/null
    rm -rf "$told"
}
trap stop EXIT
trap 'exit 130' INT
trap 'exit 143' TERM

# Tests that share a processor with too many others only take longer, so the two databases follow
# one another. One process more than processors: the one that drives the browser mostly waits.
parallel="-n $((processors < 4 ? processors + 1 : 5))"
beside text text
step "Tests on SQLite" .venv/bin/pytest "$parallel" "$@"
wait
started=
cat "$told/text"
failed="$failed$(cat "$told/text.failed")"
step "Tests on PostgreSQL" deploy/test_postgres.sh .venv/bin/pytest "$parallel" --database-only "$@"

[ -z "$failed" ] || { echo "Failed:$failed"; exit 1; }
