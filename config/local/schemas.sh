#!/usr/bin/env bash
# Writes openapi.yaml, schema.graphql and snapshot.schema.json into the folder given. Needs no server: they follow
# from the code. In the checkout itself the last one lies in reports/, which serves it.
set -euo pipefail
folder=$(realpath -m "$1")
cd "$(dirname "$0")/../.."
mkdir -p "$folder"
export DEBUG=1 DJANGO_SETTINGS_MODULE=config.settings
.venv/bin/python manage.py spectacular --validate --fail-on-warn --file "$folder/openapi.yaml"
.venv/bin/python manage.py export_schema config.graphql:schema --path "$folder/schema.graphql" >/dev/null
[ "$folder" = "$PWD" ] && folder=$PWD/reports
.venv/bin/python -m reports.schema "$folder/snapshot.schema.json"
