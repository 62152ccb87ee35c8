#!/bin/sh
# Run once by the PostgreSQL image on an empty data folder: the two login roles and the database.
# The owner runs migrations; the serving role owns nothing and cannot pass row-level security.
set -eu
mkdir -p -m 700 /var/lib/postgresql/archive /var/lib/postgresql/backups
owner_password=$(cat /run/secrets/database_owner_password)
app_password=$(cat /run/secrets/database_app_password)
psql --no-psqlrc --set ON_ERROR_STOP=1 --username "$POSTGRES_USER" --dbname postgres \
  --set owner_password="$owner_password" --set app_password="$app_password" <<'SQL'
create role flowledger_owner login nosuperuser nocreatedb nocreaterole nobypassrls noreplication password :'owner_password';
create role flowledger_app login nosuperuser nocreatedb nocreaterole nobypassrls noreplication password :'app_password';
create database flowledger owner flowledger_owner;
revoke connect on database postgres from public;
SQL
