#!/bin/sh
# A new version in place of this one: backup, fetch, install, tables, start. As root.
# update.sh VERSION puts that one in place instead: the way back to what the last update printed.
# Where the new one cannot be put in place, the version of before is, and serves.
set -eu
umask 022
cd "$(dirname "$0")/.."
[ "$(id -u)" = 0 ] || { echo "An update needs root: sudo deploy/update.sh" >&2; exit 1; }
. deploy/settings.sh

if [ "${1:-}" != --put ]; then
    before=$(git rev-parse HEAD)
    echo "Until now: $before (to go back: deploy/update.sh $before)"
    deploy/manage.sh backup
    if [ -n "${1:-}" ]; then
        git reset --quiet --keep "$1"
    else
        git pull --quiet --ff-only
    fi
    echo "From now on: $(git log -1 --format='%H, %s')"
    # What follows is the new version's own way to be put in place.
    exec deploy/update.sh --put "$before"
fi

static() { (settings /etc/loombook.env && runuser -u loombook -- deploy/static.sh); }

tables() {
    systemctl start loombook-migrate.service && return
    journalctl --unit loombook-migrate --lines 15 --no-pager --output cat >&2
    return 1
}

# The style sheets while the version before still serves, since its own stay beside the new ones;
# the tables while nothing of the program runs.
put() {
    deploy/install.sh run && chmod -R a+rX . && static && deploy/units.sh &&
        systemctl stop loombook.service loombook-mail.service loombook-hooks.service &&
        tables &&
        systemctl start loombook.service loombook-mail.service loombook-hooks.service &&
        deploy/ready.sh
}

put && exit
before=${2:-}
if [ -z "$before" ] || [ "$before" = "$(git rev-parse HEAD)" ]; then
    echo "Loombook is not served: journalctl -u loombook -u loombook-migrate says more." >&2
    exit 1
fi
echo "This version could not be put in place (see above): back to the one of before." >&2
git reset --quiet --keep "$before"
deploy/update.sh --put
echo "Served by $before again, with all that was saved. Should its pages fail," >&2
echo "because the tables had changed in part: restore the backup that was made first." >&2
exit 1
