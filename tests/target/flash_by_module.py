#!/usr/bin/env python3
"""What each module of the core takes of an image's code, by the image's own line table.

    flash_by_module.py IMAGE

Every instruction counts for the module of the core in which its line stands. Of functions that have been inlined into each
other it is the innermost one of the core: a sum that `clock` asks of a library is `clock`'s. What no line of the core has
asked for is a library's by its name, or the program's around the core. The image needs a line table (`debug = 1`, which changes no
instruction); the tools are those of the cross compiler. Constants are not in it.

Prints `bytes module`, the largest first, and the sum.

Exit status: 0, 2 if the image cannot be read or has no line table.
"""

import collections
import re
import subprocess
import sys

OWN = re.compile(r"/core/src/([^:]*)\.rs:")
LIBRARY = re.compile(r"/registry/src/[^/]*/([^/]*?)-\d")


def instructions(image):
    """The (address, length) of each piece of code, as it is disassembled."""
    dump = subprocess.run(
        ["arm-none-eabi-objdump", "-d", "-j", ".text", image],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    for address, code in re.findall(r"^ +([0-9a-f]+):\t([0-9a-f ]+)", dump, re.MULTILINE):
        yield int(address, 16), len(code.replace(" ", "")) // 2


def module(places):
    """Whose an instruction is, by the places that it comes from, the innermost first."""
    for place in places:
        own = OWN.search(place)
        if own and "/library/" not in place:
            return own[1].removesuffix("/mod").split("/")[0]
    for place in places:
        library = LIBRARY.search(place)
        if library:
            return library[1]
    if any("compiler-builtins" in place or "compiler_builtins" in place for place in places):
        return "(the compiler's)"
    return "(the program around it)"


def main():
    """The command line; see the top of this file."""
    if len(sys.argv) != 2:
        sys.exit("usage: flash_by_module.py IMAGE")
    image = sys.argv[1]
    try:
        code = list(instructions(image))
        found = subprocess.run(
            ["arm-none-eabi-addr2line", "-e", image, "-i", "-a"],
            input="".join(f"{address:#x}\n" for address, _ in code),
            capture_output=True,
            text=True,
            check=True,
        ).stdout
    except (OSError, subprocess.CalledProcessError) as error:
        print(f"{image}: {error}", file=sys.stderr)
        sys.exit(2)
    places = [part.splitlines()[1:] for part in re.split(r"^(?=0x)", found, flags=re.MULTILINE)[1:]]
    sums = collections.Counter()
    for (_, length), lines in zip(code, places, strict=True):
        sums[module(lines)] += length
    if not any(not name.startswith("(") for name in sums):
        print(f"{image}: no line table; build it with debug = 1", file=sys.stderr)
        sys.exit(2)
    for name, size in sums.most_common():
        print(f"{size:8} {name}")
    print(f"{sums.total():8} sum")


if __name__ == "__main__":
    main()
