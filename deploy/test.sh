#!/bin/sh
# Everything that must hold before a change lands.
set -eu
cd "$(dirname "$0")/.."
echo "== Format and lint"
deploy/lint.sh
echo "== Types"
.venv/bin/mypy
echo "== Migrations"
deploy/migrations.sh

unset DATABASE_URL
failed=0
echo "== Tests on SQLite"
.venv/bin/pytest "$@" || failed=1
echo "== Tests on PostgreSQL"
deploy/test_postgres.sh .venv/bin/pytest --database-only "$@" || failed=1
exit "$failed"
