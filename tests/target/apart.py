#!/usr/bin/env python3
"""Which functions of the core should be apart (`#[inline(never)]`), and which should not: tried one by one.

    apart.py FEATURES FILE...         the features of the image `full`; files below core/src

For each function the attribute is added, or taken away if it is there, the image is built for the
Cortex-M4, and what makes it smaller is kept for the next. All that in a copy: the working tree is not
touched. Five seconds a function. Prints `+` or `-`, the file, the function and the bytes; a change is worth
having if it is more than a few, and costs nothing that `run.sh` counts.

Exit status: 0, 2 if it cannot be tried.
"""

import os
import pathlib
import re
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parents[2]
FUNCTION = re.compile(r"^(\s*)(?:pub(?:\([a-z]+\))? )?(?:const )?fn (\w+)")
IMAGE = "thumbv7em-none-eabihf/release/full"


def copy_to(folder: str) -> None:
    """The files that git knows, or would."""
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard", "-z"], cwd=ROOT, check=True, capture_output=True
    ).stdout
    for name in filter(None, listed.decode().split("\0")):
        into = pathlib.Path(folder, name)
        into.parent.mkdir(parents=True, exist_ok=True)
        into.write_bytes((ROOT / name).read_bytes())


def size(folder: pathlib.Path, features: str) -> int | None:
    """The bytes of the image; nothing if it does not build."""
    target = os.environ.get("CARGO_TARGET_DIR", str(folder / "target"))
    arguments = ["--locked", "--release", "--quiet", "--target", IMAGE.split("/")[0]]
    built = subprocess.run(
        ["cargo", "build", *arguments, "--package", "hopwright-size", "--features", features],
        cwd=folder,
        env=dict(os.environ, CARGO_TARGET_DIR=target),
        capture_output=True,
    )
    if built.returncode != 0:
        return None
    told = subprocess.run(
        [sys.executable, "elf_size.py", f"{target}/{IMAGE}"], cwd=folder, check=True, capture_output=True
    )
    return int(told.stdout.split()[0])


def turned(lines: list[str], at: int) -> tuple[str, list[str]]:
    """The lines with the attribute of the function at a line added, or taken away."""
    above = at - 1
    while above >= 0 and lines[above].strip().startswith("#["):
        if "inline" in lines[above]:
            return "-", lines[:above] + lines[above + 1 :]
        above -= 1
    indent = FUNCTION.match(lines[at])[1]
    return "+", lines[:at] + [indent + "#[inline(never)]"] + lines[at:]


def main() -> int:
    """The command line; see the top of this file."""
    if len(sys.argv) < 3:
        print(__doc__, file=sys.stderr)
        return 2
    features, files = sys.argv[1], sys.argv[2:]
    with tempfile.TemporaryDirectory() as copy:
        copy_to(copy)
        folder = pathlib.Path(copy, "tests/target")
        best = size(folder, features)
        if best is None:
            print("the image does not build as it is", file=sys.stderr)
            return 2
        print(f"{best} bytes", flush=True)
        for name in files:
            path = pathlib.Path(copy, "core/src", name)
            at = 0
            while True:
                lines = path.read_text().split("\n")
                end = next((i for i, line in enumerate(lines) if line == "#[cfg(test)]"), len(lines))
                at = next((i for i in range(at, end) if FUNCTION.match(lines[i])), None)
                if at is None:
                    break
                function = FUNCTION.match(lines[at])[2]
                sign, other = turned(lines, at)
                path.write_text("\n".join(other))
                tried = size(folder, features)
                if tried is not None and tried < best:
                    print(f"{sign} {name} {function}: {tried - best}", flush=True)
                    best = tried
                    at += 1 if sign == "+" else -1
                else:
                    path.write_text("\n".join(lines))
                at += 1
        print(f"{best} bytes", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
