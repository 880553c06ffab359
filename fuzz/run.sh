#!/usr/bin/env bash
# Every fuzz target for so many seconds, one after the other, from its seeds and its corpus.
#
#     fuzz/run.sh SECONDS [TARGET ...]
#
# Exit status: 0 if none failed, 1 if one did (the input is in fuzz/artifacts), 2 for bad
# arguments, 3 if there is no nightly compiler or no cargo-fuzz and none can be installed: then
# nothing has been run.
set -euo pipefail
cd "$(dirname "$0")/.."

seconds=${1:-}
case $seconds in
    '' | *[!0-9]* | 0)
        printf 'error: `%s` is no number of seconds\nhelp: fuzz/run.sh 60\n' "$seconds" >&2
        exit 2
        ;;
esac
shift
all=()
for path in fuzz/fuzz_targets/*.rs; do all+=("$(basename "$path" .rs)"); done
targets=("$@")
[ $# -gt 0 ] || targets=("${all[@]}")
for target in "${targets[@]}"; do
    case " ${all[*]} " in
        *" $target "*) ;;
        *)
            printf 'error: there is no target `%s`\nhelp: use one of: %s\n' "$target" "${all[*]}" >&2
            exit 2
            ;;
    esac
done

skip() { # why
    printf '\nSKIPPED: fuzzing: %s. Nothing has been run.\n\n' "$1" >&2
    exit 3
}
cargo +nightly --version >/dev/null 2>&1 ||
    rustup toolchain install nightly --profile minimal >/dev/null 2>&1 ||
    skip "there is no nightly compiler, and none can be installed"
cargo fuzz --version >/dev/null 2>&1 ||
    cargo install cargo-fuzz --locked >/dev/null 2>&1 ||
    skip "there is no cargo-fuzz, and it cannot be installed"

# Thin link-time optimisation of eleven programs takes longer than a short run of them.
export CARGO_PROFILE_RELEASE_LTO=off
log=$(mktemp)
trap 'rm -f "$log"' EXIT
for target in "${targets[@]}"; do
    mkdir -p "fuzz/corpus/$target"
    # One target needs the simulator, which takes minutes to build.
    planner=(--no-default-features)
    # Its scenarios are longer than any other input, too.
    longest=2048
    [ "$target" != plan ] || { planner=() longest=4096; }
    if ! cargo +nightly fuzz run "${planner[@]}" "$target" "fuzz/corpus/$target" "fuzz/seeds/$target" -- \
        -max_total_time="$seconds" -timeout=20 -rss_limit_mb=3000 -max_len="$longest" \
        -print_final_stats=1 >"$log" 2>&1; then
        tail -n 40 "$log" >&2
        printf 'error: `%s` failed\nhelp: cargo +nightly fuzz run %s FILE, with the file named above\n' \
            "$target" "$target" >&2
        exit 1
    fi
    edges=$(grep -o 'cov: [0-9]*' "$log" | tail -n 1 | cut -d' ' -f2)
    runs=$(sed -n 's/^stat::number_of_executed_units: *//p' "$log")
    rate=$(sed -n 's/^stat::average_exec_per_sec: *//p' "$log")
    printf '%-22s %10s executions, %6s a second, %5s edges, no failure\n' \
        "$target" "$runs" "$rate" "$edges"
done
