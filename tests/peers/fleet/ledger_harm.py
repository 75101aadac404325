"""Harms what a script `ledger_*.py` wrote, so that the comparison can be seen to find it.

usage: ledger_harm.py DATASET OUT value|unknown|row|file|mend|none, on the first ledger of a vehicle that was driven
"""
import glob, os, shutil, sys

import polars as pl

root, out, how = sys.argv[1:4]
driven = lambda place: os.path.exists(f"{root}/motion/{place}")
# By the dataset's own files, because one of the output's may be gone.
place = next(f for f in sorted(os.path.relpath(f, f"{root}/ledger") for f in glob.glob(f"{root}/ledger/*/*/*.parquet")) if driven(f))
file, whole = f"{out}/ledger/{place}", f"{out}/whole.parquet"
if how == "mend":
    shutil.copy(whole, file)
elif how != "none":
    shutil.copy(file, whole)
    frame = pl.read_parquet(file, hive_partitioning=False)
    moves = pl.int_range(pl.len()) == frame["distance_m"].arg_max()
    distance = pl.col("distance_m")
    if how == "value":
        frame = frame.with_columns(pl.when(moves).then(distance * (1 + 3e-9)).otherwise(distance).alias("distance_m"))
    elif how == "unknown":
        frame = frame.with_columns(pl.when(~moves).then(distance).alias("distance_m"))
    elif how == "row":
        frame = pl.concat([frame, frame.tail(1)])
    frame.write_parquet(file)
    if how == "file":
        os.remove(file)
