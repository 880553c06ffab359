#!/usr/bin/env python3
"""Compare the hop lists of a `hopwright` binary with the oracle, byte for byte.

    compare.py --hopwright PATH --seed S --plans N

The plans are random, the same for the same seed, and live in a temporary directory; to keep them,
call `random_plans.py` with the same seed and count.
"""

import argparse
import subprocess
import sys
import tempfile
from itertools import groupby, zip_longest
from pathlib import Path

from oracle import Net, Plan, Timeline, hops_csv
from random_plans import write_plans

PATIENCE_S = 60


def first_difference(ours, theirs):
    """Where two texts part, as a text of three lines, or None when they are equal."""
    if ours == theirs:
        return None
    pairs = zip_longest(ours.splitlines(True), theirs.splitlines(True))
    for number, (mine, other) in enumerate(pairs, 1):
        if mine != other:
            return f"line {number}\n    oracle    {mine!r}\n    hopwright {other!r}"
    return "no line differs, the bytes do"


def ask_binary(binary, plan_file, lane, first, count):
    """Run the binary; return its standard output, or raise with what it said."""
    words = ["--lane", lane, "--from", first, "--count", count, "--format", "csv"]
    command = [binary, "hops", str(plan_file), *map(str, words)]
    done = subprocess.run(command, capture_output=True, timeout=PATIENCE_S, check=False)
    if done.returncode != 0:
        said = done.stderr.decode(errors="replace").strip()
        raise RuntimeError(f"exit status {done.returncode}: {said}")
    return done.stdout.decode(errors="replace")


def compare_row(binary, folder, plan, row):
    """What is wrong with one row of the index, or None."""
    file, lane, first, count = row
    try:
        theirs = ask_binary(binary, folder / file, lane, first, count)
    except (RuntimeError, OSError, subprocess.TimeoutExpired) as error:
        return str(error)
    return first_difference(hops_csv(Timeline(Net(plan, lane)), first, count), theirs)


def compare_plan(binary, folder, file, rows):
    """Compare every row of one plan, print the outcome, return whether all are equal."""
    plan = Plan.read(folder / file)
    for row in rows:
        wrong = compare_row(binary, folder, plan, row)
        if wrong is not None:
            print(f"{file}: DIFFERS, lane {row[1]}, from {row[2]}: {wrong}", flush=True)
            return False
    print(f"{file}: equal, {len(rows)} rows", flush=True)
    return True


def main():
    """The command line; see the top of this file."""
    parser = argparse.ArgumentParser(description="Compare a binary with the oracle.")
    parser.add_argument("--hopwright", required=True, help="path of the binary")
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--plans", type=int, required=True)
    asked = parser.parse_args()
    binary = str(Path(asked.hopwright).resolve())
    passed = failed = 0
    with tempfile.TemporaryDirectory() as folder:
        rows = write_plans(asked.seed, asked.plans, folder)
        for file, group in groupby(rows, key=lambda row: row[0]):
            if compare_plan(binary, Path(folder), file, list(group)):
                passed += 1
            else:
                failed += 1
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
