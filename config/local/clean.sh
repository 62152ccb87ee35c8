#!/usr/bin/env bash
# Removes what this checkout made: .venv, var/ and, for root, PostgreSQL's folders outside. Refuses while it runs.
set -euo pipefail
cd "$(dirname "$0")/../.."
for lock in var/*/lock var/tmp/*/lock; do
  [ -e "$lock" ] || continue
  flock --nonblock "$lock" true || { echo "clean: $(dirname "$lock") is in use by process $(cat "$lock"); stop it first" >&2; exit 1; }
done
id=$(cat var/id 2>/dev/null || true)
if [ -n "$id" ] && [ "$(id -u)" = 0 ]; then
  rm -rf "/var/lib/flowledger-$id" "/run/flowledger-$id"
fi
rm -rf .venv var
