#!/bin/sh
# A new version in place of this one: backup, fetch, lay out beside, tables, start. As root.
# update.sh VERSION puts that one in place instead: the way back to what the last update printed.
# Nothing that serves is touched until the new one lies there whole, packages and all (deploy/lay.sh).
# Where the new one cannot be put in place, the version of before is, and serves.
set -eu
umask 022
cd "$(dirname "$0")/.."
[ "$(id -u)" = 0 ] || { echo "An update needs root: sudo deploy/update.sh" >&2; exit 1; }
. deploy/settings.sh

# Style sheets: those of the version before stay beside the new ones.
static() {
    for book in $(books); do
        (cd "$1" && settings "/etc/$book.env" && runuser -u "$book" -- deploy/static.sh) || return 1
    done
}

# One business after the other: the tables while nothing of its program runs. Starting brings them up
# to date first, and a restart keeps who asks meanwhile waiting.
start() {
    for book in $(books); do
        # One that systemd began anew with the version that failed would fail the next start, too.
        systemctl stop "$book-mail.service" "$book-hooks.service" "$book-migrate.service"
        if ! systemctl restart "$book.service"; then
            journalctl --unit "$book-migrate" --unit "$book" --lines 15 --no-pager --output cat >&2
            return 1
        fi
        systemctl start "$book-mail.service" "$book-hooks.service" && deploy/ready.sh "$book" || return 1
    done
}

put() {
    folder=$(deploy/lay.sh HEAD) && static "$folder" && deploy/lay.sh HEAD --serve >/dev/null &&
        deploy/units.sh && start
}

# The working copy as of that version, still on its branch. A version from before there were folders
# is served from the working copy itself, with the packages that were laid out for it.
version() {
    git update-index -q --refresh || true
    git cat-file -e "$1:deploy/lay.sh" 2>/dev/null || deploy/lay.sh "$1" --serve >/dev/null
    git reset --quiet --keep "$1" && return
    echo "Files under $PWD were changed by hand: put them back (git status), then give" >&2
    echo "    deploy/update.sh $1" >&2
    exit 1
}

# Of the versions laid out, the one that serves and the one of before stay.
clear_out() {
    for one in .versions/*; do
        case ${one#.versions/} in
            "$(git rev-parse HEAD)" | "${1:-}" | '*') ;;
            *) git worktree remove --force "$one" || true ;;
        esac
    done
}

nothing() {
    echo "$* The version of before serves on, and nothing was changed." >&2
    exit 1
}

# The commit that is wanted: the one named, or the newest of the branch.
wanted() {
    if [ -n "$1" ]; then
        git rev-parse --quiet --verify "$1^{commit}" && return
        nothing "There is no version $1 here (git log names them)."
    fi
    git fetch --quiet && newest=$(git rev-parse '@{upstream}') || nothing "Nothing was fetched."
    if git merge-base --is-ancestor "$newest" HEAD; then
        git rev-parse HEAD
    elif git merge-base --is-ancestor HEAD "$newest"; then
        echo "$newest"
    else
        nothing "This copy has versions of its own (git status): an update only goes forward."
    fi
}

if [ "${1:-}" != --here ]; then
    before=$(git rev-parse HEAD)
    echo "Until now: $before (to go back: deploy/update.sh $before)"
    [ -z "$(git status --porcelain --untracked-files=no)" ] || nothing \
        "Files under $PWD were changed by hand, and only what is committed is served: commit them, or put them back (git status)."
    for book in $(books); do
        word=${book#loombook} word=${word#-}
        deploy/manage.sh ${word:+--business "$word"} backup || nothing "No update without a backup."
    done
    new=$(wanted "${1:-}")
    deploy/lay.sh "$new" >/dev/null || nothing "The new version could not be laid out (see above)."
    version "$new"
    echo "From now on: $(git log -1 --format='%H, %s')"
    # What follows is done as the new version does it; one of before knows --here alone.
    exec deploy/update.sh --here "$before"
fi

before=${2:-}
# Come from a version that had no folders: the way back to it is laid out while its packages are there.
[ -e .served ] || [ -z "$before" ] || deploy/lay.sh "$before" >/dev/null || true
if put; then
    if [ -n "$before" ]; then
        .venv/bin/python deploy/proxy.py "$before" || echo "The proxy's settings are as they were." >&2
        clear_out "$before"
    fi
    exit
fi
if [ -z "$before" ] || [ "$before" = "$(git rev-parse HEAD)" ]; then
    echo "Loombook is not served: journalctl -u loombook -u loombook-migrate says more." >&2
    exit 1
fi
echo "This version could not be put in place (see above): back to the one of before." >&2
version "$before"
deploy/update.sh --here
echo "Served by $before again, with all that was saved. Should its pages fail," >&2
echo "because the tables had changed in part: restore the backup that was made first." >&2
exit 1
