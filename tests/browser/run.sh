#!/usr/bin/env bash
# The report of the built-in exercise in a browser, and its traces in general tools. Installs what it
# needs itself: a browser and readers from Debian's packages, two modules from the npm registry. If
# any of it cannot be had, that is a failure: nothing is skipped.
#
#   bash tests/browser/run.sh [FOLDER FOR SCREENSHOTS]
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
pictures=${1:-$(mktemp -d)}

need() { # command package...
    local command=$1
    shift
    if ! command -v "$command" >/dev/null; then
        local sudo=""
        [ "$(id -u)" -eq 0 ] || sudo="sudo"
        $sudo apt-get update -q
        DEBIAN_FRONTEND=noninteractive $sudo apt-get install -yq --no-install-recommends "$@"
        command -v "$command" >/dev/null || { echo "no $command after installing $*" >&2; exit 1; }
    fi
}

need node nodejs npm
need npm npm
need chromium chromium fonts-dejavu-core
need tshark tshark
need vcd2fst gtkwave
cd "$here"
npm ci --no-audit --no-fund --loglevel=error

cd "$root"
if [ -z "${HOPWRIGHT-}" ]; then
    cargo build --release --locked -p hopwright-sim
    HOPWRIGHT=${CARGO_TARGET_DIR:-$root/target}/release/hopwright
fi
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
"$HOPWRIGHT" run --out "$work/run" --traces \
    --audio built-in --listen "boat heron" >/dev/null

cd "$here"
export REPORT_TEST="$(command -v chromium)
$work/run
$pictures"
node --test report.mjs traces.mjs
echo "screenshots: $pictures"
