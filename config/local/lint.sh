#!/usr/bin/env bash
# Every check that needs no test: all are run, each failure is named at the end.
set -uo pipefail
cd "$(dirname "$0")/../.."
python=.venv/bin/python
failed=()

check() {  # check NAME COMMAND...
  local name=$1
  shift
  "$@" || failed+=("$name")
}

schemas() {
  config/local/schemas.sh var/schemas || return 1
  diff -u openapi.yaml var/schemas/openapi.yaml && diff -u schema.graphql var/schemas/schema.graphql &&
    diff -u reports/snapshot.schema.json var/schemas/snapshot.schema.json && return 0
  echo 'The committed schemas differ from the code (above): run `make schemas` and commit them.' >&2
  return 1
}

migrations() {  # that none stops a running service: new columns may be null, indexes are made concurrently
  # Release 1 makes its tables on an empty database; a change after that has to pass.
  local first
  mapfile -t first < config/local/first_release.txt
  "$python" -m config.local exec --test --owner -- env DJANGO_SETTINGS_MODULE=tests.settings "$python" manage.py \
    lintmigrations --sql-analyser postgresql --project-root-path . --no-cache --warnings-as-errors \
    --include-apps jobs measurements reports --ignore-name "${first[@]}" --quiet ok ignore
}

if [ "${1:-}" = schemas ]; then schemas; exit; fi

# The types take as long as all else, on one processor: they are looked at meanwhile.
said=$(mktemp)
trap 'rm -f "$said"' EXIT
env DEBUG=1 "$python" -m mypy >"$said" 2>&1 &
types=$!

types_done() {
  wait "$types"
  local code=$?
  cat "$said"
  return $code
}

check "style (ruff check)" "$python" -m ruff check --quiet .
check "layout of the code (ruff format)" "$python" -m ruff format --check --quiet .
check "walls between the rooms (import-linter)" .venv/bin/lint-imports --no-logo
check "migrations complete" "$python" -m config.local exec --test --owner -- "$python" manage.py makemigrations --check --dry-run
check "migrations safe while the service runs" migrations
check "schemas not drifted" schemas
check "nobody broken who built on the schemas" "$python" -m config.local.breaking
check "packages fit together (pip check)" "$python" -m pip --disable-pip-version-check check
check "types (mypy)" types_done

if [ ${#failed[@]} -gt 0 ]; then
  printf 'lint: failed: %s\n' "${failed[@]}" >&2
  exit 1
fi
