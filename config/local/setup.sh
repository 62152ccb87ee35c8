#!/usr/bin/env bash
# Makes .venv ready for the given level and installs missing system packages; does nothing when all is there.
#   config/local/setup.sh run    the service on this machine (requirements-local.txt)
#   config/local/setup.sh dev    and what tests and checks need (requirements-dev.txt, Chromium, poppler)
# System packages come from apt, when this is root or sudo works without a password; else it says what is missing.
set -euo pipefail
cd "$(dirname "$0")/../.."
level=${1:-run}
python=${PYTHON:-python3}

fail() { printf 'set-up: %s\n' "$*" >&2; exit 1; }

as_root() {  # runs a command as root, or fails when that is not possible without asking
  if [ "$(id -u)" = 0 ]; then "$@"; else sudo -n "$@"; fi
}

may_install() {
  command -v apt-get >/dev/null || return 1
  [ "$(id -u)" = 0 ] || { command -v sudo >/dev/null && sudo -n true 2>/dev/null; }
}

libraries=$(/sbin/ldconfig -p 2>/dev/null || ldconfig -p)
has_library() { grep -q "$1" <<<"$libraries"; }  # no pipe: grep -q would end its writer, and pipefail tell of it

missing=()
need() { eval "$2" >/dev/null 2>&1 || missing+=("$1"); }  # need PACKAGE 'test that it is there'

command -v "$python" >/dev/null || fail "$python is not there. Install Python 3.11 or newer (Debian: apt install python3 python3-venv), or name one in PYTHON."
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
  fail "$("$python" --version) is too old: Flowledger needs Python 3.11 or newer. Name one in PYTHON, as in: make demo PYTHON=python3.12"

need python3-venv "$python -c 'import ensurepip, venv'"
need libpango-1.0-0 "has_library libpango-1.0.so.0"
need libpangoft2-1.0-0 "has_library libpangoft2-1.0.so.0"
need libharfbuzz-subset0 "has_library libharfbuzz-subset.so.0"
need fontconfig-config "test -e /etc/fonts/fonts.conf"
need libexpat1 "has_library libexpat.so.1"
need libatomic1 "has_library libatomic.so.1"  # node, which fetches scripts and drives the browser
if [ "$level" = dev ]; then
  need poppler-utils "command -v pdftotext"
  need qpdf "command -v qpdf"
  need chromium "command -v chromium || command -v chromium-browser || command -v google-chrome"
fi

if [ ${#missing[@]} -gt 0 ]; then
  may_install || fail "these system packages are missing: ${missing[*]}
Ask an administrator for: apt install ${missing[*]}"
  echo "set-up: installing ${missing[*]} with apt"
  log=$(mktemp)
  { as_root apt-get update -q &&
    as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends "${missing[@]}"; } >"$log" 2>&1 ||
    { tail -n 20 "$log" >&2; fail "apt could not install: ${missing[*]} (its words are above)"; }
  rm -f "$log"
fi

case $level in
  run) lock=requirements-local.txt ;;
  dev) lock=requirements-dev.txt ;;
  *) fail "unknown level '$level': use run or dev" ;;
esac

mkdir -p var
exec 9>var/setup.lock  # two runs at once wait for each other
flock 9

version=$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
wanted="$version $(sha256sum requirements-local.txt requirements-dev.txt config/scripts.lock | sha256sum | cut -c1-16)"
stamp=.venv/flowledger-set-up
have=$(cat "$stamp" 2>/dev/null || true)
[ "$have" = "$wanted dev" ] && exit 0
[ "$have" = "$wanted $level" ] && exit 0

if [ -x .venv/bin/python ] && ! .venv/bin/python -c "import sys; sys.exit('%d.%d' % sys.version_info[:2] != '$version')" 2>/dev/null; then
  echo "set-up: .venv was made with another Python; making it anew"
  rm -rf .venv
fi
[ -x .venv/bin/python ] || "$python" -m venv .venv
echo "set-up: installing the Python packages of $lock"
# Wheels only, so that nothing is compiled here; two that only tests need are published as Python source alone.
.venv/bin/python -m pip install --quiet --disable-pip-version-check --no-input \
  --only-binary :all: --no-binary psychrolib,yattag --require-hashes -r "$lock" >var/pip.log 2>&1 ||
  { grep -v '^WARNING: Location' var/pip.log | tail -n 30 >&2; fail "the Python packages could not be installed (pip's words are above)"; }
.venv/bin/python -m config.local.scripts >var/scripts.log 2>&1 ||
  { tail -n 20 var/scripts.log >&2; fail "the browser's scripts of config/scripts.lock could not be fetched (npm's words are above)"; }
printf '%s' "$wanted $level" >"$stamp"
