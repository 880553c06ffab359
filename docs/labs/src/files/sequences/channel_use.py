"""How evenly a list of hops uses its channels: python3 channel_use.py HOPS.csv CHANNELS"""

import csv
import sys
from collections import Counter

path, channels = sys.argv[1], int(sys.argv[2])
with open(path, newline="") as file:
    hops = [int(row["channel"]) for row in csv.DictReader(file) if row["kind"] == "traffic"]

used = Counter(hops)
expected = len(hops) / channels
chi_square = sum((used[channel] - expected) ** 2 for channel in range(channels)) / expected
repeats = sum(a == b for a, b in zip(hops, hops[1:]))

print("traffic hops      ", len(hops))
print("least used        ", min(used[channel] for channel in range(channels)))
print("most used         ", max(used[channel] for channel in range(channels)))
print("degrees of freedom", channels - 1)
print(f"chi-square         {chi_square:.4f}")
print("repeats            " + str(repeats))
