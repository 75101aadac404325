"""What the fleet scripts share: which files there are, the definitions, and how results are written.

Four scripts work the same figures out of a dataset's decoded tables, each as a skilled user of its library would: one
session at a time, reading only the columns needed. usage of each: SCRIPT DATASET OUT

Definitions (f64 throughout; dt = (t[i] - t[i-1]) / 1e6 s; bounds inclusive):
- A session's moving samples have a wheel speed of at least MOVE. Moving samples more than GAP apart begin a new trip,
  from its first to its last; it counts if it lasts MIN_S and is MIN_M long.
- An interval of two successive values of a channel belongs to a trip if both lie in it and dt is at most the channel's
  limit. Distance: trapezoid. Fuel: pulses since the last count (modulo 65536) times the volume of a pulse, put to 15 °C.
  Pack energy: integral of the product of two straight lines, out if positive, in if negative.
- Assist state of an interval: the left motor's last command at or before its start, no older than STALE: above 1 % is
  assisted, else plain; without one the interval is in the total only.
- Winding, each position: the left value of an interval holds over it. Hot above HOT; life by Arrhenius, 20,000 h at 155 °C.
- day_m and day_net_wh are the same integrals over the whole session, trips or not.
Rows: OUT/trips.csv a trip, OUT/weekly.csv a vehicle and ISO week, and the fleet.
"""
import csv, datetime, glob, os

MOVE, GAP, MIN_S, MIN_M = 0.5, 300.0, 60.0, 500.0
SPEED_CAP, FUEL_CAP, PACK_CAP, WINDING_CAP, STALE = 1.0, 2.0, 2.5, 10.0, 1.0
ML_PER_PULSE, EXPANSION, MODULUS = 1000.0 / 11200.0, 0.00095, 65536
HOT, L0_S, T0_K, B_K = 120.0, 20000.0 * 3600.0, 428.15, 13002.9
POSITIONS = ("rear-left", "rear-right")
SUMS = ["dist_m", "dist_assist_m", "dist_plain_m", "fuel_ml", "fuel_assist_ml", "fuel_plain_ml", "pack_out_wh", "pack_in_wh",
        "left_hot_s", "left_life", "right_hot_s", "right_life"]
TRIP = ["vehicle", "session", "trip", "start_us", "end_us"] + SUMS + ["left_max_c", "right_max_c"]


def sessions(root):
    """Vehicle, date, session and path of the motion table of every session that was driven."""
    for path in sorted(glob.glob(f"{root}/motion/vehicle=*/date=*/*.parquet")):
        parts = path.split("/")
        yield parts[-3].split("=")[1], parts[-2].split("=")[1], parts[-1][:-8]


def path(root, table, session):
    vehicle, date, name = session
    return f"{root}/{table}/vehicle={vehicle}/date={date}/{name}.parquet"


def week(date):
    year, number, _ = datetime.date.fromisoformat(date).isocalendar()
    return f"{year}-W{number:02d}"


def write(out, found):
    """`found`: for every session (session, trips, day_m, day_net_wh), a trip being a dict."""
    os.makedirs(out, exist_ok=True)
    sums, totals = {}, {}
    with open(f"{out}/trips.csv", "w", newline="") as handle:
        writer = csv.writer(handle)
        writer.writerow(TRIP)
        for (vehicle, date, name), trips, day_m, day_net_wh in sorted(found, key=lambda f: f[0]):
            number = 0
            for trip in trips:
                if trip["end_us"] - trip["start_us"] < MIN_S * 1e6 or trip["dist_m"] < MIN_M:
                    continue
                number += 1
                trip = trip | {"vehicle": vehicle, "session": name, "trip": number}
                writer.writerow([repr(float(trip[c])) if c not in TRIP[:5] else trip[c] for c in TRIP])
                for key in ((vehicle, week(date)), ("FLEET", week(date))):
                    row = sums.setdefault(key, dict.fromkeys(["trips"] + SUMS, 0.0))
                    row["trips"] += 1
                    for c in SUMS:
                        row[c] += trip[c]
            for key in ((vehicle, week(date)), ("FLEET", week(date))):
                day = totals.setdefault(key, [0.0, 0.0])
                day[0] += day_m
                day[1] += day_net_wh
    with open(f"{out}/weekly.csv", "w", newline="") as handle:
        writer = csv.writer(handle)
        writer.writerow(["vehicle", "week", "trips"] + SUMS + ["day_m", "day_net_wh"])
        for key, row in sorted(sums.items()):
            writer.writerow(list(key) + [int(row["trips"])] + [repr(float(row[c])) for c in SUMS] + [repr(float(x)) for x in totals[key]])
