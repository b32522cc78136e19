#!/bin/sh
# Run a command with DATABASE_URL set to a throwaway PostgreSQL: test_postgres.sh COMMAND [ARGUMENT...]
# The server listens on loopback alone and is gone when the command ends, however it ends.
set -eu
[ $# -gt 0 ] || { echo "usage: test_postgres.sh COMMAND [ARGUMENT...]" >&2; exit 2; }

bin=$(ls -d /usr/lib/postgresql/*/bin | sort -V | tail -n 1)
folder=$(mktemp -d)
port=$("$(dirname "$0")/../.venv/bin/python" -c 'import socket; print(socket.create_server(("127.0.0.1", 0)).getsockname()[1])')

# PostgreSQL refuses to run as root.
if [ "$(id -u)" = 0 ]; then
    chown postgres "$folder"
    server() { (cd "$folder" && runuser -u postgres -- "$@"); }
else
    server() { "$@"; }
fi

stop() {
    server "$bin/pg_ctl" stop --pgdata "$folder/data" --mode immediate --silent || true
    rm -rf "$folder"
}
trap stop EXIT
trap 'exit 130' INT
trap 'exit 143' TERM

server "$bin/initdb" --pgdata "$folder/data" --auth trust --locale C.UTF-8 --username loombook \
    --no-sync >"$folder/initdb.log"
server "$bin/pg_ctl" start --wait --silent --pgdata "$folder/data" --log "$folder/server.log" \
    --options "-p $port -k $folder -c listen_addresses=127.0.0.1 -c fsync=off \
        -c synchronous_commit=off -c full_page_writes=off" || { cat "$folder/server.log" >&2; exit 1; }
"$bin/createdb" --host 127.0.0.1 --port "$port" --username loombook loombook

PATH="$bin:$PATH" DATABASE_URL="postgresql://loombook@127.0.0.1:$port/loombook" "$@"
