"""Runs the roll-up's SQL, unchanged, on DuckDB or Spark over a dataset's Hive-partitioned tables.

usage: rollup_engines.py duckdb|spark DATASET SQL_DIR CALENDAR.csv PARAMETERS.json   -> one JSON object on stdout

CALENDAR.csv has the columns period, day, role; PARAMETERS.json the one row of `parameters`. The object holds every
statement's result: {name: {"columns": [...], "rows": [[...], ...]}}.
"""
import csv, json, sys
from decimal import Decimal

engine, root, sql_dir, calendar_path, parameters_path = sys.argv[1:]
NAMES = ["class_days", "class_reference", "vehicle_days", "vehicle_periods", "fleet_periods"]
calendar = [(r["period"], r["day"], r["role"]) for r in csv.DictReader(open(calendar_path))]
parameters = json.load(open(parameters_path))
KEYS = ["day_distance_m", "day_speed_km_h", "empty_soc_pct"]


def text(name):
    return open(f"{sql_dir}/{name}.sql").read()


def plain(value):
    return float(value) if isinstance(value, Decimal) else value


def on_duckdb():
    import duckdb

    con = duckdb.connect()
    for table in ("days", "speed_classes"):
        con.execute(f"create view {table} as select * from read_parquet('{root}/{table}/*/*/*.parquet', "
                    "hive_partitioning = true, hive_types_autocast = false)")
    con.execute("create table calendar (period varchar, day varchar, role varchar)")
    con.executemany("insert into calendar values (?, ?, ?)", calendar)
    con.execute("create table parameters (day_distance_m double, day_speed_km_h double, empty_soc_pct double)")
    con.execute("insert into parameters values (?, ?, ?)", [parameters[k] for k in KEYS])
    for name in NAMES:
        con.execute(f"create table {name} as {text(name)}")
        found = con.execute(f"select * from {name}")
        yield name, [c[0] for c in found.description], found.fetchall()


def on_spark():
    from pyspark.sql import SparkSession

    spark = (SparkSession.builder.master("local[2]").appName("rollup")
             .config("spark.ui.enabled", "false").config("spark.sql.shuffle.partitions", "2")
             .config("spark.driver.memory", "2g")
             .config("spark.sql.sources.partitionColumnTypeInference.enabled", "false").getOrCreate())
    spark.sparkContext.setLogLevel("ERROR")
    for table in ("days", "speed_classes"):
        spark.read.parquet(f"{root}/{table}").createOrReplaceTempView(table)
    spark.createDataFrame(calendar, "period string, day string, role string").createOrReplaceTempView("calendar")
    row = tuple(float(parameters[k]) for k in KEYS)
    spark.createDataFrame([row], ", ".join(f"{k} double" for k in KEYS)).createOrReplaceTempView("parameters")
    for name in NAMES:
        found = spark.sql(text(name)).cache()
        found.createOrReplaceTempView(name)
        yield name, found.columns, [tuple(r) for r in found.collect()]
    spark.stop()


results = {}
for name, columns, rows in {"duckdb": on_duckdb, "spark": on_spark}[engine]():
    results[name] = {"columns": columns, "rows": [[plain(v) for v in row] for row in rows]}
json.dump(results, sys.stdout)
