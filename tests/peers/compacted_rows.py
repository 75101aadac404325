"""Counts and sums of a table as DuckDB reads it from the whole Hive-partitioned directory, one line of JSON."""

import json
import sys

import duckdb

root, table, column = sys.argv[1:]
query = (
    f"SELECT vehicle, session, count(*), sum({column}), min(t_us), max(t_us) "
    f"FROM read_parquet('{root}/{table}/**/*.parquet', hive_partitioning = true) GROUP BY ALL ORDER BY ALL"
)
print(json.dumps(duckdb.sql(query).fetchall()))
