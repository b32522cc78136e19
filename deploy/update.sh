#!/bin/sh
# A new version in place of this one: backup, fetch, install, tables, start. As root.
# update.sh VERSION puts that one in place instead: the way back to what the last update printed.
# Where the new one cannot be put in place, the version of before is, and serves.
set -eu
umask 022
cd "$(dirname "$0")/.."
[ "$(id -u)" = 0 ] || { echo "An update needs root: sudo deploy/update.sh" >&2; exit 1; }
. deploy/settings.sh

static() { (settings /etc/loombook.env && runuser -u loombook -- deploy/static.sh); }

# Starting brings the tables up to date first.
start() {
    systemctl restart loombook.service && return
    journalctl --unit loombook-migrate --unit loombook --lines 15 --no-pager --output cat >&2
    return 1
}

# The style sheets while the version before still serves, since its own stay beside the new ones;
# the tables while nothing of the program runs. A restart keeps who asks meanwhile waiting.
put() {
    deploy/install.sh run && chmod -R a+rX . && static && deploy/units.sh &&
        systemctl stop loombook-mail.service loombook-hooks.service && start &&
        systemctl start loombook-mail.service loombook-hooks.service && deploy/ready.sh
}

# The working copy as of that version, still on its branch; what was changed by hand stays.
version() {
    git update-index -q --refresh || true
    git reset --quiet --keep "$1" && return
    echo "Files under $PWD were changed by hand: put them back (git status), then give" >&2
    echo "    deploy/update.sh $1" >&2
    exit 1
}

if [ "${1:-}" != --here ]; then
    before=$(git rev-parse HEAD)
    echo "Until now: $before (to go back: deploy/update.sh $before)"
    deploy/manage.sh backup
    if [ -n "${1:-}" ]; then
        version "$1"
    else
        git pull --quiet --ff-only
    fi
    echo "From now on: $(git log -1 --format='%H, %s')"
    # What follows is done as the new version does it; one of before knows --here alone.
    exec deploy/update.sh --here "$before"
fi

put && exit
before=${2:-}
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
