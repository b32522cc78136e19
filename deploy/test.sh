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

# A part that runs beside the tests on SQLite, which often wait; it gives way to them and is told
# after them.
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

postgres() {
    step "Tests on PostgreSQL" nice -n 5 deploy/test_postgres.sh .venv/bin/pytest -n "$processors" --database-only "$@"
}

stop() {
    # shellcheck disable=SC2086 # one word a process
    [ -z "$started" ] || kill $started 2>/dev/null
    rm -rf "$told"
}
trap stop EXIT
trap 'exit 130' INT
trap 'exit 143' TERM

beside text text
beside postgres postgres "$@"
# One process more than processors: the one that drives the browser mostly waits for it.
step "Tests on SQLite" .venv/bin/pytest -n $((processors < 4 ? processors + 1 : 5)) "$@"
wait
started=
for part in text postgres; do
    cat "$told/$part"
    failed="$failed$(cat "$told/$part.failed")"
done

[ -z "$failed" ] || { echo "Failed:$failed"; exit 1; }
