"""Figures of a mapped stand, from its CSV file alone, as JSON.

Doses: for each tree of at least the smallest diameter, rate x diameter in whole microlitres, rounded
down, worked in integers from the decimal text. Arguments: file, rate in microlitres per metre of
diameter, smallest diameter in micrometres.
"""

import csv
import json
import math
import statistics
import sys
from fractions import Fraction

path, rate, smallest = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
with open(path, encoding="utf-8", newline="") as file:
    rows = list(csv.DictReader(file))
diameters = [Fraction(row["dbh_cm"]) for row in rows]
doses = [math.floor(rate * d / 100) for d in diameters if d * 10_000 >= smallest]
places = [(Fraction(row["x_m"]), Fraction(row["y_m"])) for row in rows]


def near(a):
    return min(math.hypot(a[0] - b[0], a[1] - b[1]) for b in places if b is not a)


def pairs(metres):
    count = 0
    for i, a in enumerate(places):
        count += sum((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2 <= metres**2 for b in places[:i])
    return count


print(
    json.dumps(
        {
            "trees": len(rows),
            "sum_mm": int(sum(diameters) * 10),
            "sum_of_squares_cm2": float(sum(d * d for d in diameters)),
            "median_cm": float(statistics.median(diameters)),
            "dosed": len(doses),
            "doses_ul": sum(doses),
            "mean_nearest_m": statistics.fmean(near(a) for a in places),
            "pairs_5_m": pairs(5),
            "pairs_10_m": pairs(10),
        }
    )
)
