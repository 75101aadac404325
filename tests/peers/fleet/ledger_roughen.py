"""Copies a dataset's decoded tables and makes them rougher than a simulated fleet's. usage: ledger_roughen.py DATASET COPY KIND

In every kind there are gaps of 0.3 to 40 s at random in each table, and counters jump. KIND is one of
- jitter: stamps up to 4 ms early or late
- sparse: the same, and only 3 rows of 100 are left, so that steps lead over several bins; voltage changes sign
- nulls:  the same as jitter, and 30 % of the values are unknown; torque and current scatter around zero
- equal:  stamps are multiples of 50 ms, so that several rows have the same one and many lie on the edge of a bin
Voltage and current stay together, and so do torque and speed. Manifests are copied as they are and have to be sealed anew.
"""
import glob, os, shutil, sys

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from ledger_common import COLUMNS, MODULUS

TOGETHER = {"current_a": "voltage_v", "speed_rpm": "torque_n_m"}  # the engine has a speed as well, and no torque


def roughened(rng, name, array, unknown, kind):
    """One column's values."""
    values = array.to_pandas().to_numpy(dtype=float).copy()
    if name in ("fuel_count", "hall_count"):
        for at in rng.integers(0, values.size, 4):
            values[at:] = (values[at:] + rng.integers(0, MODULUS)) % MODULUS
    elif kind == "sparse" and name == "voltage_v":
        values *= np.where(rng.random(values.size) < 0.2, -1.0, 1.0)
    elif kind == "nulls" and name in ("current_a", "torque_n_m"):
        values -= rng.normal(0.0, 3.0, values.size)
    return pa.array(values, mask=np.isnan(values) | unknown).cast(array.type)


def stamps(rng, t, kind):
    if kind == "equal":
        return (t + 25_000) // 50_000 * 50_000
    t, n = t + rng.integers(-4000, 4001, t.size), np.arange(t.size)
    return np.maximum.accumulate(t - n) + n  # rising


def left(rng, t, kind):
    """Which rows are left."""
    here = rng.random(t.size) < 0.03 if kind == "sparse" else np.ones(t.size, bool)
    for start, length in zip(rng.integers(t[0], t[-1], 25), 10 ** rng.uniform(5.5, 7.6, 25)):
        here &= (t < start) | (t >= start + length)
    return here


if __name__ == "__main__":
    root, copy, kind = sys.argv[1:4]
    shutil.copytree(f"{root}/sessions", f"{copy}/sessions")
    rng = np.random.default_rng(7)
    for table in COLUMNS:
        for file in sorted(glob.glob(f"{root}/{table}/vehicle=*/date=*/*.parquet")):
            rows, unknown = pq.ParquetFile(file).read(), {}
            t = stamps(rng, rows["t_us"].to_numpy(), kind)
            columns = {name: rows[name] for name in rows.column_names} | {"t_us": pa.array(t)}
            for name in [name for name in rows.column_names if name not in ("session", "t_us", "position", "running", "charging")]:
                unknown[name] = rng.random(t.size) < (0.3 if kind == "nulls" else 0.0)
            unknown |= {b: unknown[a] for b, a in TOGETHER.items() if a in unknown and b in unknown}
            for name, none in unknown.items():
                columns[name] = roughened(rng, name, rows[name].combine_chunks(), none, kind)
            made = pa.Table.from_arrays([columns[name] for name in rows.column_names], schema=rows.schema)
            place = file.replace(root, copy, 1)
            os.makedirs(os.path.dirname(place), exist_ok=True)
            pq.write_table(made.filter(pa.array(left(rng, t, kind))), place, compression="zstd", row_group_size=131_072)
