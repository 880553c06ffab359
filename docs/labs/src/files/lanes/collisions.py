"""Traffic slots of the first list of hops that another list hits: python3 collisions.py A.csv B.csv..."""

import csv
import sys


def slots(path):
    with open(path, newline="") as file:
        return [(row["kind"], row["channel"]) for row in csv.DictReader(file)]


first, *others = [slots(path) for path in sys.argv[1:]]
aligned = overlapping = compared = 0
for h in range(len(first) - 1):
    around = [other[h : h + 2] for other in others]
    if first[h][0] != "traffic" or any(kind != "traffic" for pair in around for kind, _ in pair):
        continue
    compared += 1
    aligned += any(pair[0] == first[h] for pair in around)
    overlapping += any(first[h] in pair for pair in around)

print("slots compared           ", compared)
print("hit, clocks in step      ", aligned)
print("hit, half a slot apart   ", overlapping)
