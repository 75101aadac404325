"""Reads a dataset as Hive-partitioned tables with DuckDB and with polars, and sums it without our code.

usage: hive_sums.py DATASET   -> one JSON object on stdout

Distance is the trapezoid over the motion table, pack energy the closed form of the product of two straight lines over
the pack table, both over every interval of at most a second; the ledger tables are summed as they stand.
"""
import json, sys

import duckdb
import polars as pl

root = sys.argv[1]


def table(name):
    return f"read_parquet('{root}/{name}/*/*/*.parquet', hive_partitioning = true)"


con = duckdb.connect()
distance = con.execute(f"""
    with s as (select session, t_us, wheel_speed_m_s v from {table('motion')} where wheel_speed_m_s is not null),
    d as (select session, (t_us - lag(t_us) over w) / 1e6 dt, (v + lag(v) over w) / 2 mean from s
          window w as (partition by session order by t_us))
    select session, sum(mean * dt) from d where dt <= 1.0 group by session order by session""").fetchall()
energy = con.execute(f"""
    with s as (select session, t_us, voltage_v v, current_a i from {table('pack')}
               where voltage_v is not null and current_a is not null),
    d as (select session, (t_us - lag(t_us) over w) / 1e6 dt, v v1, i i1, lag(v) over w v0, lag(i) over w i0 from s
          window w as (partition by session order by t_us))
    select session, sum(dt * (2 * v0 * i0 + 2 * v1 * i1 + v0 * i1 + v1 * i0) / 6) / 3600
    from d where dt <= 1.0 group by session order by session""").fetchall()
ledger = con.execute(f"""
    select session, vehicle, sum(wheel_distance_m), sum(pack_out_wh) - sum(pack_in_wh), sum(fuel_ml)
    from {table('ledger')} group by session, vehicle order by session""").fetchall()

motion = pl.scan_parquet(f"{root}/motion/**/*.parquet", hive_partitioning=True)
polars_distance = (motion.with_columns(pl.col("session").cast(pl.String))
    .filter(pl.col("wheel_speed_m_s").is_not_null()).sort("session", "t_us")
    .with_columns(dt=(pl.col("t_us") - pl.col("t_us").shift(1).over("session")) / 1e6,
                  mean=(pl.col("wheel_speed_m_s") + pl.col("wheel_speed_m_s").shift(1).over("session")) / 2)
    .filter(pl.col("dt") <= 1.0).group_by("session").agg(pl.col("vehicle").first(), (pl.col("dt") * pl.col("mean")).sum().alias("m"))
    .sort("session").collect())
json.dump({
    "duckdb_distance_m": dict(distance),
    "duckdb_net_wh": dict(energy),
    "duckdb_ledger": {r[0]: {"vehicle": r[1], "wheel_distance_m": r[2], "net_wh": r[3], "fuel_ml": r[4]} for r in ledger},
    "polars_distance_m": dict(zip(polars_distance["session"].to_list(), polars_distance["m"].to_list())),
}, sys.stdout)
