#!/usr/bin/env python3
"""Random valid plans for comparing the core with the oracle.

    random_plans.py --seed S --count N --out DIR

writes N plan files and `index.csv` with the lanes and slots to compare (`file,lane,from,count`).
The same seed gives the same files. Every lane of every plan is valid.
"""

import argparse
import random
import sys
from pathlib import Path

from oracle import Net, Plan, PlanError

ROW_SLOTS = 2000
LAST_START = (1 << 32) - ROW_SLOTS
COUNTS = (16, 32, 50, 64, 79, 100, 128, 256, 500, 1000, 2048, 4095, 4096)
SPACINGS = (5_000, 6_250, 8_333, 12_500, 25_000, 50_000, 100_001, 200_000, 1_000_000)
# slot_us, settle_us, guard_us, link_bps; with the third the header fits to the bit.
TIMINGS = (
    (20_000, 1_000, 500, 50_000),
    (10_000, 500, 250, 50_000),
    (7_920, 1_000, 500, 50_000),
    (5_000, 200, 150, 100_000),
    (50_000, 2_000, 1_000, 16_000),
)
REASONS = ("a weir gauge", "the hospital roof", "a microphone", "somebody else", "an old beacon")


# ------------------------------------------------------------------------------------ TOML, minimal


def toml_value(value):
    """A value in TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list):
        return "[" + ", ".join(map(toml_value, value)) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {toml_value(v)}" for k, v in value.items()) + " }"
    return str(value)


def toml_text(tables):
    """A plan file: a table for each dictionary, an array of tables for each list of them."""
    lines = []
    for name, content in tables.items():
        title, parts = (f"[[{name}]]", content) if isinstance(content, list) else (f"[{name}]", [content])
        for part in parts:
            lines += [title, *(f"{k} = {toml_value(v)}" for k, v in part.items()), ""]
    return "\n".join(lines)


# ------------------------------------------------------------------------------------ pieces of a plan


def chance(rng, percent):
    """True in `percent` of a hundred."""
    return rng.randrange(100) < percent


def draw_raster(rng, count=None):
    """A raster below 4 GHz, sometimes with an occupied bandwidth of its own."""
    if count is None:
        count = rng.choice(COUNTS) if chance(rng, 50) else rng.randint(16, 4096)
    spacing = rng.choice([s for s in SPACINGS if s * count <= 2_000_000_000])
    raster = {
        "base_hz": rng.randint(30_000_000, 1_900_000_000),
        "spacing_hz": spacing,
        "count": count,
    }
    if chance(rng, 50):
        raster["occupied_hz"] = rng.randint(spacing // 2, spacing * 3 // 2)
    return raster


def draw_block(rng, count, longest):
    """First and last channel of a block."""
    first = rng.randrange(count)
    return first, min(count - 1, first + rng.randrange(max(1, longest)))


def centre(raster, channel):
    """Centre frequency of a channel."""
    return raster["base_hz"] + channel * raster["spacing_hz"]


def draw_range(rng, raster):
    """A range by channels, or by frequencies that often end on a centre or one hertz beside it."""
    count = raster["count"]
    first = rng.randrange(count // 2)
    last = rng.randrange(first + count // 4, count)
    if chance(rng, 50):
        return {"from_channel": first, "to_channel": last}
    nudge = (-1, 0, 0, 1, raster["spacing_hz"] // 3)
    return {
        "from_hz": centre(raster, first) + rng.choice(nudge),
        "to_hz": centre(raster, last) + rng.choice(nudge),
    }


def draw_exclusion(rng, raster):
    """An exclusion by channel, by block, or by frequencies that often end on or beside an edge."""
    count = raster["count"]
    first, last = draw_block(rng, count, count // 8)
    form = rng.randrange(3)
    if form == 0:
        where = {"channel": first}
    elif form == 1:
        where = {"from_channel": first, "to_channel": last}
    else:
        half = raster.get("occupied_hz", raster["spacing_hz"]) // 2
        edges = (-half - 1, -half, -half + 1, 0, half - 1, half, half + 1, rng.randint(-half, half))
        ends = [centre(raster, c) + rng.choice(edges) for c in (first, last)]
        where = {"from_hz": min(ends), "to_hz": max(ends)}
    return where | {"why": rng.choice(REASONS)}


def draw_lanes(rng, kind):
    """A [lanes] table."""
    lanes = {"kind": kind, "count": rng.randint(2, 8)}
    if kind == "disjoint" or chance(rng, 50):
        lanes["width"] = rng.randint(2, 16) if chance(rng, 25) else rng.randint(lanes["count"], 16)
    return lanes


def draw_timing(rng):
    """Timing keys of [slots], or none."""
    if chance(rng, 50):
        return {}
    return dict(zip(("slot_us", "settle_us", "guard_us", "link_bps"), rng.choice(TIMINGS)))


def draw_rendezvous(rng, most):
    """How many rendezvous channels, at most `most`, and a window that divides them."""
    window = rng.randint(1, min(8, most)) if chance(rng, 80) else rng.randint(1, most)
    return window * rng.randint(1 if window > 1 else 2, most // window), window


# -------------------------------------------------------------------------------------- whole plans


def draw_tables(rng, name, pick, lane_kind):
    """The tables of one plan. It may turn out not to be valid."""
    equal_use = chance(rng, 35)
    (r, w), m = draw_rendezvous(rng, 64), rng.randint(4, 16)
    whole = equal_use and pick == "all" and lane_kind != "disjoint"
    if whole and r * m < 16:
        raise PlanError("not enough channels")
    tables = {
        "net": {"name": name, "key": rng.randbytes(32).hex()},
        "raster": draw_raster(rng, r * m if whole else None),
        "hopset": {"pick": pick},
    }
    raster = tables["raster"]
    if not whole:
        if chance(rng, 40):
            tables["hopset"]["ranges"] = [draw_range(rng, raster) for _ in range(rng.randint(1, 3))]
        tables["exclude"] = [draw_exclusion(rng, raster) for _ in range(rng.randint(0, 4))]
    if lane_kind:
        tables["lanes"] = draw_lanes(rng, lane_kind)

    bare = Plan(tables)
    room = min(len(bare.lane_channels(lane)) for lane in range(bare.lane_count))
    n = room
    if pick != "all":
        n = r * m if equal_use else rng.randint(4, max(4, room))
    if not 4 <= n <= room:
        raise PlanError("not enough channels")
    if pick in ("keyed", "even"):
        tables["hopset"]["channels"] = n
    if pick == "listed":
        tables["hopset"]["list"] = rng.sample(bare.allowed, n)

    if not equal_use:
        r, w = draw_rendezvous(rng, min(64, n))
    slots = draw_timing(rng) | {"frame": m, "rendezvous": r, "window": w}
    if equal_use:
        slots["equal_use"] = True
    elif chance(rng, 40):
        slots["draw"] = "independent"
    elif chance(rng, 50):
        slots["draw"] = "balanced"
    elif n >= 16 and chance(rng, 40):
        # Lean on the defaults: frame 8, rendezvous 16, window 4.
        for leaning in ("frame", "rendezvous", "window"):
            del slots[leaning]
    tables["slots"] = slots
    return tables


def draw_plan(rng, number):
    """The tables and the valid `Plan` of plan `number`; picks and kinds of lanes take turns."""
    lane_kind = (None, "disjoint", "spaced")[number % 3]
    picks = ("all", "keyed") if lane_kind == "disjoint" else ("all", "keyed", "even", "listed")
    pick = picks[number // 3 % len(picks)]
    while True:
        try:
            tables = draw_tables(rng, f"plan-{number:03}", pick, lane_kind)
            plan = Plan(tables)
            for lane in range(plan.lane_count):
                Net(plan, lane)
            return tables, plan
        except PlanError:
            continue


def draw_rows(rng, plan):
    """Two or three pairs of lane and first slot; the lanes differ as long as there are enough."""
    late = (1 << 32) - (1 << 20) + rng.randrange(1 << 19)
    starts = [0, late, rng.choice((rng.randrange(LAST_START), LAST_START))]
    rng.shuffle(starts)
    starts = starts[: rng.randint(2, 3)]
    lanes = rng.sample(range(plan.lane_count), plan.lane_count)
    return [(lanes[i % len(lanes)], start) for i, start in enumerate(starts)]


def write_plans(seed, count, out):
    """Write the plans and the index; return its rows as (file, lane, first slot, slots)."""
    rng = random.Random(seed)
    out = Path(out)
    out.mkdir(parents=True, exist_ok=True)
    rows = []
    for number in range(count):
        tables, plan = draw_plan(rng, number)
        stem = tables["net"]["name"]
        if chance(rng, 20):
            (out / f"{stem}.key").write_text(tables["net"].pop("key") + "\n", encoding="ascii")
            tables["net"]["key_file"] = f"{stem}.key"
        (out / f"{stem}.toml").write_text(toml_text(tables), encoding="ascii")
        rows += [(f"{stem}.toml", lane, start, ROW_SLOTS) for lane, start in draw_rows(rng, plan)]
    index = "".join(",".join(map(str, row)) + "\n" for row in rows)
    (out / "index.csv").write_text("file,lane,from,count\n" + index, encoding="ascii")
    return rows


def main():
    """The command line; see the top of this file."""
    parser = argparse.ArgumentParser(description="Write random valid plans.")
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--count", type=int, required=True)
    parser.add_argument("--out", required=True)
    asked = parser.parse_args()
    rows = write_plans(asked.seed, asked.count, asked.out)
    print(f"{asked.count} plans, {len(rows)} rows")
    return 0


if __name__ == "__main__":
    sys.exit(main())
