"""Holds the daily table's distance and net pack energy against a script's own integrals over the same samples.

usage: days_check.py DATASET OUT [TOLERANCE]; exit code 1 on any difference
"""
import csv, glob, sys

import pyarrow.parquet as pq

from common import week

root, out = sys.argv[1:3]
tolerance = float(sys.argv[3]) if len(sys.argv) > 3 else 1e-9
sums, bad = {}, 0
for path in glob.glob(f"{root}/days/vehicle=*/date=*/*.parquet"):
    rows = pq.ParquetFile(path).read(columns=["distance_m", "pack_out_wh", "pack_in_wh"]).to_pydict()
    if all(d is None for d in rows["distance_m"]):
        continue
    vehicle, date = path.split("/vehicle=")[1].split("/")[0], path.split("/date=")[1].split("/")[0]
    for key in ((vehicle, week(date)), ("FLEET", week(date))):
        s = sums.setdefault(key, [0.0, 0.0])
        s[0] += sum(d or 0.0 for d in rows["distance_m"])
        s[1] += sum((o or 0.0) - (i or 0.0) for o, i in zip(rows["pack_out_wh"], rows["pack_in_wh"]))
for row in csv.DictReader(open(f"{out}/weekly.csv")):
    for name, ours, theirs in zip(("distance", "net energy"), sums[row["vehicle"], row["week"]], (float(row["day_m"]), float(row["day_net_wh"]))):
        if abs(ours - theirs) > tolerance * max(abs(ours), abs(theirs), 1.0):
            bad += 1
            print(f"{row['vehicle']} {row['week']} {name}: {ours} and {theirs}")
print(f"{2 * len(sums)} sums, {bad} differ")
sys.exit(bad > 0)
