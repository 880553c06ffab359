#!/usr/bin/env bash
# What has changed in the core's public interface since its baseline, by semantic versioning.
#
#     tests/semver.sh
#
# The baseline is the commit that core/semver-baseline names. A change that breaks callers either goes, or
# becomes the new baseline together with its entry in the changelog; a release becomes it in any case.
# Needs cargo-semver-checks (cargo install cargo-semver-checks --locked). Exit status: 0 nothing breaks, 1 something
# does, 2 the tool or the baseline is missing.
set -euo pipefail
cd "$(dirname "$0")/.."
baseline=$(cat core/semver-baseline)
if ! git cat-file -e "$baseline^{commit}" 2>/dev/null; then
    printf 'error: core/semver-baseline: the commit %s is not here\nhelp: git fetch --unshallow\n' "$baseline" >&2
    exit 2
fi
if ! cargo semver-checks --version >/dev/null 2>&1; then
    printf 'error: there is no cargo-semver-checks\nhelp: cargo install cargo-semver-checks --locked\n' >&2
    exit 2
fi
# Nothing has been released, so the version says nothing: whatever breaks a caller is told.
cargo semver-checks --package hopwright-core --all-features --baseline-rev "$baseline" --release-type minor || exit 1
