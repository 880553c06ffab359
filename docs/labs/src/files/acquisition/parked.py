"""A receiver parked on one channel: python3 parked.py HOPS.csv CHANNEL SLOTS

Cuts the list into stretches of SLOTS slots and counts those that never visit CHANNEL."""

import csv
import sys

path, channel, length = sys.argv[1], sys.argv[2], int(sys.argv[3])
with open(path, newline="") as file:
    visits = [row["channel"] == channel for row in csv.DictReader(file) if row["kind"] == "traffic"]

starts = range(0, len(visits) - length + 1, length)
missed = sum(not any(visits[start : start + length]) for start in starts)
print("stretches     ", len(starts))
print("without visit ", missed)
print(f"share          {missed / len(starts):.4f}")
