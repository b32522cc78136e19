#!/bin/sh
# Check formatting and lint; with --fix, rewrite what can be rewritten.
set -eu
cd "$(dirname "$0")/.."
bin=.venv/bin

if [ "${1:-}" = --fix ]; then
    "$bin/ruff" check --fix-only --quiet
    "$bin/ruff" format --quiet
    find templates -name '*.html' -exec "$bin/djade" --target-version 5.2 {} +
else
    "$bin/ruff" format --check
    "$bin/ruff" check
    "$bin/lint-imports"
    find templates -name '*.html' -exec "$bin/djade" --target-version 5.2 --check {} +
    # A line holds 120 characters; only a tag of the template language at its end cannot be broken.
    if LC_ALL=C.UTF-8 grep -rnP '^(?!.{0,100}\{% ((?!%\}).)* %\}$).{121,}$' templates --include='*.html'; then
        echo "These lines of templates are longer than 120 characters: break them." >&2
        exit 1
    fi
    # Not among the libraries: where Debian's package is installed, the scripts are looked at too.
    if command -v shellcheck >/dev/null; then
        shellcheck --severity=warning --external-sources deploy/*.sh
    fi
fi
