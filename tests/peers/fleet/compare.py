"""Holds two result directories against each other. usage: compare.py A B [TOLERANCE]; exit code 1 on any difference."""
import csv, math, sys

tolerance, cells, bad = float(sys.argv[3]) if len(sys.argv) > 3 else 1e-9, 0, 0
for name in ("trips.csv", "weekly.csv"):
    a, b = (list(csv.DictReader(open(f"{d}/{name}"))) for d in sys.argv[1:3])
    if len(a) != len(b):
        print(f"{name}: {len(a)} rows and {len(b)}")
        bad += 1
    for i, (x, y) in enumerate(zip(a, b)):
        for column in x:
            cells += 1
            try:
                p, q = float(x[column]), float(y[column])
            except ValueError:
                same = x[column] == y[column]
            else:
                same = (math.isnan(p) and math.isnan(q)) or abs(p - q) <= tolerance * max(abs(p), abs(q), 1e-9)
            if not same:
                bad += 1
                print(f"{name} row {i} {column}: {x[column]} and {y[column]}")
print(f"{cells} cells, {bad} differ")
sys.exit(bad > 0)
