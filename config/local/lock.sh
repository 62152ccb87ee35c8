#!/usr/bin/env bash
# Locks the requirement files: exact versions with the hashes of every published file, no index addresses.
# Existing pins stay unless a change in the .in files forces another; `config/local/lock.sh --upgrade` renews all.
# The settings of this machine's pip are left aside, so that no local folder or mirror finds its way into the files.
set -euo pipefail
cd "$(dirname "$0")/../.."
tools=var/tools/pip-tools
if [ ! -x "$tools/bin/pip-compile" ]; then
  python3 -m venv "$tools"
  "$tools/bin/python" -m pip install --quiet --disable-pip-version-check pip-tools==7.6.2
fi
for name in requirements requirements-local requirements-dev; do
  env -u PIP_FIND_LINKS -u PIP_EXTRA_INDEX_URL -u PIP_INDEX_URL -u PIP_CONSTRAINT PIP_CONFIG_FILE=/dev/null \
    CUSTOM_COMPILE_COMMAND="make lock" \
    "$tools/bin/python" -m piptools compile --quiet --generate-hashes --strip-extras --allow-unsafe \
    --no-emit-index-url --no-emit-trusted-host --no-emit-find-links --no-emit-options \
    --output-file "$name.txt" "$@" "$name.in"
done
if grep -nE 'file:/|https?:/|--(index|find|extra|trusted)' requirements*.txt; then
  echo "an address got into a lock file (above): it must not be there" >&2
  exit 1
fi
