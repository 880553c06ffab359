"""A Golay decoder as somebody else might write it: by a table of syndromes.

The code is that of the specification, section 5: generator 0xC75, systematic, overall parity last.
Whoever tests an implementation of their own puts it in this file's place.
"""

from itertools import combinations


def encode(message):
    """12 bits to 24."""
    rest = message << 11
    for place in range(22, 10, -1):
        if rest >> place & 1:
            rest ^= 0xC75 << (place - 11)
    word = message << 12 | rest << 1
    return word | bin(word).count("1") & 1


def syndrome(word):
    """Zero for a code word; the same for all words with the same wrong bits."""
    return encode(word >> 12) ^ word


class Decoder:
    """Sets up to three wrong bits right. With `planted`, a slip that is easily made: the table
    is built for 23 bits, and the parity bit is forgotten."""

    def __init__(self, planted=False):
        self.patterns = {}
        places = range(1, 24) if planted else range(24)
        for weight in range(4):
            for wrong in combinations(places, weight):
                pattern = sum(1 << place for place in wrong)
                self.patterns[syndrome(pattern)] = (pattern, weight)

    def decode(self, word):
        """The message and how many bits were wrong; `None` for more than three."""
        pattern, weight = self.patterns.get(syndrome(word), (0, None))
        return (word ^ pattern) >> 12, weight
