#!/usr/bin/env python3
"""Write language-neutral test vectors, as JSON, from the oracle.

    vectors.py [DIR]

DIR is `tests/vectors` unless given. What the fields mean is in `tests/vectors/README.md`.
"""

import json
import sys
from dataclasses import asdict
from pathlib import Path

from oracle import (
    CUT_IN,
    KINDS,
    LABELS,
    RUN,
    SLOT_DEFAULTS,
    SYNC_WORD,
    Header,
    Net,
    NetKey,
    Plan,
    Timeline,
    copath_seed,
    countdown,
    cover,
    golay_encode,
    node_secret,
    open_header,
    quality,
    rekey_order,
    seal_header,
    sender_secret,
    slot_bits,
    traffic_key,
    tree_token,
)

LINE = 110
SPAN = 64
FAR = (1 << 32) - (1 << 20) + 77

KEYS = {
    "ascending": bytes(range(32)).hex(),
    "strides": bytes((37 * i + 11) % 256 for i in range(32)).hex(),
}


# ------------------------------------------------------------------------------- compact JSON


def pretty(value, indent=""):
    """JSON in which whatever fits stands on one line, and long lists of plain values are filled."""
    flat = json.dumps(value)
    if len(indent) + len(flat) <= LINE or not isinstance(value, (list, dict)):
        return flat
    deeper = indent + " "
    if isinstance(value, dict):
        inner = [f"{deeper}{json.dumps(k)}: {pretty(v, deeper)}" for k, v in value.items()]
        return "{\n" + ",\n".join(inner) + f"\n{indent}}}"
    if any(isinstance(entry, (list, dict)) for entry in value):
        inner = [deeper + pretty(entry, deeper) for entry in value]
        return "[\n" + ",\n".join(inner) + f"\n{indent}]"
    return "[\n" + filled(map(json.dumps, value), deeper) + f"\n{indent}]"


def filled(words, indent):
    """Comma-separated words, as many to a line as fit."""
    lines, line = [], indent
    for word in words:
        if len(line) + len(word) > LINE and line != indent:
            lines.append(line.rstrip())
            line = indent
        line += word + ", "
    return "\n".join([*lines, line.removesuffix(", ")])


# -------------------------------------------------------------------------------------- plans


def plan_tables(key, raster, hopset, exclude=(), lanes=None, **slots):
    """The tables of a plan, with every default written out."""
    base, spacing, count, occupied = raster
    tables = {
        "net": {"name": "vector", "key": KEYS[key]},
        "raster": {"base_hz": base, "spacing_hz": spacing, "count": count, "occupied_hz": occupied},
        "hopset": hopset,
        "exclude": list(exclude),
        "slots": SLOT_DEFAULTS | slots,
    }
    if lanes:
        kind, width, lane_count = lanes
        tables["lanes"] = {"kind": kind, "width": width, "count": lane_count}
    return tables


BAND = (902_300_000, 200_000, 128, 200_000)
SMALL = (433_000_000, 25_000, 40, 25_000)
LIST = [31, 3, 17, 5, 40, 11, 8, 22, 29, 36, 2, 13]

HOPSET_PLANS = {
    "four channels": plan_tables(
        "ascending", (30_000_000, 25_000, 4, 25_000), {"pick": "all"}, rendezvous=2, window=1
    ),
    "all, excluded by channel and block": plan_tables(
        "ascending",
        SMALL,
        {"pick": "all"},
        [{"channel": 7, "why": "one"}, {"from_channel": 12, "to_channel": 15, "why": "block"}],
        rendezvous=8,
    ),
    # Channel 10 ends at 433 262 500 Hz exactly, channel 12 begins at 433 287 500 Hz exactly.
    "an exclusion that shares an edge": plan_tables(
        "ascending",
        SMALL,
        {"pick": "all"},
        [{"from_hz": 433_262_500, "to_hz": 433_287_500, "why": "edges"}],
        rendezvous=8,
    ),
    "an exclusion one hertz short of both edges": plan_tables(
        "ascending",
        SMALL,
        {"pick": "all"},
        [{"from_hz": 433_262_501, "to_hz": 433_287_499, "why": "between"}],
        rendezvous=8,
    ),
    "an odd occupied bandwidth, half a hertz short": plan_tables(
        "ascending",
        (433_000_000, 25_000, 40, 12_501),
        {"pick": "all"},
        [{"from_hz": 433_256_251, "to_hz": 433_268_749, "why": "in a gap"}],
        rendezvous=8,
    ),
    "an odd occupied bandwidth, half a hertz over": plan_tables(
        "ascending",
        (433_000_000, 25_000, 40, 12_501),
        {"pick": "all"},
        [{"from_hz": 433_256_250, "to_hz": 433_268_750, "why": "more than a gap"}],
        rendezvous=8,
    ),
    "ranges, ends included, overlapping": plan_tables(
        "ascending",
        SMALL,
        {
            "pick": "all",
            "ranges": [
                {"from_hz": 433_050_000, "to_hz": 433_250_000},
                {"from_hz": 433_200_001, "to_hz": 433_374_999},
                {"from_channel": 30, "to_channel": 33},
            ],
        },
        rendezvous=4,
        window=2,
    ),
    "keyed": plan_tables("strides", SMALL, {"pick": "keyed", "channels": 13}, rendezvous=6, window=3),
    "keyed, every allowed channel": plan_tables(
        "strides", SMALL, {"pick": "keyed", "channels": 40}, rendezvous=40, window=8
    ),
    "even": plan_tables("strides", SMALL, {"pick": "even", "channels": 11}, rendezvous=5, window=1),
    "listed": plan_tables(
        "strides",
        (433_000_000, 25_000, 41, 25_000),
        {"pick": "listed", "list": LIST},
        rendezvous=4,
    ),
    "disjoint lanes, a last group cut short": plan_tables(
        "ascending",
        (863_000_000, 100_000, 67, 100_000),
        {"pick": "all"},
        [{"from_channel": 20, "to_channel": 26, "why": "a thin group"}],
        ("disjoint", 9, 8),
        rendezvous=4,
    ),
    "disjoint lanes, keyed": plan_tables(
        "strides",
        (863_000_000, 100_000, 67, 100_000),
        {"pick": "keyed", "channels": 8},
        lanes=("disjoint", 5, 3),
        rendezvous=4,
        window=2,
    ),
    "spaced lanes, keyed": plan_tables(
        "strides",
        SMALL,
        {"pick": "keyed", "channels": 17},
        lanes=("spaced", 9, 3),
        rendezvous=6,
        window=2,
    ),
}

HOP_PLANS = {
    "equal use": (plan_tables("ascending", BAND, {"pick": "all"}, equal_use=True), [0]),
    "balanced, frame 7, window 1": (
        plan_tables(
            "strides", SMALL, {"pick": "keyed", "channels": 12}, frame=7, rendezvous=5, window=1
        ),
        [0],
    ),
    "independent, window equal to rendezvous": (
        plan_tables(
            "strides",
            SMALL,
            {"pick": "even", "channels": 20},
            frame=5,
            rendezvous=6,
            window=6,
            draw="independent",
        ),
        [0],
    ),
    "disjoint lanes": (
        plan_tables("ascending", BAND, {"pick": "all"}, lanes=("disjoint", 9, 8), rendezvous=8),
        [0, 5],
    ),
    "spaced lanes, equal use": (
        plan_tables(
            "ascending",
            (902_300_000, 200_000, 50, 200_000),
            {"pick": "keyed", "channels": 48},
            lanes=("spaced", 9, 5),
            frame=6,
            rendezvous=8,
            window=2,
            equal_use=True,
        ),
        [0, 3],
    ),
    "spaced lanes, all of T": (
        plan_tables(
            "strides",
            SMALL,
            {"pick": "listed", "list": LIST[:4] + LIST[5:]},
            lanes=("spaced", 9, 2),
            frame=4,
            rendezvous=4,
            window=4,
        ),
        [1],
    ),
}


# -------------------------------------------------------------------------------------- files


def keys():
    """Every subkey of both keys."""
    entries = []
    for key in KEYS.values():
        net_key = NetKey(bytes.fromhex(key))
        entries.append({"key": key, "subkeys": {label: net_key.subkey(label).hex() for label in LABELS}})
    return {
        "about": "Specification section 3: subkey(label) for every label, under two net keys.",
        "keys": entries,
    }


def words():
    """Keyed words at ordinary and at extreme places."""
    places = [
        ("PICK", 0, 0),
        ("LANE", 14, 3),
        ("MEET", 5, 15),
        ("MEET", 5, 16),
        ("TURN", 0, 4),
        ("TURN", RUN, 4),
        ("TURN", CUT_IN | RUN | 7, 0xFFFF_FFFC),
        ("WHEN", 0, 536_870_911),
        ("HOP", 3, 17),
        ("HOP", CUT_IN | 3, 17),
        ("HOP", 0, 0xFFFF_FFFF),
        ("HOP", 0, 0x1_0000_0000),
        ("HOP", 0xFFFF_FFFF, (1 << 36) - 1),
        ("WORD", 0, 0),
        ("WORD", SYNC_WORD, 0),
        ("WORD", SYNC_WORD | 5, 0),
        ("WORD", 0, (1 << 36) - 1),
    ]
    return {
        "about": "Specification section 3: W(label, stream, i), as 8 hex digits.",
        "words": [
            {
                "key": key,
                "label": label,
                "stream": stream,
                "i": i,
                "word": f"{NetKey(bytes.fromhex(key)).word(label, stream, i):08x}",
            }
            for key in KEYS.values()
            for label, stream, i in places
        ],
    }


def hopsets():
    """Hopset and rendezvous set of every lane of small plans."""
    entries = []
    for name, tables in HOPSET_PLANS.items():
        plan = Plan(tables)
        nets = [Net(plan, lane) for lane in range(plan.lane_count)]
        lanes = [{"lane": n.lane, "hopset": n.hopset, "rendezvous": n.rendezvous} for n in nets]
        entries.append({"name": name, "plan": tables, "allowed": plan.allowed, "lanes": lanes})
    return {
        "about": "Specification section 2: allowed channels, hopset H and rendezvous set R of small plans.",
        "hopsets": entries,
    }


def span(timeline, first):
    """Some consecutive slots of a timeline, and the same slots as a run."""
    slots = [timeline.slot(h) for h in range(first, first + SPAN)]
    return {
        "from": first,
        "kinds": "".join(s.kind[0] for s in slots),
        "channels": [s.channel for s in slots],
        "unique_words": [f"{s.unique_word:08x}" for s in slots],
        "run_channels": [timeline.run_channel(h) for h in range(first, first + SPAN)],
    }


def hops():
    """Slots of several plans, near and far, on both timelines."""
    entries = []
    for name, (tables, lanes) in HOP_PLANS.items():
        nets = [Net(Plan(tables), lane) for lane in lanes]
        runs = [
            {
                "lane": net.lane,
                "timeline": "cut-in" if cut_in else "home",
                "sync_word": f"{net.sync_word:08x}",
                "spans": [span(Timeline(net, cut_in), first) for first in (0, FAR)],
            }
            for net in nets
            for cut_in in (False, True)
        ]
        entries.append({"name": name, "plan": tables, "timelines": runs})
    return {
        "about": "Specification section 4: kind, channel and unique word of slots, and the channels of runs.",
        "hops": entries,
    }


# Kind and target form of each header; the last is a closing header on the cut-in timeline.
HEADER_SHAPES = (
    ((1, 0), (2, 8), (2, 15), (3, 0), (4, 1), (5, 2), (6, 3))
    + ((2, 4), (2, 5), (4, 6), (3, 7), (2, 0), (1, 15), (4, 0))
)


def dropped_headers():
    """Sixteen bytes that a receiver drops, and why."""
    key, stream = KEYS["ascending"], 5
    net_key = NetKey(bytes.fromhex(key))
    good = {"h": 4096, "source": 0x21, "target": 0x40, "form": 4, "kind": 2, "quality": 3, "countdown": 1}
    wire = seal_header(net_key, stream, Header(**good))
    entries = [
        ("sealed for stream 4", seal_header(net_key, 4, Header(**good))),
        ("sealed for the cut-in stream", seal_header(net_key, stream | CUT_IN, Header(**good))),
        ("first bit of the body turned", bytes([wire[0] ^ 0x80]) + wire[1:]),
        ("last bit of the tag turned", wire[:-1] + bytes([wire[-1] ^ 1])),
    ]
    changes = [("form", form) for form in range(9, 15)]
    changes += [("kind", kind) for kind in (0, *range(7, 16))]
    changes += [("target", 0x48), ("target", 0x41), ("form", 0)]
    for field, value in changes:
        broken = good | {field: value}
        why = f"form {broken['form']}, kind {broken['kind']}, target {broken['target']}"
        entries.append((why, seal_header(net_key, stream, Header(**broken))))
    assert all(open_header(net_key, stream, wire) is None for _, wire in entries)
    return [{"key": key, "stream": stream, "wire": wire.hex(), "why": why} for why, wire in entries]


def headers():
    """Sealed headers of every kind and target form, and how the two rounded fields are made."""
    entries = []
    for number, (kind, form) in enumerate(HEADER_SHAPES):
        key = list(KEYS.values())[number % 2]
        target = 0x5A if form == 15 else 0xB7 & ~(0xFF >> form) & 0xFF
        h = (0, 1, 123_456_789, FAR, 0x8000_0000, 0xFFFF_FFFF)[number % 6]
        header = Header(h, 17 * number % 256, target, form, kind, 3 * number % 16, 5 * number % 16)
        on_cut_in = kind == 3 or number == len(HEADER_SHAPES) - 1
        stream = (0, 5, 7)[number % 3] | (CUT_IN if on_cut_in else 0)
        wire = seal_header(NetKey(bytes.fromhex(key)), stream, header)
        entries.append(
            {
                "key": key,
                "stream": stream,
                "fields": asdict(header) | {"kind": KINDS[kind]},
                "body": header.body().hex(),
                "wire": wire.hex(),
                "slot_bits": f"{slot_bits(wire):066x}",
            }
        )
    widths = (0, 1, 16, 17, 32, 33, 500, 65_536, 65_537, 262_144, 262_145, 1_000_000_000)
    remaining = (0, 1, 16, 17, 200, 224, 225, 240, 241, 300)
    return {
        "about": "Specification section 5: sealed headers on the wire and as the 264 bits of a slot.",
        "headers": entries,
        "dropped": dropped_headers(),
        "quality": [{"half_width_us": u, "quality": quality(u)} for u in widths],
        "countdown": [{"remaining_slots": n, "countdown": countdown(n)} for n in remaining],
    }


def golay():
    """A few codewords."""
    messages = (0x000, 0x001, 0x002, 0x123, 0x400, 0x555, 0x7FF, 0x800, 0xABC, 0xFFE, 0xFFF)
    return {
        "about": "Specification section 5: extended Golay (24,12,8), generator 0xC75, overall parity last.",
        "golay": [{"message": f"{m:03x}", "codeword": f"{golay_encode(m):06x}"} for m in messages],
    }


def tree():
    """Secrets of the tree, traffic keys and changes of the net key."""
    root = bytes(range(0x80, 0xA0))
    key, new_key = (bytes.fromhex(text) for text in KEYS.values())
    net_key = NetKey(key)
    calls = []
    for source, target, form in (
        (0x10, 0x00, 0),
        (0x10, 0x40, 4),
        (0x55, 0x40, 4),
        (0x40, 0x55, 8),
        (0xFF, 0xFE, 7),
        (0x10, 0x55, 15),
        (0x54, 0x55, 15),
        (0x55, 0x55, 15),
        (0x00, 0xFF, 15),
    ):
        secret = sender_secret(root, source, target, form)
        sent = {"sender_secret": secret.hex(), "traffic_key": traffic_key(net_key, secret).hex()}
        calls.append({"source": source, "target": target, "form": form} | sent)
    orders = []
    for generation, slot, withdrawn in (
        (1, 5000, []),
        (1, 123_456, [0x55]),
        (2, FAR, [5, 77, 200]),
        (255, 0xFFFF_FFFF, list(range(0, 256, 2))),
    ):
        salt = bytes(range(generation % 200, generation % 200 + 16))
        inner = bytes(200 - i for i in range(16))
        nodes = cover(withdrawn)
        order = rekey_order(root, net_key, new_key, generation, slot, nodes, salt, inner)
        orders.append(
            {
                "generation": generation,
                "slot": slot,
                "withdrawn": withdrawn,
                "cover": nodes,
                "new_key": new_key.hex(),
                "salt": salt.hex(),
                "inner": inner.hex(),
                "order": order.hex(),
            }
        )
    return {
        "about": "Specification section 10: key tree, traffic keys, changes of the net key.",
        "root": root.hex(),
        "key": key.hex(),
        "nodes": [
            {"node": i, "secret": node_secret(root, i).hex(), "seed": copath_seed(root, i).hex()}
            for i in (1, 2, 3, 21, 130, 256, 341, 511)
        ],
        "tokens": [{"generation": g, "token": tree_token(root, g).hex()} for g in (0, 1, 2, 254, 255)],
        "calls": calls,
        "orders": orders,
    }


def main():
    """Write every file into the directory given."""
    default = Path(__file__).resolve().parent.parent / "vectors"
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else default
    out.mkdir(parents=True, exist_ok=True)
    for content in (keys, words, hopsets, hops, headers, golay, tree):
        path = out / f"{content.__name__}.json"
        path.write_text(pretty(content()) + "\n", encoding="ascii")
        print(f"{path.name}: {path.stat().st_size} bytes")
    return 0


if __name__ == "__main__":
    sys.exit(main())
