#!/bin/sh
# Style sheets and scripts into the data folder, unless those of this very version lie there.
set -eu
cd "$(dirname "$0")/.."
of=${LOOMBOOK_DATA:-data}/staticfiles/.of
now=$(find static shop/project requirements.lock -type f ! -name '*.pyc' -exec sha256sum {} + | sort | sha256sum)
[ "$(cat "$of" 2>/dev/null)" != "$now" ] || exit 0
.venv/bin/python manage.py collectstatic --noinput --verbosity 0
echo "$now" >"$of"
