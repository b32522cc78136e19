#!/bin/sh
# Resolve pyproject.toml into the two hash-pinned locks, for every supported Python.
set -eu
cd "$(dirname "$0")/.."
.venv/bin/python -m pip install --quiet --disable-pip-version-check uv
compile() {
    .venv/bin/uv pip compile pyproject.toml --universal --generate-hashes --no-header \
        --no-emit-index-url --quiet "$@"
}
compile --output-file requirements.lock
compile --group test --constraint requirements.lock --output-file tests/requirements.lock
