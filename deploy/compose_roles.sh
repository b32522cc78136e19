#!/bin/sh
# Run once by the database's container, when its volume is empty: roles.sql and their passwords.
set -eu
psql --username postgres -v owner=loombook_owner -v app=loombook -v name=loombook \
    --file /loombook/roles.sql
psql --username postgres -v ON_ERROR_STOP=1 -v owner_word="$OWNER_PASSWORD" -v app_word="$APP_PASSWORD" <<'SQL'
ALTER ROLE loombook_owner PASSWORD :'owner_word';
ALTER ROLE loombook PASSWORD :'app_word';
SQL
