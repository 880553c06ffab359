#!/usr/bin/env bash
# Runs a sweep as an array job of Slurm, one shard a task, and puts the shards together behind it.
#
#     docs/recipes/slurm.sh SWEEP.toml DIR N [further arguments of `hopwright sweep`]
#
# SWEEP.toml and DIR must be seen under the same path by all nodes, and DIR must be new, or that of
# the same campaign: then what it has finished is not run again. `hopwright` is taken from PATH, or
# from HOPWRIGHT.
set -euo pipefail

if [ "$#" -lt 3 ]; then
    echo "usage: $0 SWEEP.toml DIR N [further arguments]" >&2
    exit 2
fi
sweep=$(realpath "$1")
out=$(realpath -m "$2")
n=$3
shift 3
hopwright=$(command -v "${HOPWRIGHT:-hopwright}") || { echo "there is no hopwright in PATH" >&2; exit 2; }
hopwright=$(realpath "$hopwright")

# Words that pass through two shells.
command=$(printf '%q ' "$hopwright" sweep "$sweep" --out "$out" "$@")

# Logs lie beside DIR, not in it: that folder holds the campaign and nothing else.
# --signal: a task that runs out of time is told a minute before, and ends with what it has finished.
array=$(sbatch --parsable --job-name=hopwright --array="1-$n" --cpus-per-task=1 \
    --output="$out.%a.log" --signal=B:TERM@60 \
    --wrap="exec $command --jobs 1 --shard \$SLURM_ARRAY_TASK_ID/$n")
echo "shards: job $array, tasks 1 to $n"

# Without --shard a run puts together what the shards have left in DIR. It begins once all have
# ended well.
merge=$(sbatch --parsable --job-name=hopwright-merge --dependency="afterok:$array" \
    --kill-on-invalid-dep=yes --output="$out.log" --wrap="exec $command --jobs 1")
echo "results: job $merge, then in $out"
