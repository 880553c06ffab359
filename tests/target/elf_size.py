#!/usr/bin/env python3
"""Bytes of flash and RAM that an ELF image takes, from its section headers.

    elf_size.py IMAGE...

Prints `flash RAM file` for each image: flash holds every loaded section, those that are copied to
RAM at the start included; RAM holds every writable one. The stack is nobody's section. A linker
sees the same sections, so no tool of the compiler's is needed.
"""

import struct
import sys
from pathlib import Path

WRITE, ALLOC = 1, 2
NOBITS = 8


def sections(image):
    """The (type, flags, size) of each section of a 32-bit little-endian ELF file."""
    if image[:6] != b"\x7fELF\x01\x01":
        raise ValueError("no 32-bit little-endian ELF file")
    (start,) = struct.unpack_from("<I", image, 0x20)
    width, count = struct.unpack_from("<HH", image, 0x2E)
    for i in range(count):
        at = start + i * width
        _, kind, flags, _, _, size = struct.unpack_from("<6I", image, at)
        yield kind, flags, size


def sizes(image):
    """Bytes of flash and bytes of RAM."""
    loaded = [section for section in sections(image) if section[1] & ALLOC]
    flash = sum(size for kind, _, size in loaded if kind != NOBITS)
    ram = sum(size for _, flags, size in loaded if flags & WRITE)
    return flash, ram


def main():
    """The command line; see the top of this file."""
    if len(sys.argv) < 2:
        sys.exit("usage: elf_size.py IMAGE...")
    for name in sys.argv[1:]:
        try:
            flash, ram = sizes(Path(name).read_bytes())
        except (OSError, ValueError, struct.error) as error:
            sys.exit(f"{name}: {error}")
        print(flash, ram, name)


if __name__ == "__main__":
    main()
