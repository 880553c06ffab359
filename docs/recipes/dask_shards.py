#!/usr/bin/env python3
"""Runs a sweep's shards as tasks of Dask, and puts them together when all have ended.

    pip install dask distributed
    python docs/recipes/dask_shards.py SWEEP.toml DIR --shards 8                      # this machine
    python docs/recipes/dask_shards.py SWEEP.toml DIR --shards 64 --scheduler tcp://HOST:8786

Workers must see SWEEP.toml and DIR under the same path and have `hopwright` (PATH, or --hopwright).
DIR must be new, or that of the same campaign: what it has finished is not run again. What stands
behind `--` goes to `hopwright sweep` as it is: `-- --trials 1000`.
"""

import argparse
import os
import shutil
import subprocess
import sys

from dask.distributed import Client, LocalCluster, as_completed


def shard(command: list[str], index: int, of: int) -> str:
    """Runs one shard; what it says, or the error that it ends with."""
    done = subprocess.run(
        [*command, "--jobs", "1", "--shard", f"{index}/{of}"], capture_output=True, text=True
    )
    if done.returncode != 0:
        raise RuntimeError(f"shard {index}/{of}, status {done.returncode}: {done.stderr.strip()}")
    return done.stdout.strip()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("sweep")
    parser.add_argument("out")
    parser.add_argument("--shards", type=int, required=True)
    parser.add_argument("--scheduler", help="address of a running scheduler; none: this machine")
    parser.add_argument("--hopwright", default="hopwright")
    arguments = sys.argv[1:]
    further = []
    if "--" in arguments:
        at = arguments.index("--")
        arguments, further = arguments[:at], arguments[at + 1 :]
    args = parser.parse_args(arguments)
    hopwright = shutil.which(args.hopwright)
    if hopwright is None:
        parser.error(f"there is no {args.hopwright} in PATH")
    sweep, out = os.path.abspath(args.sweep), os.path.abspath(args.out)
    command = [os.path.abspath(hopwright), "sweep", sweep, "--out", out, *further]

    # Processes of one thread: a task only waits for the process that it has started.
    cluster = None if args.scheduler else LocalCluster(threads_per_worker=1, dashboard_address=None)
    failed = 0
    with Client(args.scheduler or cluster) as client:
        # Not pure: the same call is to be run again, for it goes on where it was cut off.
        tasks = [
            client.submit(shard, command, index, args.shards, pure=False, retries=1)
            for index in range(1, args.shards + 1)
        ]
        for task in as_completed(tasks):
            if task.exception() is None:
                print(task.result())
            else:
                failed += 1
                print(task.exception(), file=sys.stderr)
    if cluster is not None:
        cluster.close()
    if failed:
        print(f"{failed} of {args.shards} shards failed; run this again", file=sys.stderr)
        return 1
    # Without --shard a run puts together what the shards have left.
    return subprocess.run(command).returncode


if __name__ == "__main__":
    sys.exit(main())
