#!/usr/bin/env bash
# Mutation testing of the core: one line altered at a time, and the tests must notice.
#
#     tests/mutants.sh [SHARD/SHARDS] [more arguments for cargo-mutants]
#
# All of it takes hours; 0/8 is every eighth mutant, spread over all files. What a former run has caught is not
# asked again (--iterate). Needs cargo-mutants and cargo-nextest (cargo install --locked). Left out are
# the exhaustive model and some statistics, which take too long, and the tests that need the planner, so that
# the simulator need not be built: what only they notice counts as missed. Results: target/mutants/mutants.out; tests/mutants.py reads them.
set -euo pipefail
cd "$(dirname "$0")/.."
shard=()
case ${1:-} in
    [0-9]*/[0-9]*)
        shard=(--shard "$1" --sharding round-robin)
        shift
        ;;
esac
mkdir -p target/mutants
# What takes more than five seconds without optimisation: statistics of what others test one by one.
slow='channel_use::|correlation::|randomness::|lanes_are_disjoint|independent_implementation|decoder_fails_exactly'
slow="$slow|power_lost_after|waits_are_distributed|a_station_at_work"
# Few cases: a mutant that only one of a hundred inputs shows is hardly covered. That one fails is enough; to make
# its input small takes minutes without optimisation.
export PROPTEST_CASES=${PROPTEST_CASES:-8} PROPTEST_MAX_SHRINK_ITERS=0 HOPWRIGHT_SAMPLE=1
exec cargo mutants --package hopwright-core --output target/mutants --iterate "${shard[@]}" \
    --test-package hopwright-core,hopwright-tests,hopwright-schedules \
    --profile mutants --test-tool nextest --timeout 150 --build-timeout 900 \
    --no-default-features \
    --features hopwright-core/critical-section,hopwright-core/embedded-io,hopwright-core/_fuzz \
    "$@" -- -E "not test(/$slow/)"
