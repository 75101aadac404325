"""What the scripts that make the ledger share: the vehicles' rig, which columns are read, what is made of the ledger.

Scripts `ledger_*.py` make of a dataset's decoded tables what `tallywheel-analyze` makes of them first: a ledger of one-second
bins and one for each motor. usage of each: SCRIPT DATASET OUT. One session at a time and one thread.

Definitions (f64; a bin is a whole second UTC; a session's bins reach from its first stamp in any table to its last):
- Levels: a straight line between values no further apart than LIMIT, cut exactly at the edges of bins; nothing over longer
  gaps. Largest values are those at samples and at cut edges. Mean: integral over the time covered.
- Products (pack power, shaft power): of two straight lines, in closed form, cut where either crosses zero, so that what is
  positive and what is negative are summed apart. Charge likewise.
- Counts: differences, over gaps too, spread evenly over the time between two counts; modulo 65536; a step of more than half
  of that is a reset, and so is a roll-over at ten times the fastest rate seen that is more than a 256th of it.
- States (engine running, command beyond a threshold, fault): hold until the next value, unknown where that is later than
  LIMIT. Assist on: any motor driven; known where one is driven or all are known.
- Fuel by air: mass of air over lambda as last heard; unknown where that is older than its limit.
- Last values (charge, altitude): the last one before the bin's end, unless older than its limit.

`Rollup` makes trips, and the columns of `days` summed by vehicle and week, of one session's ledger after the other. It is
numpy for every script: what is left is 1 row of 200, and the libraries differ in how they get there.

Left out of what ours makes, here and in every script: hashes of files read and written, rainflow cycles, classes of speed,
the findings for each channel (samples, gaps, stuck, resets), values that are not finite, time stamps out of all bounds, two
values of a channel at one time (which numpy alone allows for), voltage without current and torque without speed, the
choice between sources by the rig (the scripts know this rig: wheel speed, fuel meter, engine state and motor command come
first, and are there; the engine's speed is read, and nothing made of it), `climb_m` of trips, and of `days` what stands in the manifest (`recorded_s`, `gap_s`, `bad_messages` and
the texts). Every column of `ledger` and `motor_ledger` is made that the rig has a channel for: without `fuel_rate_g_s` and
wind, which no vehicle of the fleet has, `fuel_rate_g`, `fuel_rate_valid_s` and `wind_m_s` are empty in ours as well.
"""
import csv, datetime, glob, os

import numpy as np

COLUMNS = {
    "motion": ["t_us", "wheel_speed_m_s", "gps_speed_m_s", "alt_m", "hall_count"],
    "engine": ["t_us", "running", "speed_rpm", "fuel_count", "fuel_rate_g_s", "maf_g_s", "lambda", "fuel_temp_c", "coolant_c"],
    "pack": ["t_us", "voltage_v", "current_a", "soc_pct", "wall_power_w"],
    "motor": ["t_us", "position", "speed_rpm", "torque_n_m", "command_pct", "winding_temp_c", "controller_temp_c", "fault"],
    "ambient": ["t_us", "temp_c", "wind_m_s"],
}
POSITIONS = ("rear-left", "rear-right")
BIN, DAY = 1_000_000, 86_400_000_000  # µs
# Longest time between two values that is bridged, s. None is shorter than a bin, so only a step from one bin to a later one
# can be a gap; the scripts rely on it.
LIMIT = {
    "wheel_speed_m_s": 1.0, "gps_speed_m_s": 2.5, "alt_m": 2.5, "hall_count": 2.0,
    "running": 2.0, "fuel_count": 2.0, "maf_g_s": 1.5, "lambda": 1.5, "fuel_temp_c": 30.0, "coolant_c": 10.0,
    "power": 2.5, "current_a": 2.5, "soc_pct": 10.0, "wall_power_w": 10.0,
    "shaft": 1.0, "torque_n_m": 1.0, "command_pct": 1.0, "winding_temp_c": 10.0, "controller_temp_c": 10.0, "fault": 10.0,
    "temp_c": 60.0,
}
MODULUS = 65536
M_PER_EDGE, ML_PER_PULSE = 0.019504054, 0.08928571428571429
DENSITY, EXPANSION, REFERENCE_C, STOICHIOMETRIC = 0.745, 0.00095, 15.0, 14.7
RAD_S_PER_RPM = np.pi / 30.0
COMMAND_PCT, CUT_OFF, LATE_MARGIN = 1.0, 16.11111111111111, 1.0
WINDING_HOT, CONTROLLER_HOT = 153.0, 70.0
DWELL, MOVING, MIN_M, STEADY, PUSHING = 300, 0.5, 50.0, 0.15, 0.1

LEDGER = [
    "distance_m", "distance_valid_s", "wheel_distance_m", "gps_distance_m", "hall_distance_m", "speed_start_m_s", "speed_end_m_s",
    "speed_max_m_s", "accel_m_s2", "fuel_g", "fuel_ml", "fuel_valid_s", "fuel_meter_g", "fuel_meter_ml", "fuel_meter_valid_s",
    "fuel_temp_c", "fuel_air_g", "fuel_air_valid_s", "pack_out_wh", "pack_in_wh", "pack_out_ah", "pack_in_ah", "pack_valid_s",
    "wall_wh", "wall_valid_s", "engine_on_s", "engine_valid_s", "assist_on_s", "regen_on_s", "assist_valid_s", "soc_end_pct",
    "alt_end_m", "ambient_c", "coolant_c",
]
MOTOR_LEDGER = [
    "shaft_out_wh", "shaft_in_wh", "shaft_valid_s", "torque_mean_n_m", "torque_peak_n_m", "torque_valid_s", "command_on_s",
    "winding_mean_c", "winding_max_c", "winding_valid_s", "controller_mean_c", "controller_max_c", "controller_valid_s", "fault_on_s",
]
TRIP = [
    "end_us", "distance_m", "distance_assist_m", "distance_regen_m", "distance_unassisted_m", "fuel_ml", "fuel_assist_ml",
    "fuel_unassisted_ml", "pack_out_wh", "pack_in_wh", "duration_s", "moving_s", "idle_s", "launch_s", "cruise_s", "slowing_s",
    "stops", "speed_mean_m_s", "speed_moving_m_s", "speed_max_m_s", "idle_share", "stops_per_km", "rpa_m_s2", "va95_m2_s3", "coverage",
]
# Of a week the sum, but of these the least or greatest.
SUMMED = [
    "distance_m", "distance_valid_s", "distance_assist_m", "distance_unassisted_m", "fuel_ml", "fuel_valid_s", "fuel_assist_ml",
    "fuel_unassisted_ml", "pack_out_wh", "pack_in_wh", "pack_in_driving_wh", "pack_valid_s", "wall_wh", "wall_valid_s", "engine_on_s",
    "engine_valid_s", "assist_on_s", "regen_on_s", "assist_valid_s", "trips", "drive_s", "winding_hot_s", "winding_valid_s",
    "controller_hot_s", "controller_valid_s", "fault_s", "late_cutoff_s",
]
GREATEST, LEAST = ["winding_max_c", "controller_max_c", "soc_max_pct"], ["soc_min_pct"]
WEEK = SUMMED + GREATEST + LEAST


def sessions(root):
    """Vehicle, date and name of every session, driven or on the charger."""
    for path in sorted(glob.glob(f"{root}/sessions/vehicle=*/date=*/*.json")):
        parts = path.split("/")
        yield parts[-3].split("=")[1], parts[-2].split("=")[1], parts[-1][:-5]


def path(root, table, session):
    vehicle, date, name = session
    return f"{root}/{table}/vehicle={vehicle}/date={date}/{name}.parquet"


def place(out, table, session):
    """Where a table made is written; its directory is there."""
    found = path(out, table, session)
    os.makedirs(os.path.dirname(found), exist_ok=True)
    return found


def week(day):
    """ISO week of a day, counted from 1970."""
    year, number, _ = (datetime.date(1970, 1, 1) + datetime.timedelta(days=int(day))).isocalendar()
    return f"{year}-W{number:02d}"


def total(values):
    """Sum of the known values; unknown without any."""
    known = values[~np.isnan(values)]
    return known.sum() if known.size else np.nan


def least(values):
    known = values[~np.isnan(values)]
    return known.min() if known.size else np.nan


def greatest(values):
    return -least(-values)


def stretches(metres):
    """First bin and the one behind the last of each trip: bins that move no more than DWELL apart, and what creeps around them."""
    moves = np.flatnonzero(metres >= MOVING)
    if not moves.size:
        return []
    cut = np.flatnonzero(np.diff(moves) - 1 > DWELL)
    starts, ends = moves[np.r_[0, cut + 1]], moves[np.r_[cut, moves.size - 1]] + 1
    creeps, free, found = metres > 0.0, 0, []
    for i, (start, end) in enumerate(zip(starts, ends)):
        until = starts[i + 1] if i + 1 < starts.size else metres.size
        low = max(free, start - DWELL)
        before, after = np.flatnonzero(creeps[low:start]), np.flatnonzero(creeps[end:min(until, end + DWELL)])
        start = low + before[0] if before.size else start
        end = end + after[-1] + 1 if after.size else end
        free = end
        found.append((start, end))
    return found


def dynamics(start, end):
    """Relative positive acceleration and the 95th percentile of speed times it, of speeds at the edges of bins."""
    known = ~(np.isnan(start) | np.isnan(end))
    joined = known & np.r_[False, known[:-1]]
    before = np.where(joined, np.r_[np.nan, end[:-1]], start)
    metres = ((before + end) / 2.0)[known].sum()
    here = np.flatnonzero(joined[1:])
    a = (end[here + 1] - before[here]) / 2.0
    power = (end[here] * a)[a > PUSHING]
    return power.sum() / metres if metres > 0 else np.nan, np.percentile(power, 95) if power.size else np.nan


class Rollup:
    """Trips and weekly sums of ledgers, session by session."""

    def __init__(self):
        self.trips, self.days = [], []

    def add(self, session, t, ledger, motors):
        """`ledger`: arrays by column, unknown as NaN, columns without a channel missing; `motors`: one such dict for each motor."""
        unknown = np.full(t.size, np.nan)
        c = {name: ledger.get(name, unknown) for name in LEDGER}
        mode = np.select([c["assist_on_s"] >= 0.5, c["regen_on_s"] >= 0.5, c["assist_valid_s"] >= 0.5], [1, 2, 0], 3)
        moves, half = c["distance_m"] >= MOVING, c["distance_valid_s"] >= 0.5
        found = []
        for start, end in stretches(c["distance_m"]):
            trip = self.trip(c, mode, moves, ~moves & half, t, start, end)
            if trip["distance_m"] >= MIN_M:
                found.append((start, end))
                self.trips.append((*session, len(found), int(t[start]), trip))
        drives = np.zeros(t.size, bool)
        for start, end in found:
            drives[start:end] = True
        set_off = t[[start for start, _ in found]] // DAY
        heat = {name: np.fmax.reduce([m[name] for m in motors]) if motors else unknown
                for name in ("winding_max_c", "winding_valid_s", "controller_max_c", "controller_valid_s", "fault_on_s")}
        for name, limit in (("winding", WINDING_HOT), ("controller", CONTROLLER_HOT)):
            hot = [np.where(m[f"{name}_mean_c"] > limit, m[f"{name}_valid_s"], 0.0 * m[f"{name}_valid_s"]) for m in motors]
            heat[f"{name}_hot_s"] = np.fmax.reduce(hot) if hot else unknown
        late = (c["speed_start_m_s"] > CUT_OFF + LATE_MARGIN) & (c["speed_end_m_s"] > CUT_OFF + LATE_MARGIN)
        columns = {name: c[name] for name in SUMMED if name in c} | {
            "distance_assist_m": c["distance_m"] * (mode == 1), "distance_unassisted_m": c["distance_m"] * (mode == 0),
            "fuel_assist_ml": c["fuel_ml"] * (mode == 1), "fuel_unassisted_ml": c["fuel_ml"] * (mode == 0),
            "pack_in_driving_wh": c["pack_in_wh"] * drives, "late_cutoff_s": c["assist_on_s"] * late, "fault_s": heat["fault_on_s"],
        } | {name: heat[name] for name in ("winding_hot_s", "winding_valid_s", "controller_hot_s", "controller_valid_s")}
        day = t // DAY
        for number in range(day[0], day[-1] + 1):
            here = slice(*np.searchsorted(day, [number, number + 1]))
            row = {name: total(values[here]) for name, values in columns.items()}
            row |= {"trips": float((set_off == number).sum()), "drive_s": float(drives[here].sum())}
            row |= {name: greatest(heat[name][here]) for name in ("winding_max_c", "controller_max_c")}
            row |= {"soc_max_pct": greatest(c["soc_end_pct"][here]), "soc_min_pct": least(c["soc_end_pct"][here])}
            self.days.append((session[0], week(number), row))

    @staticmethod
    def trip(c, mode, moves, stands, t, start, end):
        of = slice(start, end)
        metres, ml, mode, accel, moves, stands = c["distance_m"][of], c["fuel_ml"][of], mode[of], c["accel_m_s2"][of], moves[of], stands[of]
        dist, seconds, moving = total(metres), float(end - start), float(moves.sum())
        known = np.flatnonzero(moves | stands)
        sequence = moves[known[np.argmax(moves[known]):]]
        stops = int((~sequence[:-1] & sequence[1:]).sum())
        seen = slice(max(start - 1, 0), min(end + 1, t.size))
        rpa, va95 = dynamics(c["speed_start_m_s"][seen], c["speed_end_m_s"][seen])
        share = lambda a, b: a / b if b > 0 else np.nan
        return dict(
            end_us=int(t[start]) + (end - start) * BIN, distance_m=dist, distance_assist_m=total(metres * (mode == 1)),
            distance_regen_m=total(metres * (mode == 2)), distance_unassisted_m=total(metres * (mode == 0)), fuel_ml=total(ml),
            fuel_assist_ml=total(ml * (mode == 1)), fuel_unassisted_ml=total(ml * (mode == 0)), pack_out_wh=total(c["pack_out_wh"][of]),
            pack_in_wh=total(c["pack_in_wh"][of]), duration_s=seconds, moving_s=moving, idle_s=total(c["engine_on_s"][of] * stands),
            launch_s=float((moves & (accel > STEADY)).sum()), cruise_s=float((moves & (np.abs(accel) <= STEADY)).sum()),
            slowing_s=float((moves & (accel < -STEADY)).sum()), stops=stops, speed_mean_m_s=share(dist, seconds),
            speed_moving_m_s=share(dist, moving), speed_max_m_s=greatest(c["speed_max_m_s"][of]), idle_share=share(stands.sum(), seconds),
            stops_per_km=share(stops, dist / 1000.0), rpa_m_s2=rpa, va95_m2_s3=va95, coverage=share(total(c["distance_valid_s"][of]), seconds))

    def write(self, out):
        """OUT/trips.csv a trip; OUT/weekly.csv a vehicle and ISO week, and the fleet."""
        os.makedirs(out, exist_ok=True)
        with open(f"{out}/trips.csv", "w", newline="") as handle:
            writer = csv.writer(handle)
            writer.writerow(["vehicle", "date", "session", "trip", "t_us"] + TRIP)
            writer.writerows([*key, *(repr(float(trip[name])) for name in TRIP)] for *key, trip in self.trips)
        groups = {}
        for vehicle, name, row in self.days:
            for key in ((vehicle, name), ("FLEET", name)):
                groups.setdefault(key, []).append(row)
        with open(f"{out}/weekly.csv", "w", newline="") as handle:
            writer = csv.writer(handle)
            writer.writerow(["vehicle", "week"] + WEEK)
            for key, rows in sorted(groups.items()):
                column = lambda name: np.array([row[name] for row in rows])
                cells = [total(column(n)) for n in SUMMED] + [greatest(column(n)) for n in GREATEST] + [least(column(n)) for n in LEAST]
                writer.writerow([*key, *(repr(float(x)) for x in cells)])
