#!/usr/bin/env python3
"""Whether the code in a guide is code that is built: each block must stand in a source file.

    guide.py GUIDE LANGUAGE FOLDER...

The blocks are those fenced with the language's name; line breaks and indentation do not matter. The
sources are all files in the folders with the language's usual endings. Exit status 1 if a block stands
in none of them, or there is no block at all.
"""

import pathlib
import re
import sys

ENDINGS = {"rust": {".rs"}, "c": {".c", ".h"}, "toml": {".toml"}}


def main() -> int:
    if len(sys.argv) < 4 or sys.argv[2] not in ENDINGS:
        print(__doc__, file=sys.stderr)
        return 2
    guide, language, folders = sys.argv[1], sys.argv[2], sys.argv[3:]

    def flat(text: str) -> str:
        return " ".join(text.split())

    files = [path for folder in folders for path in sorted(pathlib.Path(folder).rglob("*"))]
    sources = [flat(path.read_text()) for path in files if path.suffix in ENDINGS[language]]
    text = pathlib.Path(guide).read_text()
    blocks = re.findall(rf"^```{language}\n(.*?)^```$", text, re.M | re.S)
    missing = [block for block in blocks if not any(flat(block) in source for source in sources)]
    for block in missing:
        print(f"{guide}: this stands in no source file:\n{block}")
    print(f"{len(blocks) - len(missing)} of {len(blocks)} blocks of {language} are built")
    return 1 if missing or not blocks else 0


if __name__ == "__main__":
    sys.exit(main())
