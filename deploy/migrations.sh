#!/bin/sh
# Fail when a model has changed without a migration, or Django's own checks find a fault.
set -eu
cd "$(dirname "$0")/.."
LOOMBOOK_DATA=$(mktemp -d)
export LOOMBOOK_DATA
trap 'rm -rf "$LOOMBOOK_DATA"' EXIT
unset DATABASE_URL
.venv/bin/python manage.py check
.venv/bin/python manage.py makemigrations --check --dry-run
