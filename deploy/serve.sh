#!/bin/sh
# The production server.
set -eu
cd "$(dirname "$0")/.."
exec .venv/bin/gunicorn --config deploy/gunicorn.conf.py shop.project.wsgi:application
