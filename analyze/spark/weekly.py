"""The weekly roll-up of a fleet that one machine does not hold, as a Spark job.

    spark-submit analyze/spark/weekly.py --data /fleet --week 2026-W47 --out /fleet-weeks/2026-W47
    tallywheel-analyze rollup --results /fleet-weeks/2026-W47 --out page

Two stages, and nothing in them schedules, retries or moves data but Spark:

1. The ledger pass. Spark divides the vehicles among its tasks; each task runs `tallywheel-analyze derive` for its own
   vehicles, which makes what is missing of `ledger`, `motor_ledger`, `trips`, `days` and `speed_classes` beside the
   sealed tables. No sample goes through Spark. A task that fails is run again by Spark (`spark.task.maxFailures`); what
   its first attempt finished is found and kept, since every file is written whole under another name and then renamed.
2. The sums (with --week). Spark reads `days` and `speed_classes` and runs `schemas/sql/*.sql` as they are. The results
   are written as Parquet, with a `results.json` that says what they are; `rollup --results` makes page, list and tables
   of them.

Needs: the dataset under one path on every machine (a shared file system), and the program `tallywheel-analyze` there
too, or sent along with `--files target/release/tallywheel-analyze`. A UTC date of a session is a folder, so Spark
opens the folders of the seventeen weeks that a roll-up looks at and no other.

Without --vehicle every vehicle of the dataset is looked at. The last line of stdout is a JSON object with counts, and the sessions
that are left out with their reasons. Exit codes: 0 all is well; 1 some sessions are damaged or cannot be used;
2 not finished.
"""

import argparse
import datetime as dt
import json
import os
import subprocess
import sys
from pathlib import Path

from pyspark import SparkFiles
from pyspark.sql import SparkSession

# In the order in which they build on each other.
STATEMENTS = ["class_days", "class_reference", "vehicle_days", "vehicle_periods", "fleet_periods"]
KEPT = ["class_reference", "vehicle_days", "vehicle_periods", "fleet_periods"]
# A session's rows may be of days after that of its folder.
SPAN_DAYS = 8
HISTORY_WEEKS = 16
BEFORE_WEEKS = 4


def arguments():
    parse = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parse.add_argument("--data", required=True, help="dataset, under the same path on every machine")
    parse.add_argument("--program", default="tallywheel-analyze", help="the program: a path, or a name sent with --files")
    parse.add_argument("--vehicle", action="append", default=[], help="only this vehicle; may be given again")
    parse.add_argument("--vehicles-per-task", type=int, default=4, help="fewer spread better, more start less often")
    parse.add_argument("--week", help="ISO 8601 week to sum up, as 2026-W47; without it only the ledger pass is done")
    parse.add_argument("--out", help="directory for the sums, with --week")
    parse.add_argument("--sums-only", action="store_true", help="take `days` and `speed_classes` as they are")
    parse.add_argument("--sql", default=str(Path(__file__).resolve().parents[2] / "schemas" / "sql"))
    parse.add_argument("--day-distance-km", type=float, default=60.0, help="a day up to this distance is short")
    parse.add_argument("--day-speed-km-h", type=float, default=60.0, help="a day hardly ever this fast is slow")
    args = parse.parse_args()
    if bool(args.week) != bool(args.out):
        parse.error("--week and --out go together")
    return args


def located(program):
    """The program as a worker finds it: sent along, or by its own path."""
    sent = SparkFiles.get(os.path.basename(program))
    if os.path.exists(sent):
        os.chmod(sent, 0o755)
        return sent
    return program


def derive(data, program):
    """What a task does: one run of the program for the vehicles of its partition."""

    def run(vehicles):
        flags = [flag for vehicle in vehicles for flag in ("--vehicle", vehicle)]
        if not flags:
            return
        command = [located(program), "derive", "--data", data, "--jobs", "1", "--format", "json", *flags]
        done = subprocess.run(command, capture_output=True, text=True)
        # 1 is for faults in the data, which the output names; anything else is Spark's to try again.
        if done.returncode not in (0, 1):
            raise RuntimeError(f"{' '.join(command)} ended with {done.returncode}: {done.stderr.strip()}")
        yield done.stdout

    return run


def ledger_pass(spark, args):
    vehicles = args.vehicle or sorted(p.name.removeprefix("vehicle=") for p in Path(args.data, "sessions").glob("vehicle=*"))
    if not vehicles:
        raise SystemExit(f"{args.data}: no sessions/vehicle=… in it")
    tasks = -(-len(vehicles) // args.vehicles_per_task)
    documents = spark.sparkContext.parallelize(vehicles, tasks).mapPartitions(derive(args.data, args.program)).collect()
    states, unusable = {}, []
    for document in map(json.loads, documents):
        for session in document["sessions"]:
            states[session["state"]] = states.get(session["state"], 0) + 1
            if session["reason"]:
                unusable.append({key: session[key] for key in ("session", "vehicle", "run", "reason")})
        unusable += document["unusable"]
    return {"vehicles": len(vehicles), "tasks": tasks, "sessions": states, "unusable_sessions": unusable}


def monday_of(week):
    year, number = week.split("-W")
    return dt.date.fromisocalendar(int(year), int(number), 1)


def calendar(week, with_data):
    """Rows of the SQL's `calendar`: the week and the four weeks before it, and the days that they are held against."""
    first = monday_of(week)
    before = f"four weeks before {week}"

    def days(begin, count):
        every = (str(begin + dt.timedelta(days=i)) for i in range(count))
        return [d for d in every if d in with_data]

    now = days(first, 7)
    earlier = days(first - dt.timedelta(weeks=BEFORE_WEEKS), 7 * BEFORE_WEEKS)
    history = days(first - dt.timedelta(weeks=HISTORY_WEEKS), 7 * HISTORY_WEEKS + 7)
    rows = [(week, d, "now") for d in now] + [(week, d, "history") for d in history]
    # Where the four weeks before have no data, the week is its own reference.
    rows += [(week, d, "reference") for d in earlier or now]
    return rows + [(before, d, role) for role in ("now", "reference") for d in earlier]


def sums(spark, args, unusable):
    Path(args.out, "results.json").unlink(missing_ok=True)
    monday = monday_of(args.week)
    first = str(monday - dt.timedelta(weeks=HISTORY_WEEKS, days=SPAN_DAYS))
    last = str(monday + dt.timedelta(days=6))
    for table in ("days", "speed_classes"):
        rows = spark.read.parquet(f"{args.data}/{table}").where(f"date >= '{first}' and date <= '{last}'")
        if args.vehicle:
            rows = rows.where(rows.vehicle.isin(args.vehicle))
        rows.createOrReplaceTempView(table)
    with_data = {r.day for r in spark.sql("SELECT DISTINCT day FROM days").collect()}
    if not any(str(monday + dt.timedelta(days=i)) in with_data for i in range(7)):
        raise SystemExit(f"{args.data}: no data in {args.week}")
    spark.createDataFrame(calendar(args.week, with_data), "period string, day string, role string").createOrReplaceTempView("calendar")
    parameters = {"day_distance_m": args.day_distance_km * 1000.0, "day_speed_km_h": args.day_speed_km_h, "empty_soc_pct": 20.0}
    row = spark.createDataFrame([tuple(parameters.values())], ", ".join(f"{name} double" for name in parameters))
    row.createOrReplaceTempView("parameters")
    for name in STATEMENTS:
        found = spark.sql(Path(args.sql, f"{name}.sql").read_text()).cache()
        found.createOrReplaceTempView(name)
        if name in KEPT:
            found.write.mode("overwrite").option("compression", "zstd").parquet(f"{args.out}/{name}")
    # Last, so that results are whole where this is.
    said = {"schema": 1, "week": args.week, "parameters": parameters, "unusable_sessions": unusable}
    Path(args.out, "results.json").write_text(json.dumps(said, indent=2) + "\n")


def main():
    args = arguments()
    # A vehicle called 007 stays one, and dates are compared as text.
    settings = {"spark.sql.sources.partitionColumnTypeInference.enabled": "false", "spark.sql.session.timeZone": "UTC"}
    builder = SparkSession.builder.appName("tallywheel weekly")
    for key, value in settings.items():
        builder = builder.config(key, value)
    spark = builder.getOrCreate()
    counts = {"unusable_sessions": []} if args.sums_only else ledger_pass(spark, args)
    if args.week:
        sums(spark, args, counts["unusable_sessions"])
    spark.stop()
    print(json.dumps(counts))
    sys.exit(1 if counts["unusable_sessions"] else 0)


if __name__ == "__main__":
    try:
        main()
    except SystemExit:
        raise
    except Exception as error:  # Spark has logged the whole of it by now.
        print(f"weekly.py: {error}", file=sys.stderr)
        sys.exit(2)
