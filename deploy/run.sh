#!/bin/sh
# Bring the database up to date, load the demo shop into an empty one, and serve.
set -eu
cd "$(dirname "$0")/.."
host=${HOST:-0.0.0.0}
port=${PORT:-8000}
tls_port=${TLS_PORT:-$((port + 443))}
python=.venv/bin/python
PATH=$PATH:/usr/sbin

free() {
    "$python" -c 'import socket, sys; socket.create_server((sys.argv[1], int(sys.argv[2])))' \
        "$host" "$1" 2>/dev/null
}

if ! free "$port"; then
    echo "Port $port is in use. Choose another: make run PORT=$((port + 1))" >&2
    exit 1
fi

# Tablets keep pages without a network only over TLS; haproxy stands before the server for them.
command -v haproxy >/dev/null || deploy/packages.sh haproxy || true
no_tls=
if ! command -v haproxy >/dev/null; then
    no_tls="haproxy is not installed"
elif ! free "$tls_port"; then
    no_tls="port $tls_port is in use; choose another with TLS_PORT"
else
    case $host in
        0.0.0.0 | 127.0.0.1) export LOOMBOOK_TLS_PORT="$tls_port" ;;
        *) no_tls="HOST is $host" ;;
    esac
fi

"$python" manage.py migrate --noinput --verbosity 0
"$python" manage.py load_demo --if-empty
deploy/static.sh

echo
echo "Loombook is at http://localhost:$port"
lan=$(hostname -I 2>/dev/null | cut -d ' ' -f 1) || lan=
case $lan in *:*) lan="[$lan]" ;; esac
if [ "$host" = 0.0.0.0 ] && [ -n "$lan" ]; then
    echo "From a tablet on the same network: http://$lan:$port"
fi
if [ -z "$no_tls" ]; then
    made=$("$python" -m shop.server.certificates "${LOOMBOOK_DATA:-data}/tls")
    TLS_FILE=$(echo "$made" | head -n 1)
    export TLS_FILE TLS_PORT="$tls_port" TLS_HOST="$host" PORT="$port"
    echo "For work without a network: https://${lan:-localhost}:$tls_port"
    echo "    each tablet is set up for it once: http://${lan:-localhost}:$port/tablet/set-up/"
    echo "    certificate's SHA-256: $(echo "$made" | tail -n 1)"
else
    echo "Not offered over https ($no_tls): a bay sheet must then stay open while the wifi is away."
fi
"$python" manage.py load_demo --print-logins
echo "Stop with Ctrl-C."
echo

# Without a mail server, mail is printed here instead of sent.
export LOOMBOOK_MAIL="${LOOMBOOK_MAIL-console:}"
"$python" manage.py send_mail &
beside=$!
"$python" manage.py send_hooks &
beside="$beside $!"
if [ -z "$no_tls" ]; then
    haproxy -q -db -f deploy/tls.cfg &
    beside="$beside $!"
fi
deploy/serve.sh &
server=$!
# shellcheck disable=SC2086 # several numbers
stop() { kill -TERM "$server" $beside 2>/dev/null || true; }
trap stop INT TERM HUP
status=0
wait "$server" || status=$?
# A signal ends the first wait; the server then finishes what is under way.
wait "$server" 2>/dev/null || true
stop
exit "$status"
