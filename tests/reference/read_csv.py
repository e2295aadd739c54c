"""Reads a CSV file with Python's csv module in strict mode and prints it as JSON rows."""

import csv
import json
import sys

with open(sys.argv[1], encoding="utf-8", newline="") as file:
    rows = list(csv.reader(file, strict=True))
widths = {len(row) for row in rows}
if len(widths) != 1:
    sys.exit(f"rows of {sorted(widths)} fields")
print(json.dumps(rows))
