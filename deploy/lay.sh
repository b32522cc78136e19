#!/bin/sh
# A version in a folder of its own beside the one that serves, with packages of its own; the folder is
# printed. Given again it goes on where it was cut off.
#     deploy/lay.sh COMMIT            lays it out: nothing of what serves is touched
#     deploy/lay.sh COMMIT --serve    and from now on it is the one that starts (.served)
# The packages of the one that serves are its start, as links to the same files: pip replaces files,
# and never writes into one. Where there is no working copy of git, this folder itself is the version.
set -eu
umask 022
cd "$(dirname "$0")/.."
chmod a+rx .
if [ -e .git ]; then
    commit=$(git rev-parse --verify "$1^{commit}")
    folder=.versions/$commit
    if [ ! -e "$folder/.git" ] || [ -n "$(git -C "$folder" status --porcelain --untracked-files=no 2>&1)" ]; then
        rm -rf "$folder"
        git worktree prune
        # Twice: one that was cut off while it was made is locked.
        git worktree add --quiet --force --force --detach "$folder" "$commit" >&2
    fi
else
    folder=.
    chmod -R a+rX .
fi
base=.venv
[ ! -d .served/.venv ] || base=.served/.venv
if [ ! -e "$folder/.venv" ] && [ -d "$base" ]; then
    rm -rf "$folder/.venv.new"
    cp -al "$base/." "$folder/.venv.new"
    mv "$folder/.venv.new" "$folder/.venv"
fi
"$folder/deploy/install.sh" run >&2
# The user loombook writes nothing here: compiled now, a start need not do it each time.
(cd "$folder" && .venv/bin/python -m compileall -q shop jobs wiring)

if [ "${2:-}" = --serve ]; then
    ln -sfn "$folder" .served.new
    mv -T .served.new .served
    # What is typed as .venv/bin/python is the one that serves, too.
    if [ "$folder" != . ] && [ ! -L .venv ]; then
        rm -rf .venv.gone
        [ ! -e .venv ] || mv .venv .venv.gone
        ln -s .served/.venv .venv
        rm -rf .venv.gone
    fi
fi
echo "$PWD/$folder"
