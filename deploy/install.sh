#!/bin/sh
# Make .venv and the system libraries ready: `install.sh run` to serve, `install.sh test` to test.
set -eu
cd "$(dirname "$0")/.."
purpose=${1:-run}
python=.venv/bin/python

# A Python counts when it is new enough and was built with what Django needs.
usable='import sys, sqlite3, ssl, venv; sys.exit(sys.version_info < (3, 11))'

find_python() {
    for candidate in ${PYTHON:-python3.13 python3.12 python3.11 python3}; do
        if "$candidate" -c "$usable" 2>/dev/null; then
            "$candidate" -c 'import sys; print(sys.executable)'
            return
        fi
    done
    echo "Loombook needs Python 3.11 or newer. Install it, or name it: make run PYTHON=/path/to/python3" >&2
    return 1
}

make_environment() {
    base=$(find_python)
    if ! "$base" -c 'import ensurepip' 2>/dev/null; then
        deploy/packages.sh "python$("$base" -c 'import sys; print("%d.%d" % sys.version_info[:2])')-venv"
    fi
    echo "Creating .venv with $base"
    "$base" -m venv --clear .venv
}

# The lock is compared with the copy kept from the last complete install.
install_lock() {
    installed=.venv/$(echo "$1" | tr / -).installed
    if ! cmp -s "$1" "$installed"; then
        echo "Installing $1 (a minute or two the first time)"
        "$python" -m pip install --quiet --disable-pip-version-check $compile --require-hashes -r "$1" &&
            cp --remove-destination "$1" "$installed"
    fi
}

# What the tests need of the system is fetched while pip works.
missing() {
    PATH=$PATH:/usr/sbin command -v haproxy >/dev/null || echo haproxy
    for browser in "${CHROMIUM:-}" /usr/bin/chromium-headless-shell /usr/bin/chromium; do
        [ ! -x "$browser" ] || break
    done
    [ -x "$browser" ] || echo "chromium-headless-shell|chromium"
    command -v strace >/dev/null || echo strace
    ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 || echo postgresql
}

if ! { "$python" -c "$usable" && "$python" -m pip --version; } >/dev/null 2>&1; then
    make_environment
fi

case $purpose in
    run)
        compile=
        install_lock requirements.lock
        ;;
    test)
        packages=$(missing)
        fetching=
        if [ -n "$packages" ]; then
            # shellcheck disable=SC2086 # one word a package
            deploy/packages.sh $packages &
            fetching=$!
        fi
        # The tests use a part of the libraries, and compile that part themselves.
        compile=--no-compile
        failed=
        install_lock tests/requirements.lock || failed=1
        [ -z "$fetching" ] || wait "$fetching" || failed=1
        [ -z "$failed" ]
        ;;
    *) echo "usage: install.sh run|test" >&2; exit 2 ;;
esac

if ! "$python" deploy/pdf_ready.py >/dev/null 2>&1; then
    deploy/packages.sh libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core
    "$python" deploy/pdf_ready.py
fi

if [ "$purpose" = test ]; then
    .venv/bin/playwright --version >/dev/null 2>&1 || deploy/packages.sh libatomic1
fi
