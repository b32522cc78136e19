#!/bin/sh
# manage.py as the service runs it: same user, same settings. Run as root. Of another business on this
# machine: deploy/manage.sh --business WORD COMMAND
set -eu
cd "$(dirname "$0")/.."
[ "$(id -u)" = 0 ] || { echo "This needs root: sudo deploy/manage.sh $*" >&2; exit 1; }
book=loombook
if [ "${1:-}" = --business ] && [ $# -gt 1 ]; then
    book=loombook-$2
    shift 2
fi
[ -f "/etc/$book.env" ] || { echo "There is no /etc/$book.env: deploy/setup.sh makes it." >&2; exit 1; }
[ ! -d .served ] || cd .served
. deploy/settings.sh
settings "/etc/$book.env"
case ${1:-} in
    # What makes tables is done as their owner, where that is another (deploy/roles.sql).
    migrate | restore) [ ! -f "/etc/$book-owner.env" ] || settings "/etc/$book-owner.env" ;;
esac
umask 077
exec runuser -u "$book" -- .venv/bin/python manage.py "$@"
