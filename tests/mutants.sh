#!/usr/bin/env bash
# Mutation testing of the core: one line altered at a time, and the tests must notice.
#
#     tests/mutants.sh [SHARD/SHARDS] [more arguments for cargo-mutants]
#
# All of it takes hours; 0/8 is every eighth mutant, spread over all files. What a former run has caught is not
# asked again (--iterate). Needs cargo-mutants and cargo-nextest (cargo install --locked). Left out are
# the exhaustive model and some statistics, which take too long, and the few tests that need the simulator, so that
# it need not be built: what only they notice counts as missed. Results: target/mutants/mutants.out; tests/mutants.py reads them.
set -euo pipefail
cd "$(dirname "$0")/.."
source tests/core-tests.sh
shard=()
case ${1:-} in
    [0-9]*/[0-9]*)
        shard=(--shard "$1" --sharding round-robin)
        shift
        ;;
esac
mkdir -p target/mutants
# Few cases: a mutant that only one of a hundred inputs shows is hardly covered. That one fails is enough; to make
# its input small takes minutes without optimisation.
export PROPTEST_CASES=${PROPTEST_CASES:-8} PROPTEST_MAX_SHRINK_ITERS=0
exec cargo mutants --package hopwright-core --output target/mutants --iterate "${shard[@]}" \
    --test-package hopwright-core,hopwright-tests,hopwright-schedules \
    --profile mutants --test-tool nextest --timeout 150 --build-timeout 900 \
    --no-default-features \
    --features "$features" \
    "$@" -- -E "$quick"
