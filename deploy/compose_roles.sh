#!/bin/sh
# roles.sql and the passwords of its two roles, for PostgreSQL in a container; may be given again.
set -eu
psql --no-psqlrc --quiet --dbname postgres \
    --set owner=loombook_owner --set app=loombook --set name=loombook --file /loombook/roles.sql
psql --no-psqlrc --quiet --dbname postgres --set ON_ERROR_STOP=1 <<'SQL'
\getenv owner_word OWNER_PASSWORD
\getenv app_word APP_PASSWORD
ALTER ROLE loombook_owner PASSWORD :'owner_word';
ALTER ROLE loombook PASSWORD :'app_word';
SQL
