#!/bin/sh
# Wait until the service (loombook, or the one named) answers that it is ready, or say what it says
# instead and where to look.
set -eu
book=${1:-loombook}
port=$(sed -n 's/^PORT=//p' "/etc/$book.env")
ready='
import sys, urllib.error, urllib.request
try:
    urllib.request.urlopen("http://127.0.0.1:%s/readyz" % sys.argv[1], timeout=5)
except urllib.error.HTTPError as answer:
    sys.exit(answer.read().decode())
except OSError as error:
    sys.exit(str(error))
'
for _ in $(seq 60); do
    if said=$(/opt/loombook/.venv/bin/python -c "$ready" "${port:-8000}" 2>&1); then
        echo "Loombook is ready${1:+ ($1)}."
        exit 0
    fi
    sleep 1
done
echo "Loombook is not ready after a minute${1:+ ($1)}: $said" >&2
echo "More is said by journalctl -u $book -u $book-migrate" >&2
exit 1
