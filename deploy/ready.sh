#!/bin/sh
# Wait until the service answers that it is ready, or say where to look.
set -eu
port=$(sed -n 's/^PORT=//p' /etc/loombook.env)
ready='import sys, urllib.request as u; u.urlopen("http://127.0.0.1:%s/readyz" % sys.argv[1], timeout=5)'
for _ in $(seq 60); do
    if /opt/loombook/.venv/bin/python -c "$ready" "${port:-8000}" 2>/dev/null; then
        echo "Loombook is ready."
        exit 0
    fi
    sleep 1
done
echo "Loombook does not answer after a minute: journalctl -u loombook -u loombook-migrate" >&2
exit 1
