#!/usr/bin/env bash
# Lines, functions and regions of the core that its own tests and the conformance tests reach.
#
#     tests/coverage.sh [more arguments for cargo-llvm-cov, such as --html]
#
# Needs cargo-llvm-cov and cargo-nextest (cargo install --locked) and the component llvm-tools. The same tests
# as for mutants (tests/mutants.sh), with more cases.
set -euo pipefail
cd "$(dirname "$0")/.."
source tests/core-tests.sh
export PROPTEST_CASES=${PROPTEST_CASES:-32}
# Nothing else belongs to what is measured.
others='(tests|capi|sim-host|registry)/|tests\.rs$'
exec cargo llvm-cov nextest --cargo-profile mutants --no-default-features \
    --package hopwright-core --package hopwright-tests --package hopwright-schedules \
    --features "$features" \
    --ignore-filename-regex "$others" "${@:---summary-only}" -E "$quick"
