#!/bin/sh
# The production server; its settings are at the head of shop/server/__main__.py.
set -eu
cd "$(dirname "$0")/.."
exec .venv/bin/python -m shop.server
