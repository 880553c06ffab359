#!/usr/bin/env python3
"""Which panic paths are left in an image with asynchronous code, apart from the compiler's own.

    async_panics.py IMAGE

The compiler puts a panic into every `async fn`, for whoever polls it after its end. All panics go through
`core::panicking::panic_fmt` or its twin for code that must not unwind; so the first may be called for that
one alone, and the second not at all.

Exit status: 0 nothing else is left, 1 something is, 2 the image cannot be read or has no such panic at all,
in which case nothing is shown.
"""

import re
import subprocess
import sys

FUNCTION = re.compile(r"^[0-9a-f]+ <(?P<name>.+)>:$")
# A branch or a call to a function's beginning: targets within a function have an offset.
CALL = re.compile(r"\tb[a-z.]*\t[0-9a-f]+ <(?P<name>[^>+]+)>")
PANIC = re.compile(r"panicking\d+panic(_nounwind)?_fmt")
RESUMED = "panic_const_async_fn_resumed"


def callers(image: str) -> dict[str, set[str]]:
    """Who calls each function."""
    command = ["arm-none-eabi-objdump", "-d", "--no-show-raw-insn", image]
    text = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    found: dict[str, set[str]] = {}
    inside = ""
    for line in text.splitlines():
        if function := FUNCTION.match(line):
            inside = function["name"]
            found.setdefault(inside, set())
        elif call := CALL.search(line):
            found.setdefault(call["name"], set()).add(inside)
    return found


def main() -> int:
    if len(sys.argv) != 2:
        print(__doc__, file=sys.stderr)
        return 2
    try:
        found = callers(sys.argv[1])
    except (OSError, subprocess.CalledProcessError) as error:
        print(f"error: {sys.argv[1]}: {error}", file=sys.stderr)
        return 2
    panics = [name for name in found if PANIC.search(name)]
    resumed = [name for name in found if RESUMED in name]
    if not panics or not resumed:
        print("error: the image has no panic of an `async fn`: has it asynchronous code?", file=sys.stderr)
        return 2
    others = {caller for name in panics for caller in found[name]} - set(resumed)
    for name in sorted(others):
        print(f"a panic path is left: {name}, called by {', '.join(sorted(found[name])) or 'nobody seen'}")
    if not others:
        polled = {caller for name in resumed for caller in found[name]}
        print(f"none but the compiler's own in {len(polled)} functions, for a poll after the end")
    return 1 if others else 0


if __name__ == "__main__":
    sys.exit(main())
