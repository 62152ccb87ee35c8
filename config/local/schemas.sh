#!/usr/bin/env bash
# Writes openapi.yaml and schema.graphql into the folder given. Needs no server: both follow from the code.
set -euo pipefail
folder=$(realpath -m "$1")
cd "$(dirname "$0")/../.."
mkdir -p "$folder"
export DEBUG=1 DJANGO_SETTINGS_MODULE=config.settings
.venv/bin/python manage.py spectacular --validate --fail-on-warn --file "$folder/openapi.yaml"
.venv/bin/python manage.py export_schema config.graphql:schema --path "$folder/schema.graphql" >/dev/null
