#!/bin/sh
# Wait until the service answers that it is ready, or say what it says instead and where to look.
set -eu
port=$(sed -n 's/^PORT=//p' /etc/loombook.env)
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
        echo "Loombook is ready."
        exit 0
    fi
    sleep 1
done
echo "Loombook is not ready after a minute: $said" >&2
echo "More is said by journalctl -u loombook -u loombook-migrate" >&2
exit 1
