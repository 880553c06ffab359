#!/usr/bin/env python3
"""What the mutation runs of tests/mutants.sh have come to: figures by file, and what survived.

    tests/mutants.py [FOLDER]          target/mutants, unless told

Outcomes are collected over runs in FOLDER/verdicts.json. A mutant is killed if a test fails. One whose
tests do not end within their time is told apart: the tests take seconds, so it was an endless loop, unless the
machine was busy. One that does not compile counts for nothing.

A verdict counts as long as there is such a mutant: the name of one holds its line, so that it is gone when that
has moved.

Exit status: 0, 1 if fewer than 90 of 100 were killed, 2 if there is nothing to read.
"""

import json
import pathlib
import subprocess
import sys

VERDICTS = {
    "CaughtMutant": "killed",
    "Timeout": "endless",
    "MissedMutant": "survived",
    "Unviable": "does not compile",
}


def collect(folder: pathlib.Path) -> dict[str, str]:
    """All verdicts, those of the last runs added; a later one replaces an earlier one."""
    store = folder / "verdicts.json"
    verdicts = json.loads(store.read_text()) if store.exists() else {}
    for run in ("mutants.out.old", "mutants.out"):
        outcomes = folder / run / "outcomes.json"
        if not outcomes.exists():
            continue
        for outcome in json.loads(outcomes.read_text())["outcomes"]:
            if "Mutant" not in outcome["scenario"]:
                continue
            verdict = VERDICTS[outcome["summary"]]
            # A build that did not end says nothing about the tests.
            if verdict == "endless" and outcome["phase_results"][-1]["phase"] != "Test":
                continue
            verdicts[outcome["scenario"]["Mutant"]["name"]] = verdict
    command = ["cargo", "mutants", "--list", "--colors", "never", "--package", "hopwright-core"]
    here = pathlib.Path(__file__).parent
    listed = subprocess.run(command, check=True, capture_output=True, text=True, cwd=here)
    verdicts = {name: verdicts[name] for name in listed.stdout.splitlines() if name in verdicts}
    store.write_text(json.dumps(verdicts, indent=0, sort_keys=True))
    return verdicts


def main() -> int:
    folder = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else "target/mutants")
    try:
        verdicts = collect(folder)
    except (OSError, ValueError, KeyError, subprocess.CalledProcessError) as error:
        print(f"error: {folder}: no outcomes of mutation runs: {error!r}", file=sys.stderr)
        print("help: tests/mutants.sh 0/8 makes some", file=sys.stderr)
        return 2
    if not verdicts:
        print(f"error: {folder}: no mutant has been tried", file=sys.stderr)
        print("help: tests/mutants.sh 0/8 tries every eighth", file=sys.stderr)
        return 2
    rows: dict[str, list[str]] = {}
    for name, verdict in verdicts.items():
        rows.setdefault(name.split(":", 1)[0].removeprefix("core/src/"), []).append(verdict)
    rows["all"] = list(verdicts.values())
    kinds = ("killed", "endless", "survived")
    print("".join(f"{kind:>9}" for kind in kinds), " file")
    for file, of_file in sorted(rows.items(), key=lambda row: (row[0] == "all", row[0])):
        print("".join(f"{of_file.count(kind):9}" for kind in kinds), f" {file}")
    killed, endless, survived = (rows["all"].count(kind) for kind in kinds)
    tried = killed + endless + survived
    share = (killed + endless) / tried if tried else 0.0
    print(f"{killed + endless} of {tried} killed: {100 * share:.1f} %, {endless} of them endless")
    for what in ("survived", "endless"):
        for name in sorted(name for name, verdict in verdicts.items() if verdict == what):
            print(f"{what}: {name}")
    return 0 if share >= 0.9 else 1


if __name__ == "__main__":
    sys.exit(main())
