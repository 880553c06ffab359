#!/usr/bin/env python3
"""A second implementation of sections 2 to 5 and 10 of the Hopwright specification.

Written from `docs/specification.md` alone, in plain Python with the standard library only, so that
it shares no code and no habits with the core. It favours reading aloud over speed: everything is
computed from the formula in the text, and the only state kept is a cache.

    oracle.py hops PLAN [--lane L] [--from H] [--count N] [--timeline home|cut-in]
    oracle.py selftest
"""

import argparse
import struct
import sys
import tomllib
from dataclasses import asdict, dataclass
from functools import cached_property
from itertools import permutations
from pathlib import Path

U32 = 0xFFFF_FFFF

# Bits that a stream number carries beside the lane.
RUN = 0x2000_0000
CUT_IN = 0x4000_0000
SYNC_WORD = 0x8000_0000

CACHED_BLOCKS = 8192


class PlanError(ValueError):
    """The plan, or what was asked of it, is not valid."""


# --------------------------------------------------------------------------- ChaCha20 and HChaCha20


def quarter_round(s, a, b, c, d):
    """RFC 8439 section 2.1, on four words of the state `s`."""
    s[a] = (s[a] + s[b]) & U32
    x = s[d] ^ s[a]
    s[d] = (x << 16 | x >> 16) & U32
    s[c] = (s[c] + s[d]) & U32
    x = s[b] ^ s[c]
    s[b] = (x << 12 | x >> 20) & U32
    s[a] = (s[a] + s[b]) & U32
    x = s[d] ^ s[a]
    s[d] = (x << 8 | x >> 24) & U32
    s[c] = (s[c] + s[d]) & U32
    x = s[b] ^ s[c]
    s[b] = (x << 7 | x >> 25) & U32


def twenty_rounds(key, last_row):
    """The state of constants, `key` (32 bytes) and `last_row` (16 bytes): before and after 20 rounds."""
    before = list(struct.unpack("<16I", b"expand 32-byte k" + key + last_row))
    s = before.copy()
    for _ in range(10):
        quarter_round(s, 0, 4, 8, 12)
        quarter_round(s, 1, 5, 9, 13)
        quarter_round(s, 2, 6, 10, 14)
        quarter_round(s, 3, 7, 11, 15)
        quarter_round(s, 0, 5, 10, 15)
        quarter_round(s, 1, 6, 11, 12)
        quarter_round(s, 2, 7, 8, 13)
        quarter_round(s, 3, 4, 9, 14)
    return before, s


def chacha20_words(key, counter, nonce):
    """The sixteen words of one ChaCha20 block (32-bit counter, 96-bit nonce)."""
    before, after = twenty_rounds(key, struct.pack("<I", counter) + nonce)
    return [(x + y) & U32 for x, y in zip(before, after)]


def chacha20_block(key, counter, nonce):
    """One 64-byte ChaCha20 block."""
    return struct.pack("<16I", *chacha20_words(key, counter, nonce))


def hchacha20(key, input16):
    """HChaCha20: first and last rows after the rounds, without the feed-forward."""
    _, after = twenty_rounds(key, input16)
    return struct.pack("<8I", *after[:4], *after[12:])


# ------------------------------------------------------------------------- section 3: keyed words

LABELS = ("PICK", "LANE", "MEET", "TURN", "WHEN", "HOP", "WORD", "TAG", "SEAL", "DATA", "TREE")


def uniform(word, n):
    """A keyed word brought to 0..n."""
    return (word * n) >> 32


class NetKey:
    """A net key with its subkeys, its keyed words, and a cache of ChaCha20 blocks."""

    def __init__(self, key):
        if len(key) != 32:
            raise PlanError("a net key has 32 bytes")
        self.key = bytes(key)
        self.subkeys = {}
        self.blocks = {}

    def subkey(self, label):
        """`HChaCha20(K, label padded with zeros to 16 bytes)`."""
        if label not in self.subkeys:
            text = f"hopwright/{label.lower()}".encode("ascii")
            self.subkeys[label] = hchacha20(self.key, text.ljust(16, b"\0"))
        return self.subkeys[label]

    def word(self, label, stream, i):
        """`W(label, stream, i)`, with `i < 2^36`."""
        if not 0 <= i < 1 << 36:
            raise ValueError("a word index is below 2^36")
        where = (label, stream, i // 16)
        if where not in self.blocks:
            if len(self.blocks) >= CACHED_BLOCKS:
                self.blocks.clear()
            nonce = struct.pack("<I", stream) + bytes(8)
            self.blocks[where] = chacha20_words(self.subkey(label), i // 16, nonce)
        return self.blocks[where][i % 16]

    def shuffle(self, label, stream, base, entries):
        """`shuffle(label, stream, base, list)`: a shuffled copy of `entries`."""
        out = list(entries)
        n = len(out)
        for k in range(n - 1):
            j = k + uniform(self.word(label, stream, base + k), n - k)
            out[k], out[j] = out[j], out[k]
        return out


# ------------------------------------------------------------------ section 2: band, hopset, lanes

SLOT_DEFAULTS = {
    "slot_us": 20_000,
    "settle_us": 1_000,
    "guard_us": 500,
    "link_bps": 50_000,
    "frame": 8,
    "rendezvous": 16,
    "window": 4,
    "draw": "balanced",
    "equal_use": False,
}


class Plan:
    """A plan, from the tables of its TOML file. What the oracle does not need is ignored."""

    def __init__(self, tables, folder=Path(".")):
        net, raster = tables["net"], tables["raster"]
        if "key" in net:
            key = net["key"]
        else:
            key = (folder / net["key_file"]).read_text(encoding="ascii")
        self.key = NetKey(bytes.fromhex(key.strip()))

        self.base_hz = raster["base_hz"]
        self.spacing_hz = raster["spacing_hz"]
        self.count = raster["count"]
        self.occupied_hz = raster.get("occupied_hz", self.spacing_hz)

        hopset = tables.get("hopset", {})
        self.pick = hopset.get("pick", "all")
        self.channels = hopset.get("channels", 0)
        self.list = hopset.get("list", [])
        self.ranges = hopset.get("ranges", [])
        self.exclude = tables.get("exclude", [])

        slots = SLOT_DEFAULTS | tables.get("slots", {})
        self.slot_us = slots["slot_us"]
        self.settle_us = slots["settle_us"]
        self.guard_us = slots["guard_us"]
        self.link_bps = slots["link_bps"]
        self.m = slots["frame"]
        self.r = slots["rendezvous"]
        self.w = slots["window"]
        self.draw = slots["draw"]
        self.equal_use = slots["equal_use"]

        lanes = tables.get("lanes")
        self.lane_kind = lanes.get("kind", "disjoint") if lanes is not None else None
        self.lane_width = lanes.get("width", 9) if lanes is not None else None
        self.lane_count = lanes.get("count", 8) if lanes is not None else 1
        self.check()

    @classmethod
    def read(cls, path):
        """The plan in the TOML file at `path`."""
        path = Path(path)
        with path.open("rb") as file:
            return cls(tomllib.load(file), path.parent)

    def check(self):
        """Refuse what no hopset could mend."""
        if not 0 < self.count <= 4096:
            raise PlanError("a raster has 1 to 4096 channels")
        if self.pick not in ("all", "keyed", "even", "listed"):
            raise PlanError(f"unknown pick {self.pick!r}")
        if self.draw not in ("balanced", "independent"):
            raise PlanError(f"unknown draw {self.draw!r}")
        if self.lane_kind not in (None, "disjoint", "spaced"):
            raise PlanError(f"unknown kind of lanes {self.lane_kind!r}")
        if self.w < 1 or self.r % self.w != 0:
            raise PlanError("the window must divide the number of rendezvous channels")
        if self.bits_per_slot() < 264:
            raise PlanError("the header (264 bits) does not fit in a slot")

    def bits_per_slot(self):
        """Bits of a slot after the unique word (section 4)."""
        open_us = self.slot_us - self.settle_us - 2 * self.guard_us
        return open_us * self.link_bps // 1_000_000 - 32

    def frequency(self, channel):
        """Centre frequency of a channel, in hertz."""
        return self.base_hz + channel * self.spacing_hz

    def in_range(self, channel, entry):
        """Whether a range allows the channel: by number or by centre, ends included."""
        if "from_channel" in entry:
            return entry["from_channel"] <= channel <= entry["to_channel"]
        return entry["from_hz"] <= self.frequency(channel) <= entry["to_hz"]

    def is_touched(self, channel, entry):
        """Whether an exclusion takes the channel: by number, or by any part of its bandwidth."""
        if "channel" in entry:
            return channel == entry["channel"]
        if "from_channel" in entry:
            return entry["from_channel"] <= channel <= entry["to_channel"]
        twice = 2 * self.frequency(channel)
        return (
            twice - self.occupied_hz <= 2 * entry["to_hz"]
            and twice + self.occupied_hz >= 2 * entry["from_hz"]
        )

    @cached_property
    def allowed(self):
        """Every channel in a range and in no exclusion, ascending."""
        return [
            c
            for c in range(self.count)
            if (not self.ranges or any(self.in_range(c, entry) for entry in self.ranges))
            and not any(self.is_touched(c, entry) for entry in self.exclude)
        ]

    def lane_channels(self, lane):
        """The channels that a lane may pick from: all allowed ones, unless lanes are disjoint."""
        if self.lane_kind != "disjoint":
            return self.allowed
        allowed = set(self.allowed)
        found = []
        for s, start in enumerate(range(0, self.count, self.lane_width)):
            end = min(start + self.lane_width, self.count)
            positions = [c for c in range(start, end) if c in allowed]
            positions = self.key.shuffle("LANE", s, 0, positions)
            entry = (lane + s) % self.lane_count
            if entry < len(positions):
                found.append(positions[entry])
        return found


class Net:
    """One lane of a plan: its hopset, its rendezvous channels, its traffic set."""

    def __init__(self, plan, lane=0):
        if not 0 <= lane < plan.lane_count:
            raise PlanError(f"the plan has no lane {lane}")
        self.plan = plan
        self.key = plan.key
        self.lane = lane
        spaced = plan.lane_kind == "spaced"
        # The lane whose stream feeds the draws of sections 2 and 4.
        self.draw_lane = 0 if spaced else lane
        self.hopset = self.pick_hopset()
        n = len(self.hopset)
        if n < 4:
            raise PlanError(f"lane {lane} has {n} channels, at least 4 are needed")
        if plan.r > n:
            raise PlanError(f"lane {lane} has {n} channels and {plan.r} rendezvous channels")
        if plan.equal_use and n != plan.r * plan.m:
            raise PlanError(f"equal use needs {plan.r * plan.m} channels, lane {lane} has {n}")
        turn = lane * n // plan.lane_count if spaced else 0
        self.seats = dict(zip(self.hopset, self.hopset[turn:] + self.hopset[:turn]))

    def pick_hopset(self):
        """`H`, ascending."""
        plan = self.plan
        ranks = plan.lane_channels(self.lane)
        a, n = len(ranks), plan.channels
        if plan.pick == "all":
            return ranks
        if plan.pick == "listed":
            if plan.lane_kind == "disjoint":
                raise PlanError("a listed hopset has no disjoint lanes")
            if len(set(plan.list)) != len(plan.list) or not set(plan.list) <= set(ranks):
                raise PlanError("a list has no repeats, and allowed channels only")
            return sorted(plan.list)
        if n > a:
            raise PlanError(f"{n} channels were asked for, lane {self.lane} has {a}")
        if plan.pick == "even":
            return [ranks[k * a // n] for k in range(n)]
        return self.one_of_each_stratum("PICK", ranks, n)

    def one_of_each_stratum(self, label, entries, n):
        """`entries` cut into `n` strata, one keyed entry from each."""
        a = len(entries)
        drawn = []
        for k in range(n):
            lo, hi = k * a // n, (k + 1) * a // n
            drawn.append(entries[lo + uniform(self.key.word(label, self.draw_lane, k), hi - lo)])
        return drawn

    def seat(self, channel):
        """What a drawn channel becomes for this lane: itself, unless lanes are spaced."""
        return self.seats[channel]

    @cached_property
    def drawn_rendezvous(self):
        """`R` as the draw gives it, before a spaced lane takes its seat."""
        return self.one_of_each_stratum("MEET", self.hopset, self.plan.r)

    @cached_property
    def rendezvous(self):
        """`R[0..r)` of this lane, in the order of its index."""
        return [self.seat(c) for c in self.drawn_rendezvous]

    @cached_property
    def drawn_traffic(self):
        """`T` as the draw uses it, ascending."""
        if not self.plan.equal_use:
            return self.hopset
        meeting = set(self.drawn_rendezvous)
        return [c for c in self.hopset if c not in meeting]

    @cached_property
    def beta(self):
        """The rendezvous order."""
        r = self.plan.r
        return self.key.shuffle("MEET", self.draw_lane, r, range(r))

    @cached_property
    def sync_word(self):
        """The constant unique word of the lane's sync slots."""
        return self.key.word("WORD", self.lane | SYNC_WORD, 0)


# ---------------------------------------------------------------- section 4: slots, frames, draws


@dataclass(frozen=True)
class Slot:
    """What one slot is."""

    slot: int
    kind: str
    channel: int
    unique_word: int


class Timeline:
    """The home or the cut-in timeline of a net, with random access to any slot."""

    def __init__(self, net, cut_in=False):
        self.net = net
        self.key = net.key
        mark = CUT_IN if cut_in else 0
        self.draw_stream = net.draw_lane | mark
        self.word_stream = net.lane | mark
        self.cycle = (None, None)

    def sync_position(self, f):
        """Which slot of frame `f` is its sync slot, counted in the frame."""
        return uniform(self.key.word("WHEN", self.draw_stream, f), self.net.plan.m)

    def in_rendezvous_order(self, stream, index):
        """The rendezvous channel of the `index`-th visit of an order."""
        r, w = self.net.plan.r, self.net.plan.w
        v = index // w * w
        window = self.net.beta[v % r : v % r + w]
        entry = self.key.shuffle("TURN", stream, v, window)[index % w]
        return self.net.rendezvous[entry]

    def ordinal(self, h):
        """`t(h)`: how many traffic slots lie before slot `h`."""
        f = h // self.net.plan.m
        return h - f - (h % self.net.plan.m > self.sync_position(f))

    def traffic_channel(self, t):
        """The channel of the traffic slot with ordinal `t`."""
        traffic = self.net.drawn_traffic
        n = len(traffic)
        if self.net.plan.draw == "independent":
            return self.net.seat(traffic[uniform(self.key.word("HOP", self.draw_stream, t), n)])
        number = t // n
        if self.cycle[0] != number:
            # The word of position k is W(HOP, lane, t), so a whole cycle is one shuffle of T.
            self.cycle = (number, self.key.shuffle("HOP", self.draw_stream, number * n, traffic))
        return self.net.seat(self.cycle[1][t % n])

    def slot(self, h):
        """Slot `h`: kind, channel, unique word."""
        if not 0 <= h <= U32:
            raise PlanError("a timeline ends at slot 2^32 - 1")
        f = h // self.net.plan.m
        if h % self.net.plan.m == self.sync_position(f):
            channel = self.in_rendezvous_order(self.draw_stream, f)
            return Slot(h, "sync", channel, self.net.sync_word)
        word = self.key.word("WORD", self.word_stream, h)
        return Slot(h, "traffic", self.traffic_channel(self.ordinal(h)), word)

    def run_channel(self, h):
        """The channel of slot `h` when it belongs to a run of consecutive sync slots."""
        return self.in_rendezvous_order(self.draw_stream | RUN, h)


def hops_csv(timeline, first, count):
    """The text that `hops --format csv` prints for `count` slots."""
    plan = timeline.net.plan
    lines = ["slot,kind,channel,frequency_hz,unique_word\n"]
    for h in range(first, first + count):
        s = timeline.slot(h)
        where = plan.frequency(s.channel)
        lines.append(f"{h},{s.kind},{s.channel},{where},{s.unique_word:08x}\n")
    return "".join(lines)


# ---------------------------------------------------------------------- section 5: sealed header

KINDS = {1: "announce", 2: "over", 3: "cut-in", 4: "closing", 5: "rekey", 6: "lead-in"}


@dataclass(frozen=True)
class Header:
    """The fields of a header body."""

    h: int
    source: int
    target: int
    form: int
    kind: int
    quality: int
    countdown: int

    def body(self):
        """The eight bytes of the body."""
        nibbles = (self.form + 16 * self.kind, self.quality + 16 * self.countdown)
        return struct.pack("<IBBBB", self.h, self.source, self.target, *nibbles)

    @classmethod
    def from_body(cls, body):
        """The fields in eight bytes."""
        h, source, target, low, high = struct.unpack("<IBBBB", body)
        return cls(h, source, target, low % 16, low // 16, high % 16, high // 16)

    def is_valid(self):
        """Whether kind, target form and target are ones that the specification knows."""
        if self.kind not in KINDS:
            return False
        if self.form <= 8:
            return self.target & (0xFF >> self.form) == 0
        return self.form == 15


def quality(half_width_us):
    """`ceil(log2(u / 16 us))` clamped to 0..15."""
    return next((q for q in range(15) if 16 << q >= half_width_us), 15)


def countdown(remaining_slots):
    """Remaining slots divided by 16, rounded up, clamped to 15."""
    return min(15, -(-remaining_slots // 16))


def header_tag(key, stream, body):
    """The synthetic IV of a body."""
    return hchacha20(key.subkey("TAG"), body + struct.pack("<I", stream) + bytes(4))[:8]


def header_mask(key, stream, tag):
    """What the body is XORed with."""
    return chacha20_block(key.subkey("SEAL"), 0, tag + struct.pack("<I", stream))[:8]


def xor(a, b):
    """Bytewise exclusive or."""
    return bytes(x ^ y for x, y in zip(a, b))


def seal_header(key, stream, header):
    """The sixteen bytes on the wire: masked body, then tag. `stream` has bit 30 set for cut-in."""
    body = header.body()
    tag = header_tag(key, stream, body)
    return xor(body, header_mask(key, stream, tag)) + tag


def open_header(key, stream, wire):
    """The header in sixteen bytes, or None when the tag is wrong or a field is invalid."""
    masked, tag = wire[:8], wire[8:]
    body = xor(masked, header_mask(key, stream, tag))
    if header_tag(key, stream, body) != tag:
        return None
    header = Header.from_body(body)
    return header if header.is_valid() else None


def golay_encode(message):
    """Extended Golay (24,12,8): twelve message bits, eleven parity bits, overall parity last."""
    remainder = message << 11
    for bit in range(22, 10, -1):
        if remainder >> bit & 1:
            remainder ^= 0xC75 << (bit - 11)
    word = message << 11 | remainder
    return word << 1 | word.bit_count() % 2


def slot_bits(wire):
    """The 264 bits of a slot that carries `wire`, as one integer, first bit most significant."""
    padded = int.from_bytes(wire, "big") << 4
    codewords = [golay_encode(padded >> (12 * (10 - j)) & 0xFFF) for j in range(11)]
    bits = 0
    for i in range(24):
        for j in range(11):
            bits = bits << 1 | codewords[j] >> (23 - i) & 1
    return bits


# ------------------------------------------------------------------- section 10: the key tree

GENERATOR = hchacha20(bytes(32), b"hopwright/copath")
ALL_BUT = 15


def expand(secret):
    """`G`: 32 bytes from 16."""
    return hchacha20(GENERATOR, secret)


def tree_path(node):
    """The nodes from the root's child down to `node`."""
    return [node >> up for up in range(node.bit_length() - 2, -1, -1)]


def node_secret(root, node):
    """`N(i)`."""
    return hchacha20(root, b"hopwright/node" + struct.pack("<H", node))[:16]


def copath_seed(root, node):
    """`S(i)`."""
    seed = hchacha20(root, b"hopwright/copath")[:16]
    for step in tree_path(node):
        seed = expand(seed)[16:] if step & 1 else expand(seed)[:16]
    return seed


def tree_token(root, generation):
    """`T(g)`."""
    token = hchacha20(root, b"hopwright/orders")[:16]
    for _ in range(255 - generation):
        token = expand(token)[:16]
    return token


def sender_secret(root, source, target, form):
    """What `source` calls a target with."""
    common = copath_seed(root, 256 + target) if form == ALL_BUT else node_secret(root, (256 + target) >> (8 - form))
    return hchacha20(expand(common), b"hopwright/send" + bytes([source, 0]))[:16]


def traffic_key(net_key, sender):
    """The key of what is said, under the present net key."""
    return hchacha20(net_key.subkey("TREE"), sender)


def cover(withdrawn, depth=8):
    """Complete subtrees that hold every leaf but the withdrawn ones, found from the leaves up."""
    inside = {(1 << depth) + a for a in range(1 << depth)} - {(1 << depth) + a for a in withdrawn}
    for level in range(depth - 1, -1, -1):
        for node in range(1 << level, 2 << level):
            if {2 * node, 2 * node + 1} <= inside:
                inside = inside - {2 * node, 2 * node + 1} | {node}
    return sorted(inside)


def rekey_order(root, net_key, new_key, generation, slot, nodes, salt, inner):
    """The bytes of a change of the net key."""
    head = struct.pack("<BBBBI", 1, generation, len(nodes), 0, slot)
    body = xor(new_key, hchacha20(expand(inner), salt))
    signed = head + tree_token(root, generation) + salt + body
    for node in nodes:
        wrap = hchacha20(expand(node_secret(root, node)), b"hopwright/wrap\0\0")
        signed += struct.pack("<H", node) + xor(inner, hchacha20(wrap, salt)[:16])
    present = hchacha20(net_key.subkey("TREE"), b"hopwright/rekey\0")[:8]
    state = hchacha20(hchacha20(new_key, b"hopwright/order\0"), present + head)
    rest = signed[8:]
    for at in range(0, len(rest), 16):
        state = hchacha20(state, rest[at : at + 16].ljust(16, b"\0"))
    return signed + state[:16]


# -------------------------------------------------------------------------------------- self-test


def walk(timeline, count):
    """The first `count` slots by walking: traffic slots are counted, the deck is swapped in place."""
    net, key = timeline.net, timeline.key
    deck, k, t = [], 0, 0
    for h in range(count):
        f = h // net.plan.m
        if h % net.plan.m == timeline.sync_position(f):
            yield "sync", timeline.in_rendezvous_order(timeline.draw_stream, f)
            continue
        word = key.word("HOP", timeline.draw_stream, t)
        if net.plan.draw == "independent":
            channel = net.drawn_traffic[uniform(word, len(net.drawn_traffic))]
        else:
            if k == len(deck):
                deck, k = list(net.drawn_traffic), 0
            j = k + uniform(word, len(deck) - k)
            deck[k], deck[j] = deck[j], deck[k]
            channel, k = deck[k], k + 1
        yield "traffic", net.seat(channel)
        t += 1


def practice_plan(hopset=None, slots=None, lanes=None, count=128):
    """A small plan for the self-test."""
    tables = {
        "net": {"name": "practice", "key": bytes(range(32)).hex()},
        "raster": {"base_hz": 902_300_000, "spacing_hz": 200_000, "count": count},
        "hopset": hopset or {"pick": "all"},
        "slots": slots or {},
    }
    if lanes:
        tables["lanes"] = lanes
    return Plan(tables)


def published_checks():
    """Values that other people published."""
    key = bytes(range(32))
    block = chacha20_block(key, 1, bytes.fromhex("000000090000004a00000000"))
    yield "RFC 8439 section 2.3.2, block", block.hex() == (
        "10f1e7e4d13b5915500fdd1fa32071c4c7d1f4c733c068030422aa9ac3d46c4e"
        "d2826446079faa0914c2d705d98b02a2b5129cd1de164eb9cbd083e8a2503c4e"
    )
    yield "RFC 8439 appendix A.1, vector 1", chacha20_block(bytes(32), 0, bytes(12)).hex() == (
        "76b8e0ada0f13d90405d6ae55386bd28bdd219b8a08ded1aa836efcc8b770dc7"
        "da41597c5157488d7724e03fb8d84a376a43b8f41518a11cc387b669b2ee6586"
    )
    subkey = hchacha20(key, bytes.fromhex("000000090000004a0000000031415927"))
    yield "HChaCha20 draft section 2.2.1", subkey.hex() == (
        "82413b4227b27bfed30e42508a877d73a0f9e4d58a74a853c12ec41326d3ecdc"
    )
    for message, coded in (
        (0x001, 0x0018EB),
        (0x123, 0x1230AC),
        (0x555, 0x555D0D),
        (0x800, 0x800C75),
        (0xABC, 0xABC23C),
        (0xFFF, 0xFFFFFF),
    ):
        yield f"Golay encoding of {message:03x}", golay_encode(message) == coded
    weights = {}
    for message in range(4096):
        weight = golay_encode(message).bit_count()
        weights[weight] = weights.get(weight, 0) + 1
    yield "Golay weights", weights == {0: 1, 8: 759, 12: 2576, 16: 759, 24: 1}


def walking_checks():
    """Random access equals walking."""
    for name, plan, lane in (
        ("balanced", practice_plan(), 0),
        ("independent", practice_plan(slots={"draw": "independent", "frame": 5}), 0),
        ("disjoint lane", practice_plan(lanes={"kind": "disjoint"}, slots={"rendezvous": 8}), 3),
        ("spaced lane", practice_plan(lanes={"kind": "spaced"}, slots={"equal_use": True}), 5),
    ):
        for cut_in in (False, True):
            timeline = Timeline(Net(plan, lane), cut_in)
            walked = list(walk(timeline, 1500))
            order = range(1499, -1, -7)
            same = all((s.kind, s.channel) == walked[s.slot] for s in map(timeline.slot, order))
            yield f"random access, {name}, {'cut-in' if cut_in else 'home'}", same


def invariant_checks():
    """What the specification promises of any plan."""
    plan = practice_plan(slots={"equal_use": True}, lanes={"kind": "spaced", "count": 4})
    for lane in range(4):
        timeline = Timeline(Net(plan, lane))
        n = len(timeline.net.hopset)
        blocks = (0, 1, (U32 + 1) // n - 1)
        even = all(
            sorted(timeline.slot(h).channel for h in range(b * n, b * n + n)) == timeline.net.hopset
            for b in blocks
        )
        yield f"equal use, lane {lane}", even

    near = [Timeline(Net(plan, lane)) for lane in range(4)]
    apart = True
    for h in range(500):
        ranks = [t.slot(h).channel for t in near]
        gaps = [(a - b) % 128 for a, b in permutations(ranks, 2)]
        apart &= min(gaps) >= 32
    yield "spaced lanes keep their distance", apart

    plan = practice_plan(
        lanes={"kind": "disjoint", "width": 7, "count": 6}, slots={"rendezvous": 4, "window": 2}
    )
    sets = [Net(plan, lane).hopset for lane in range(6)]
    yield "lanes are disjoint", sum(map(len, sets)) == len(set().union(*sets))

    timeline = Timeline(Net(practice_plan()))
    start = 10**9 // 16 * 16
    visits = [timeline.run_channel(h) for h in range(start, start + 160)]
    cycles = [sorted(visits[i : i + 16]) for i in range(0, 160, 16)]
    yield "a run visits every rendezvous channel", all(
        c == sorted(timeline.net.rendezvous) for c in cycles
    )


def header_checks():
    """Sealing and opening."""
    key = NetKey(bytes(range(32)))
    header = Header(0x0102_0304, 0x21, 0x40, 4, 2, 3, 1)
    body = header.body()
    yield "body layout", body.hex() == "0403020121402413"
    wire = seal_header(key, 5, header)
    yield "a sealed header opens", open_header(key, 5, wire) == header
    yield "another stream does not open it", open_header(key, 5 | CUT_IN, wire) is None
    flipped = [xor(wire, (1 << bit).to_bytes(16, "big")) for bit in range(128)]
    yield "no flipped bit opens", all(open_header(key, 5, one) is None for one in flipped)
    bad = [
        {"form": 9},
        {"form": 14},
        {"kind": 0},
        {"kind": 7},
        {"target": 0x48},
        {"form": 0},
    ]
    sealed = [seal_header(key, 5, Header(**(asdict(header) | change))) for change in bad]
    yield "invalid fields are dropped", all(open_header(key, 5, one) is None for one in sealed)
    yield "quality", [quality(u) for u in (0, 16, 17, 32, 33, 262144, 10**9)] == [0, 0, 1, 1, 2, 14, 15]
    yield "countdown", [countdown(n) for n in (0, 1, 16, 17, 225, 1000)] == [0, 1, 1, 2, 15, 15]
    bits = slot_bits(wire)
    columns = [sum((bits >> (263 - 11 * i - j) & 1) << (23 - i) for i in range(24)) for j in range(11)]
    message = "".join(f"{word >> 12:03x}" for word in columns)
    yield "slot bits come back", message == wire.hex() + "0" and all(
        golay_encode(word >> 12) == word for word in columns
    )


def selftest():
    """Run every check, say which fail, and close with the count."""
    passed = failed = 0
    for checks in (published_checks, walking_checks, invariant_checks, header_checks):
        for name, held in checks():
            passed, failed = passed + held, failed + (not held)
            if not held:
                print(f"failed: {name}")
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


# ----------------------------------------------------------------------------------- command line


def main():
    """The command line; see the top of this file."""
    parser = argparse.ArgumentParser(description="Hopwright, sections 2 to 5, a second time.")
    commands = parser.add_subparsers(dest="command", required=True)
    hops = commands.add_parser("hops", help="print a hop list as CSV")
    hops.add_argument("plan")
    hops.add_argument("--lane", type=int, default=0)
    hops.add_argument("--from", type=int, default=0, dest="first")
    hops.add_argument("--count", type=int, default=32)
    hops.add_argument("--timeline", choices=("home", "cut-in"), default="home")
    commands.add_parser("selftest", help="check published values and promises")
    asked = parser.parse_args()
    if asked.command == "selftest":
        return selftest()
    try:
        net = Net(Plan.read(asked.plan), asked.lane)
        text = hops_csv(Timeline(net, asked.timeline == "cut-in"), asked.first, asked.count)
    except (ValueError, OSError, KeyError) as error:
        print(f"{asked.plan}: {error}", file=sys.stderr)
        return 2
    sys.stdout.write(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
