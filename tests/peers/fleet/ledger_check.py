"""Holds the ledger, trips and weekly sums of a script `ledger_*.py` against those that are derived in the dataset, cell by cell.

usage: ledger_check.py DATASET OUT [TOLERANCE]; exit code 1 on any difference. The last line is JSON: cells known on either side,
how many differ, and the largest difference among the others as a share.

Two cells are the same if both are unknown (null or NaN), or differ by no more than TOLERANCE, 1e-9, times the larger of the two
and FLOOR, in the column's unit: sums of a noise around zero are known to rounding of what was summed, not of what is left.
Every column of ours in which a session has a value must be there, but for those named in `ABSENT`, and the same rows.
"""
import csv, glob, json, os, sys

import numpy as np
import polars as pl

from ledger_common import *

FLOOR = 1e-3
ABSENT = {"ledger": set(), "motor_ledger": set(), "trips": {"climb_m"}}


class Tally:
    def __init__(self, tolerance):
        self.tolerance, self.cells, self.bad, self.largest, self.where = tolerance, 0, 0, 0.0, ""

    def wrong(self, what):
        self.bad += 1
        if self.bad <= 20:
            print(what)

    def hold(self, what, ours, theirs):
        """Two arrays of one length."""
        if ours.size != theirs.size:
            return self.wrong(f"{what}: {ours.size} rows and {theirs.size}")
        unknown = np.isnan(ours)
        self.cells += int((~unknown | ~np.isnan(theirs)).sum())
        off = np.abs(ours - theirs) / np.maximum(np.maximum(np.abs(ours), np.abs(theirs)), FLOOR)
        off = np.where(unknown & np.isnan(theirs), 0.0, off)
        same = off <= self.tolerance  # an unknown one is not
        if same.any() and off[same].max() > self.largest:
            self.largest, self.where = off[same].max(), what
        for i in np.flatnonzero(~same):
            self.wrong(f"{what} row {i}: {ours[i]!r} and {theirs[i]!r}")


def table(file):
    """A table's columns as arrays, unknown as NaN; the motors' rows in order of position and time."""
    frame = pl.read_parquet(file, hive_partitioning=False)
    if "position" in frame.columns:
        frame = frame.with_columns(pl.col("position").cast(pl.String)).sort("position", "t_us")
    return {name: frame[name].to_numpy() if name in ("t_us", "position") else frame[name].cast(pl.Float64).to_numpy()
            for name in frame.columns if name != "session"}


def tables(tally, root, out, name, columns):
    there = {file[len(root):] for file in glob.glob(f"{root}/{name}/vehicle=*/date=*/*.parquet")}
    made = {file[len(out):] for file in glob.glob(f"{out}/{name}/vehicle=*/date=*/*.parquet")}
    for file in sorted(there ^ made):
        tally.wrong(f"{file}: only in {'the dataset' if file in there else 'the output'}")
    for file in sorted(there & made):
        ours, theirs = table(root + file), table(out + file)
        for key in ("t_us", "position"):
            if key in ours and not np.array_equal(ours[key], theirs.get(key)):
                tally.wrong(f"{file}: other rows by {key}")
                break
        else:
            for column in ours.keys() - {"t_us", "position"} - ABSENT[name]:
                empty = np.full(ours["t_us"].size, np.nan)
                if column not in columns and not np.isnan(ours[column]).all():
                    tally.wrong(f"{file}: no script makes {column}")
                tally.hold(f"{file} {column}", ours[column], theirs.get(column, empty))


def trips(tally, root, out):
    made = {}
    for row in csv.DictReader(open(f"{out}/trips.csv")):
        made.setdefault((row["vehicle"], row["date"], row["session"]), []).append(row)
    for session in sessions(root):
        file, theirs = path(root, "trips", session), made.pop(session, [])
        if not os.path.exists(file):
            tally.wrong(f"trips of {session[2]}: not in the dataset")
            continue
        ours = table(file)
        for column in ours.keys() - ABSENT["trips"]:
            tally.hold(f"trips of {session[2]} {column}", ours[column].astype(float), np.array([float(row[column]) for row in theirs]))
    for session in made:
        tally.wrong(f"trips of {session}: not in the dataset")


def weeks(tally, root, out):
    groups = {}
    for file in glob.glob(f"{root}/days/vehicle=*/date=*/*.parquet"):
        vehicle = file.split("/vehicle=")[1].split("/")[0]
        for row in pl.read_parquet(file, hive_partitioning=False).to_dicts():
            for key in ((vehicle, row["week"]), ("FLEET", row["week"])):
                groups.setdefault(key, []).append(row)
    made = {(row["vehicle"], row["week"]): row for row in csv.DictReader(open(f"{out}/weekly.csv"))}
    if groups.keys() != made.keys():
        tally.wrong(f"weeks: {sorted(groups.keys() ^ made.keys())} on one side only")
    for key in sorted(groups.keys() & made.keys()):
        for column in WEEK:
            values = [row[column] for row in groups[key] if row[column] is not None]
            # Nothing is added up here but plain floats.
            fold = max if column in GREATEST else min if column in LEAST else sum
            ours = float(fold(values)) if values else np.nan
            tally.hold(f"week {key} {column}", np.array([ours]), np.array([float(made[key][column])]))


if __name__ == "__main__":
    root, out = (os.path.normpath(d) for d in sys.argv[1:3])
    tally = Tally(float(sys.argv[3]) if len(sys.argv) > 3 else 1e-9)
    tables(tally, root, out, "ledger", LEDGER)
    tables(tally, root, out, "motor_ledger", MOTOR_LEDGER)
    trips(tally, root, out)
    weeks(tally, root, out)
    print(json.dumps({"cells": tally.cells, "differ": tally.bad, "largest": float(tally.largest), "where": tally.where}))
    sys.exit(tally.bad > 0 or tally.cells == 0)
