"""Makes the ledgers and daily tables of a fleet as a Spark job, then rolls it up with schemas/sql, unchanged.

The pass over a session's samples is the program's own; Spark only decides where and when it runs: one task a vehicle and
day, retried by Spark when it fails. The program keeps what is already there, so a task that runs twice, or a job that is
started again, costs nothing. DATASET must be the same path on every worker (a shared file system or a mounted bucket).

    spark-submit ledger_job.py --data DATASET --program tallywheel-analyze --sql schemas/sql --week 2026-W47 --out OUT

writes OUT/vehicle_periods and OUT/fleet_periods as Parquet. Without --week the tables are made and nothing is rolled up.
"""
import argparse, datetime, os, subprocess

from pyspark.sql import SparkSession

STATEMENTS = ["class_days", "class_reference", "vehicle_days", "vehicle_periods", "fleet_periods"]


def arguments():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", required=True, help="dataset, at the same path on every worker")
    parser.add_argument("--program", default="tallywheel-analyze", help="the program, on every worker")
    parser.add_argument("--sql", help="directory of the SQL")
    parser.add_argument("--week", help="ISO 8601 week to roll up")
    parser.add_argument("--out", help="directory for the results")
    parser.add_argument("--from", dest="first", help="first UTC day whose sessions are passed, YYYY-MM-DD")
    parser.add_argument("--to", dest="last", help="last UTC day, YYYY-MM-DD")
    return parser.parse_args()


def vehicle_days(root, first, last):
    """The partitions of `sessions` that are wanted: (vehicle, date)."""
    top = f"{root}/sessions"
    for vehicle in sorted(os.listdir(top)):
        for date in sorted(os.listdir(f"{top}/{vehicle}")):
            day = date.removeprefix("date=")
            if (first is None or day >= first) and (last is None or day <= last):
                yield vehicle.removeprefix("vehicle="), day


def passed(program, root):
    """A function for one partition of (vehicle, date): runs the program on each, gives what it said."""
    def run(partition):
        for vehicle, day in partition:
            command = [program, "derive", "--data", root, "--vehicle", vehicle, "--from", day, "--to", day, "--jobs", "1"]
            done = subprocess.run(command, capture_output=True, text=True)
            # 1 means faults in the data, which the roll-up states; 2 means that nothing could be done.
            if done.returncode not in (0, 1):
                raise RuntimeError(f"{vehicle} {day}: {done.stderr.strip()}")
            yield vehicle, day, done.returncode
    return run


def calendar(week):
    """Rows of `calendar` for a week and the four weeks before it: (period, day, role)."""
    year, number = week.split("-W")
    monday = datetime.date.fromisocalendar(int(year), int(number), 1)
    span = lambda first, last: [(monday + datetime.timedelta(days=n)).isoformat() for n in range(first, last)]
    now, before = span(0, 7), span(-28, 0)
    earlier = f"four weeks before {week}"
    return ([(week, d, "now") for d in now] + [(week, d, "reference") for d in before]
            + [(week, d, "history") for d in span(-112, 7)]
            + [(earlier, d, "now") for d in before] + [(earlier, d, "reference") for d in before])


def roll_up(spark, root, sql, week, out):
    for table in ("days", "speed_classes"):
        spark.read.parquet(f"{root}/{table}").createOrReplaceTempView(table)
    spark.createDataFrame(calendar(week), "period string, day string, role string").createOrReplaceTempView("calendar")
    spark.sql("SELECT CAST(60000 AS DOUBLE) AS day_distance_m, CAST(60 AS DOUBLE) AS day_speed_km_h, "
              "CAST(20 AS DOUBLE) AS empty_soc_pct").createOrReplaceTempView("parameters")
    for name in STATEMENTS:
        with open(f"{sql}/{name}.sql") as text:
            spark.sql(text.read()).createOrReplaceTempView(name)
    for name in ("vehicle_periods", "fleet_periods"):
        spark.table(name).write.mode("overwrite").parquet(f"{out}/{name}")


def main():
    args = arguments()
    spark = (SparkSession.builder.appName("tallywheel")
             .config("spark.sql.sources.partitionColumnTypeInference.enabled", "false").getOrCreate())
    days = list(vehicle_days(args.data, args.first, args.last))
    if days:
        tasks = spark.sparkContext.parallelize(days, len(days))
        done = tasks.mapPartitions(passed(args.program, args.data)).collect()
        print(f"{len(done)} vehicle-days passed, {sum(code == 1 for *_, code in done)} with faults in their data")
    if args.week:
        roll_up(spark, args.data, args.sql, args.week, args.out)
        print(f"{args.week} rolled up in {args.out}")
    spark.stop()


if __name__ == "__main__":
    main()
