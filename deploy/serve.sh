#!/bin/sh
# The production server. HOST, PORT, WORKERS and THREADS may be set.
# Threads hold uploads that arrive slowly over a weak network; workers use the cores.
set -eu
cd "$(dirname "$0")/.."
exec .venv/bin/granian --interface wsgi --host "${HOST:-0.0.0.0}" --port "${PORT:-8000}" \
    --workers "${WORKERS:-$(nproc)}" --blocking-threads "${THREADS:-4}" \
    --respawn-failed-workers --log-level warning shop.project.wsgi:application
