#!/bin/sh
# Bring the database up to date, load the demo shop into an empty one, and serve.
set -eu
cd "$(dirname "$0")/.."
host=${HOST:-0.0.0.0}
port=${PORT:-8000}
python=.venv/bin/python

if ! "$python" -c 'import socket, sys; socket.create_server((sys.argv[1], int(sys.argv[2])))' \
    "$host" "$port" 2>/dev/null; then
    echo "Port $port is in use. Choose another: make run PORT=$((port + 1))" >&2
    exit 1
fi

"$python" manage.py migrate --noinput --verbosity 0
"$python" manage.py load_demo --if-empty
"$python" manage.py collectstatic --noinput --verbosity 0

echo
echo "Loombook is at http://localhost:$port"
lan=$(hostname -I 2>/dev/null | cut -d ' ' -f 1) || lan=
if [ "$host" = 0.0.0.0 ] && [ -n "$lan" ]; then
    echo "From a tablet on the same network: http://$lan:$port"
fi
"$python" manage.py load_demo --print-logins
echo "Stop with Ctrl-C."
echo

exec deploy/serve.sh
