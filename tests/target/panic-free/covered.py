#!/usr/bin/env python3
"""Is the whole public interface of the core referred to by the image that proves it free of panics?

    covered.py [--list] [IMAGE]

    --list   print every item, and whether it is referred to
    IMAGE    a folder with the image's sources, instead of `src` beside this file

What is not referred to is not linked, and of what is not linked the linker says nothing. So this reads
the core's sources and the image's, and names every item of the public interface that the image leaves out:

- every `pub fn`, and every method of a `pub trait`;
- every `Display`, `Debug` and `Default` that is written by hand for a public type;
- every `defmt::Format` of a public type, by hand or derived.

What counts as a reference:

- of a function: a call by its path, `golay::encode(` or after an import `encode(`;
- of what takes no `self`: its path, `units::Slot::new` or after an import `Slot::new`;
- of a method: its path, or a call `.name(`, but that only if the name belongs to one public type
  alone, and is not one that the standard library's types have too;
- of `Display`: `say::<Type>(`; of `Debug`: `show::<Type>(`; of `defmt::Format`: `log::<Type>(`; of
  `Default`: `Type::default`.

Paths are followed through the imports of the file they stand in, so a `Share` of `tree` is not taken for
one of `stream`. The driver for executors (`front_end::asynchronous`) must be in
`asynchronous.rs`, and that file counts for nothing else.

What it cannot see: whether a reference stands where the image comes to it, and whether its inputs are
unknown to the optimiser; a call `.name(` that is another type's after all; impls of other traits, and
derived ones but for `Format`; public fields and constants. It understands sources as `cargo fmt` leaves
them. Code for tests, for `_model` and for `_fuzz` is no part of the interface.

Exit status: 0 all of it is, 1 something is not, or an exception is not needed any more, 2 the sources
could not be understood.
"""

import collections
import pathlib
import re
import sys

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parents[2]
CORE = ROOT / "core" / "src"
CRATE = "hopwright_core"
ASYNC = f"{CRATE}::front_end::asynchronous::"

# What need not be referred to, and why. An entry that no item needs is an error.
EXCEPTIONS: dict[str, str] = {}

# Methods of slices, numbers, iterators, options and results: a call of one of these may be anybody's.
STANDARD = frozenset(
    "all any at borrow bytes chain chunks clear clone contains copied count end eq err expect extend fill "
    "filter find first flush fmt fold from get get_mut insert into into_iter is_empty is_err is_none is_ok "
    "is_some iter iter_mut join last left len load lock map max min new next nth of ok open or other "
    "pop position push put read remove repeat replace rev send set skip slot sort split start store "
    "sum swap take text then truncate unwrap_or_default wait wake write zip".split()
)

# Attributes that take an item out of the interface.
OUT = re.compile(r'#\[cfg\((?:test|feature = "_model"|feature = "_fuzz")\)\]$')
ATTRIBUTE = re.compile(r"#!?\[[^\]]*\]")
FUNCTION = re.compile(r'^(?P<public>pub )?(?:const |async |unsafe |extern "" )*fn (?P<name>\w+)')
MODULE = re.compile(r"^(?P<public>pub )?(?:pub\([^)]*\) )?mod (?P<name>\w+)$")
TYPE = re.compile(r"^pub (?:struct|enum|union) (?P<name>\w+)")
TRAIT = re.compile(r"^pub trait (?P<name>\w+)")
BY_HAND = ("Display", "Debug", "Default", "Format")
# What each formatter is called with in the image.
WAYS = {"Display": "say", "Debug": "show", "Format": "log"}

Item = collections.namedtuple("Item", "kind path owner name takes_self file line")


class NotUnderstood(Exception):
    """The sources are not written as this script can read them."""


def blank(text):
    """The text without what stands in comments, strings and characters; lines stay where they are."""
    token = re.compile(
        r"""//[^\n]*|/\*.*?\*/|b?"(?:\\.|[^"\\])*"|b?'(?:\\.[^']*|[^'\\\n])'""", re.DOTALL
    )

    def emptied(found):
        what = found.group()
        if what.startswith('"') or what.startswith('b"'):
            # Features keep their names.
            return what if "\n" not in what and re.fullmatch(r'"_?[a-z-]+"', what) else '""' + "\n" * what.count("\n")
        return "\n" * what.count("\n") if what.startswith("/") else "0"

    return token.sub(emptied, text)


def angles(text):
    """The text without everything in angle brackets: `impl<'a, const N: usize> Foo<'a, N>` is `impl Foo`."""
    text = re.sub(r"[-=]>", "", text)
    before = None
    while before != text:
        before, text = text, re.sub(r"<[^<>]*>", "", text)
    return text


def declarations(text):
    """Yields (line, attributes, declaration, whether it has a body, the declarations around it)."""
    around = []
    start = 0
    depth = 0
    for at, sign in ((found.start(), found.group()) for found in re.finditer(r"[{};()\[\]]", text)):
        if sign in "([":
            depth += 1
            continue
        if sign in ")]":
            depth -= 1
            continue
        # An array type `[u8; 4]` has a semicolon that ends nothing.
        if depth and sign == ";":
            continue
        if sign == "}":
            if around:
                around.pop()
            start = at + 1
            continue
        piece = text[start:at]
        attributes = ATTRIBUTE.findall(piece)
        declaration = " ".join(ATTRIBUTE.sub(" ", piece).split())
        first = re.search(r"\S", ATTRIBUTE.sub(lambda found: re.sub(r"\S", " ", found.group()), piece))
        line = text.count("\n", 0, start + (first.start() if first else 0)) + 1
        yield line, attributes, declaration, sign == "{", list(around)
        if sign == "{":
            around.append((attributes, declaration))
        start = at + 1


def public_paths():
    """The sources of the core, each with the path under which what is public in it is known."""
    found = {}

    def module(file, folder, path):
        text = blank(file.read_text(encoding="utf-8"))
        found[file] = (path, text)
        for _, attributes, declaration, body, around in declarations(text):
            name = MODULE.match(declaration)
            if not name or body or around or any(OUT.match(a) for a in attributes):
                continue
            inner = path + name["name"] + "::" if name["public"] else path
            flat, deep = folder / f"{name['name']}.rs", folder / name["name"] / "mod.rs"
            module(flat if flat.exists() else deep, folder / name["name"], inner)

    module(CORE / "lib.rs", CORE, f"{CRATE}::")
    return found


def interface():
    """Every item of the public interface."""
    sources = public_paths()
    types = collections.defaultdict(list)
    for file, (path, text) in sources.items():
        for _, _, declaration, _, around in declarations(text):
            if not around and (name := TYPE.match(declaration)):
                types[name["name"]].append((file, path))

    def of_type(name, file, path):
        """The path of the type that an `impl` in this file is for, if it is public."""
        candidates = types.get(name, [])
        here = [there for where, there in candidates if where == file]
        near = [there for _, there in candidates if there == path]
        if here or near or len(candidates) == 1:
            return (here or near or [candidates[0][1]])[0] + name
        if candidates:
            raise NotUnderstood(f"{file}: which {name} is meant?")
        return None

    items = []
    for file, (path, text) in sources.items():
        for line, attributes, declaration, body, around in declarations(text):
            add = lambda kind, owner, name, takes_self=False: items.append(
                Item(kind, f"{owner}{name}", owner, name, takes_self, file, line)
            )
            kept = [attributes] + [outer for outer, _ in around]
            if any(OUT.match(a) for group in kept for a in group):
                continue
            outer = [angles(text) for _, text in around]
            if outer and outer[0].startswith("macro_rules"):
                continue
            if declaration.startswith("macro_rules"):
                begin = text.index(declaration)
                written = text[begin : text.index("\n}", begin)]
                if re.search(r"\bpub\b.*\bfn\b|\bimpl\b", written) and "macro_rules! redacted" not in declaration:
                    raise NotUnderstood(f"{file}:{line}: teach this script what {declaration} makes")
                continue
            if redacted := re.search(r"\bredacted!\((\w+)", declaration):
                if not outer and (owner := of_type(redacted[1], file, path)):
                    add("Debug", owner, "")
                    add("Format", owner, "")
                continue
            if not outer and (name := TYPE.match(declaration)):
                if any("defmt::Format" in a for a in attributes):
                    add("Format", path + name["name"], "")
                continue
            if function := FUNCTION.match(declaration):
                takes_self = bool(re.search(r"\(\s*(?:&\s*(?:'\w+\s+)?)?(?:mut )?self\b", declaration))
                if not outer:
                    if function["public"]:
                        add("function", path, function["name"])
                elif len(outer) > 1:
                    if function["public"]:
                        raise NotUnderstood(f"{file}:{line}: a public function so deep in")
                elif trait := TRAIT.match(outer[0]):
                    add("method", f"{path}{trait['name']}::", function["name"], takes_self)
                elif function["public"]:
                    name = re.match(r"(?:unsafe )?impl ?(\w+)", outer[0])
                    owner = name and of_type(name[1], file, path)
                    if not owner:
                        raise NotUnderstood(f"{file}:{line}: whose is {function['name']}?")
                    add("method", owner + "::", function["name"], takes_self)
                continue
            if not outer and body and declaration.startswith("impl"):
                parts = re.match(r"impl ?([\w:]+) for (.+)", angles(declaration))
                if parts and (trait := parts[1].split("::")[-1]) in BY_HAND:
                    if not re.match(r"\w+(?: where\b|$)", parts[2]):
                        raise NotUnderstood(f"{file}:{line}: for which type is this {trait}?")
                    if owner := of_type(parts[2].split()[0], file, path):
                        if trait == "Default":
                            add("method", owner + "::", "default")
                        else:
                            add(trait, owner, "")
    return items


def imported(text):
    """What names mean in a file of the image, by its imports."""
    names = {}

    def tree(prefix, rest):
        rest = rest.strip()
        if group := re.fullmatch(r"((?:\w+::)*)\{(.*)\}", rest, re.DOTALL):
            depth, part = 0, ""
            for sign in group[2] + ",":
                depth += (sign == "{") - (sign == "}")
                if sign == "," and not depth:
                    if part.strip():
                        tree(prefix + group[1], part)
                    part = ""
                else:
                    part += sign
            return
        path, _, alias = rest.partition(" as ")
        path = (prefix + path).removesuffix("::self")
        names[alias.strip() or path.split("::")[-1]] = path

    for use in re.finditer(r"\buse ([^;]+);", text):
        tree("", use[1])
    return names


def references(image):
    """What the image refers to: paths, those called with a `(` behind them; names of methods called; types
    by the formatters that run for them. By whether it is the file for executors."""
    found = {side: (set(), set(), collections.defaultdict(set)) for side in (False, True)}
    for file in sorted(image.glob("**/*.rs")):
        paths, calls, formatted = found[file.name == "asynchronous.rs"]
        text = blank(file.read_text(encoding="utf-8"))
        names = imported(text)
        body = re.sub(r"\buse [^;]+;", "", text)

        def whole(path):
            first, *rest = path.split("::")
            return "::".join([names.get(first, first), *rest])

        for formatter, path in re.findall(r"\b(say|show|log)::<\s*([\w:]+)", body):
            formatted[formatter].add(whole(path))
        calls.update(re.findall(r"\.(\w+)(?:::<[^()]*>)?\(", body))
        # `Sequence::<N>::new` is `Sequence::new`.
        before = None
        while before != body:
            before, body = body, re.sub(r"::<[^<>]*>", "", body)
        path = re.compile(r"(?:(?<![\w.:])|(?<=\.\.))([A-Za-z_]\w*(?:::\w+)*)(\(?)")
        for name, call in path.findall(body):
            paths.update({whole(name), whole(name) + call})
    return found


def main():
    arguments = sys.argv[1:]
    listed = arguments[:1] == ["--list"]
    folders = [pathlib.Path(name) for name in arguments[listed:]]
    if len(folders) > 1 or not all(folder.is_dir() for folder in folders):
        print(__doc__, file=sys.stderr)
        return 2
    try:
        items = interface()
    except NotUnderstood as why:
        print(why, file=sys.stderr)
        return 2
    if not items:
        print(f"no public interface found in {CORE}", file=sys.stderr)
        return 2
    owners = collections.defaultdict(set)
    for item in items:
        if item.kind == "method" and item.takes_self:
            # The two drivers are twins, each referred to in a file of its own.
            owners[item.name].add(item.owner.replace("::asynchronous", ""))
    found = references(folders[0] if folders else HERE / "src")
    left_out = []
    needless = set(EXCEPTIONS)
    for item in items:
        paths, calls, formatted = found[item.path.startswith(ASYNC)]
        if way := WAYS.get(item.kind):
            name = item.path.split("::")[-1]
            referred, advice = item.path in formatted[way], f"`{way}::<{name}>(..)`"
        elif item.kind == "function":
            short = "::".join(item.path.split("::")[-2:])
            referred, advice = item.path + "(" in paths, f"call `{short}(..)`"
        else:
            short = "::".join(item.path.split("::")[-2:])
            referred, advice = item.path in paths, f"call `{short}`"
            if item.takes_self and len(owners[item.name]) == 1 and item.name not in STANDARD:
                referred, advice = referred or item.name in calls, f"{advice} or `.{item.name}(`"
        label = f"{item.path}{' (' + item.kind + ')' if item.kind in WAYS else ''}"
        if listed:
            print(f"{'yes' if referred else 'NO '}  {label}")
        if not referred:
            if label in EXCEPTIONS:
                needless.discard(label)
            else:
                place = f"{item.file.relative_to(ROOT)}:{item.line}"
                left_out.append(f"{place}: {label} is not in the image: {advice} in panic-free/src")
    for line in left_out:
        print(line)
    for label in sorted(needless):
        print(f"{label} needs no exception: take it out of EXCEPTIONS in covered.py")
    if left_out or needless:
        return 1
    print(f"{len(items)} items of the public interface, all of them in the image")
    return 0


if __name__ == "__main__":
    sys.exit(main())
