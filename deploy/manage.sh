#!/bin/sh
# manage.py as the service runs it: same user, same settings. Run as root. Of another business on this
# machine: deploy/manage.sh --business WORD COMMAND
set -eu
[ "$(id -u)" = 0 ] || { echo "This needs root: sudo deploy/manage.sh $*" >&2; exit 1; }
book=loombook
if [ "${1:-}" = --business ] && [ $# -gt 1 ]; then
    book=loombook-$2
    shift 2
fi
# Files are named as from where one is, and looked at before anything is begun.
case ${1:-} in
    restore | verify)
        for one in "$@"; do
            shift
            if [ "$one" != restore ] && [ "$one" != verify ] && [ -f "$one" ]; then
                one=$(readlink -f "$one")
                if ! runuser -u "$book" -- test -r "$one"; then
                    echo "The user $book, under whom this runs, cannot read $one. Give it a copy:" >&2
                    echo "    install -d -m 700 -o $book /var/lib/$book/backups" >&2
                    echo "    install -m 600 -o $book $one /var/lib/$book/backups/" >&2
                    exit 1
                fi
            fi
            set -- "$@" "$one"
        done
        ;;
    backup_identity)
        case ${2:-/} in /*) ;; *) set -- "$1" "$PWD/$2" ;; esac
        ;;
esac
cd "$(dirname "$0")/.."
[ -f "/etc/$book.env" ] || { echo "There is no /etc/$book.env: deploy/setup.sh makes it." >&2; exit 1; }
[ ! -d .served ] || cd .served
. deploy/settings.sh
settings "/etc/$book.env"
case ${1:-} in
    # What makes tables is done as their owner, where that is another (deploy/roles.sql).
    migrate | restore) [ ! -f "/etc/$book-owner.env" ] || settings "/etc/$book-owner.env" ;;
esac
umask 077
# A stick belongs to root, and no database is asked.
[ "${1:-}" != backup_identity ] || exec .venv/bin/python manage.py "$@"
exec runuser -u "$book" -- .venv/bin/python manage.py "$@"
