"""How often two lists of hops meet: python3 coincidences.py A.csv B.csv [SHIFT]

With SHIFT, slot h of the first is compared with slot h + SHIFT of the second."""

import csv
import sys


def slots(path):
    with open(path, newline="") as file:
        return [(row["kind"], row["channel"]) for row in csv.DictReader(file)]


a, b = slots(sys.argv[1]), slots(sys.argv[2])
shift = int(sys.argv[3]) if len(sys.argv) > 3 else 0
pairs = list(zip(a, b[shift:]))
both = {kind: [(x, y) for x, y in pairs if x[0] == y[0] == kind] for kind in ("traffic", "sync")}

for name, compared in [("all slots", pairs), ("both traffic", both["traffic"]), ("both sync", both["sync"])]:
    print(f"{name}: {len(compared)} compared, {sum(x[1] == y[1] for x, y in compared)} coincidences")
