"""The roll-up worked out by hand with numpy, without SQL: what the engines' cells are compared with.

usage: rollup_numpy.py DATASET CALENDAR.csv PARAMETERS.json   -> one JSON object on stdout, as rollup_engines.py
"""
import csv, glob, json, sys

import numpy as np
import pyarrow.parquet as pq

root, calendar_path, parameters_path = sys.argv[1:]
calendar = [(r["period"], r["day"], r["role"]) for r in csv.DictReader(open(calendar_path))]
P = json.load(open(parameters_path))
MODES = ("all", "assisted", "unassisted")


def table(name):
    """Columns as arrays: numbers as floats with nan for null, texts as objects, and the vehicle of the path."""
    columns = {}
    for path in sorted(glob.glob(f"{root}/{name}/vehicle=*/date=*/*.parquet")):
        read = pq.ParquetFile(path).read()
        vehicle = path.split("/vehicle=")[1].split("/")[0]
        columns.setdefault("vehicle", []).append(np.full(read.num_rows, vehicle, object))
        for field in read.schema:
            values = read[field.name]
            if field.type in ("double", "int64"):
                values = values.to_numpy().astype(float) if values.null_count == 0 else np.array(
                    [np.nan if v is None else float(v) for v in values.to_pylist()])
            else:
                values = np.array(values.to_pylist(), object)
            columns.setdefault(field.name, []).append(values)
    return {k: np.concatenate(v) for k, v in columns.items()}


def total(values):
    """Sum of what is known; None of nothing."""
    known = values[~np.isnan(values)]
    return float(known.sum()) if known.size else None


def extreme(values, of):
    known = values[~np.isnan(values)]
    return float(of(known)) if known.size else None


def over(a, b, factor=1.0):
    return None if a is None or b is None or not b > 0 else factor * a / b


def scaled(a, factor):
    return None if a is None else a * factor


days, classes = table("days"), table("speed_classes")
role = lambda period, wanted: {d for p, d, r in calendar if p == period and r == wanted}
periods = list(dict.fromkeys(p for p, _, _ in calendar))

# Every vehicle's day in every class, by mode: [distance, seconds, fuel, seconds with fuel, distance with fuel], None for unknown fuel.
cells = {}
for i in range(len(classes["vehicle"])):
    if np.isnan(classes["class_km_h"][i]):
        continue
    distance, fuel, seconds = classes["distance_m"][i], classes["fuel_ml"][i], classes["seconds"][i]
    with_fuel = classes["fuel_distance_m"][i]
    with_fuel = 0.0 if np.isnan(with_fuel) else with_fuel
    known = 0.0 if np.isnan(fuel) else (seconds * with_fuel / distance if distance > 0 else seconds)
    for mode in MODES:
        if mode in ("all", classes["assist"][i]):
            key = (classes["vehicle"][i], classes["day"][i], mode, int(classes["class_km_h"][i]))
            cell = cells.setdefault(key, [0.0, 0.0, None, 0.0, 0.0])
            cell[0] += 0.0 if np.isnan(distance) else distance
            cell[1] += seconds
            cell[2] = cell[2] if np.isnan(fuel) else (cell[2] or 0.0) + fuel
            cell[3] += known
            cell[4] += 0.0 if np.isnan(fuel) else with_fuel


def pooled(period, wanted, by_vehicle):
    """Sums of cells over a role's days: {(vehicle?, mode, class): [distance, seconds, fuel, known]}."""
    sums, chosen = {}, role(period, wanted)
    for (vehicle, day, mode, c), cell in cells.items():
        if day in chosen:
            key = (vehicle, mode, c) if by_vehicle else (mode, c)
            s = sums.setdefault(key, [0.0, 0.0, None, 0.0, 0.0])
            s[0] += cell[0]; s[1] += cell[1]; s[3] += cell[3]; s[4] += cell[4]
            if cell[2] is not None:
                s[2] = (s[2] or 0.0) + cell[2]
    return sums


def vehicle_day(period, vehicle, day, reference):
    rows = (days["vehicle"] == vehicle) & (days["day"] == day)
    d = {k: v[rows] for k, v in days.items()}
    row = {"period": period, "vehicle": vehicle, "week": min(d["week"]), "day": day,
           "recorded_s": total(d["recorded_s"]), "trips": int(np.nansum(d["trips"]))}
    for k in ("drive_s", "distance_m", "distance_assist_m", "distance_unassisted_m", "fuel_ml", "pack_out_wh",
              "pack_in_driving_wh", "wall_wh"):
        row[k] = total(d[k])
    row["winding_max_c"] = extreme(d["winding_max_c"], np.max)
    row["controller_max_c"] = extreme(d["controller_max_c"], np.max)
    row["soc_min_pct"] = extreme(d["soc_min_pct"], np.min)
    row["soc_max_pct"] = extreme(d["soc_max_pct"], np.max)
    names = {"all": ("fuel_classed_ml", "expected_ml"), "assisted": ("fuel_assist_classed_ml", "expected_assist_ml"),
             "unassisted": ("fuel_unassisted_classed_ml", "expected_unassisted_ml")}
    for own, expected in names.values():
        row[own] = row[expected] = None
    row["assisted_s"] = row["expected_assisted_s"] = None
    for (v, dd, mode, c), cell in cells.items():
        if (v, dd) != (vehicle, day):
            continue
        r = reference.get((mode, c))
        if r is not None and r[3] > 0:
            own, expected = names[mode]
            if cell[2] is not None:
                row[own] = (row[own] or 0.0) + cell[2]
            if r[2] is not None:
                row[expected] = (row[expected] or 0.0) + cell[3] * r[2] / r[3]
        everything = reference.get(("all", c))
        if everything is not None and everything[1] > 0:
            share = reference.get(("assisted", c), [0, 0.0])[1] / everything[1]
            row["assisted_s"] = (row["assisted_s"] or 0.0) + (cell[1] if mode == "assisted" else 0.0)
            row["expected_assisted_s"] = (row["expected_assisted_s"] or 0.0) + (cell[1] * share if mode == "all" else 0.0)
    return row


def vehicle_period(period, vehicle, reference, own):
    chosen = role(period, "now")
    rows = (days["vehicle"] == vehicle) & np.isin(days["day"], list(chosen))
    d = {k: v[rows] for k, v in days.items()}
    drive = (np.nan_to_num(d["drive_s"]) > 0) | (np.nan_to_num(d["engine_on_s"]) > 0)
    s = {k: total(v) for k, v in d.items() if v.dtype == float}
    covered = {k: total(d[k][drive]) for k in ("distance_valid_s", "fuel_valid_s", "pack_valid_s", "assist_valid_s",
                                              "winding_valid_s")}
    recorded = float(d["recorded_s"][drive].sum())
    driven = []
    for day in sorted(set(d["day"])):
        one = d["day"] == day
        if np.nansum(d["drive_s"][one]) > 0:
            fast = sum(cell[0] for (v, dd, mode, c), cell in cells.items()
                       if (v, dd, mode) == (vehicle, day, "all") and c >= P["day_speed_km_h"])
            driven.append((total(d["distance_m"][one]), fast, extreme(d["soc_min_pct"][one & drive], np.min)))
    n = len(driven)
    short = [m is not None and m <= P["day_distance_m"] for m, _, _ in driven]
    slow = [m is not None and f <= 0.01 * m for m, f, _ in driven]
    soc = [x for _, _, x in driven if x is not None]
    counts = [sum(short), sum(slow), sum(a and b for a, b in zip(short, slow)), len(soc),
              sum(x >= P["empty_soc_pct"] for x in soc)]
    km = lambda k: scaled(s[k], 1 / 1000)
    known = None if s["distance_assist_m"] is None or s["distance_unassisted_m"] is None else (
        s["distance_assist_m"] + s["distance_unassisted_m"])
    row = {"period": period, "vehicle": vehicle, "days": len(set(d["day"])), "drive_days": n,
           "trips": int(np.nansum(d["trips"])), "drive_h": scaled(s["drive_s"], 1 / 3600),
           "engine_h": scaled(s["engine_on_s"], 1 / 3600), "distance_km": km("distance_m"),
           "distance_assist_km": km("distance_assist_m"), "distance_unassisted_km": km("distance_unassisted_m"),
           "assist_share": over(s["distance_assist_m"], known), "fuel_l": km("fuel_ml"), "fuel_assist_l": km("fuel_assist_ml"),
           "fuel_unassisted_l": km("fuel_unassisted_ml")}
    for mode, name in zip(MODES, ("l_per_100km", "l_per_100km_assisted", "l_per_100km_unassisted")):
        mine = [cell for (v, m, _), cell in own.items() if (v, m) == (vehicle, mode)]
        fuels, metres = [c[2] for c in mine if c[2] is not None], sum(c[4] for c in mine) if mine else None
        row[name] = over(sum(fuels) if fuels else None, metres, 100)
        row[f"{name}_over_km"] = scaled(metres, 1 / 1000)
    for mode, name, share in (("all", "l_per_100km_standardised", "standardised_share"),
                              ("assisted", "l_per_100km_assisted_standardised", "assisted_standardised_share"),
                              ("unassisted", "l_per_100km_unassisted_standardised", "unassisted_standardised_share")):
        fuel, metres, all_metres = None, 0.0, 0.0
        for (m, c), r in reference.items():
            if m != mode:
                continue
            all_metres += r[0]
            mine = own.get((vehicle, m, c))
            if mine is not None and mine[3] > 0:
                fuel, metres = (fuel or 0.0) + r[1] * mine[2] / mine[3], metres + r[0]
        row[name], row[share] = over(fuel, metres, 100), None if fuel is None else over(metres, all_metres)
    row |= {"pack_out_kwh": km("pack_out_wh"), "pack_in_kwh": km("pack_in_wh"), "pack_in_driving_kwh": km("pack_in_driving_wh"),
            "wall_kwh": km("wall_wh"), "pack_wh_per_km": over(s["pack_distance_wh"], s["pack_distance_m"], 1000),
            "pack_wh_per_km_over_km": km("pack_distance_m")}
    for name, count in zip(("short_days", "slow_days", "short_slow_days", "soc_days", "one_charge_days"), counts):
        row[name] = count if n else None
    row |= {"short_days_share": over(counts[0], n), "slow_days_share": over(counts[1], n),
            "short_slow_days_share": over(counts[2], n), "one_charge_days_share": over(counts[4], counts[3]),
            "assist_on_s": s["assist_on_s"], "winding_max_c": extreme(d["winding_max_c"], np.max),
            "winding_hot_s": s["winding_hot_s"], "winding_cycles": s["winding_cycles"], "winding_life_h": s["winding_life_h"],
            "controller_max_c": extreme(d["controller_max_c"], np.max),
            "controller_hot_s": s["controller_hot_s"], "fault_s": s["fault_s"], "late_cutoff_s": s["late_cutoff_s"],
            "recorded_h": s["recorded_s"] / 3600}
    for source in ("distance", "fuel", "pack", "assist", "winding"):
        row[f"{source}_coverage"] = over(covered[f"{source}_valid_s"], recorded)
    last = d["calibration_due"][d["t_us"] == d["t_us"].max()]
    row |= {"gap_s": s["gap_s"], "bad_messages": int(np.nansum(d["bad_messages"])),
            "calibration_due": min((x for x in last if x is not None), default=None)}
    return row


def fleet_period(period, rows):
    known = lambda k: [r[k] for r in rows if r[k] is not None]
    plus = lambda k: float(sum(known(k))) if known(k) else None
    count = lambda k: int(sum(known(k)))
    where = lambda k, of: sum(r[of] or 0.0 for r in rows if r[k] is not None)
    weighted = lambda k: [r[k] * r[f"{k}_over_km"] for r in rows if r[k] is not None]
    mean = lambda k: over(sum(weighted(k)), where(k, f"{k}_over_km")) if weighted(k) else None
    assisted, without = plus("distance_assist_km"), plus("distance_unassisted_km")
    row = {"period": period, "vehicles": len(rows), "vehicles_driven": sum(r["drive_days"] > 0 for r in rows),
           "vehicle_days": count("days"), "drive_days": count("drive_days"), "trips": count("trips")}
    for k in ("drive_h", "engine_h", "distance_km", "distance_assist_km", "distance_unassisted_km"):
        row[k] = plus(k)
    row["assist_share"] = None if assisted is None or without is None else over(assisted, assisted + without)
    for k in ("fuel_l", "fuel_assist_l", "fuel_unassisted_l"):
        row[k] = plus(k)
    for k in ("l_per_100km", "l_per_100km_assisted", "l_per_100km_unassisted"):
        row[k] = mean(k)
    for k in ("pack_out_kwh", "pack_in_kwh", "pack_in_driving_kwh", "wall_kwh"):
        row[k] = plus(k)
    row["pack_wh_per_km"] = mean("pack_wh_per_km")
    for share, part, whole in (("short_days_share", "short_days", "drive_days"), ("slow_days_share", "slow_days", "drive_days"),
                               ("short_slow_days_share", "short_slow_days", "drive_days"),
                               ("one_charge_days_share", "one_charge_days", "soc_days")):
        row[share] = over(count(part), count(whole))
    least, most = lambda k: min(known(k), default=None), lambda k: max(known(k), default=None)
    row |= {"winding_max_c": most("winding_max_c"), "winding_hot_s": plus("winding_hot_s"),
            "winding_cycles": plus("winding_cycles"), "winding_life_h": plus("winding_life_h"),
            "controller_max_c": most("controller_max_c"), "controller_hot_s": plus("controller_hot_s"),
            "fault_s": plus("fault_s"), "late_cutoff_s": plus("late_cutoff_s"), "recorded_h": plus("recorded_h"),
            "distance_coverage_min": least("distance_coverage"), "fuel_coverage_min": least("fuel_coverage"),
            "pack_coverage_min": least("pack_coverage"), "gap_s": plus("gap_s"), "bad_messages": count("bad_messages"),
            "calibration_due": least("calibration_due")}
    return row


results = {name: [] for name in ("class_days", "class_reference", "vehicle_days", "vehicle_periods", "fleet_periods")}
for (vehicle, day, mode, c), cell in cells.items():
    results["class_days"].append({"vehicle": vehicle, "day": day, "mode": mode, "class_km_h": c, "distance_m": cell[0],
                                  "seconds": cell[1], "fuel_ml": cell[2], "fuel_distance_m": cell[4], "fuel_seconds": cell[3]})
for period in periods:
    reference, own = pooled(period, "reference", False), pooled(period, "now", True)
    for (mode, c), r in reference.items():
        results["class_reference"].append({"period": period, "mode": mode, "class_km_h": c, "distance_m": r[0],
                                           "seconds": r[1], "fuel_ml": r[2], "fuel_seconds": r[3]})
    history, now = role(period, "history"), role(period, "now")
    for vehicle, day in sorted({(v, d) for v, d in zip(days["vehicle"], days["day"]) if d in history}):
        results["vehicle_days"].append(vehicle_day(period, vehicle, day, reference))
    vehicles = sorted({v for v, d in zip(days["vehicle"], days["day"]) if d in now})
    rows = [vehicle_period(period, v, reference, own) for v in vehicles]
    results["vehicle_periods"] += rows
    if rows:
        results["fleet_periods"].append(fleet_period(period, rows))
json.dump({name: {"columns": list(rows[0]) if rows else [], "rows": [list(r.values()) for r in rows]}
           for name, rows in results.items()}, sys.stdout, default=lambda v: v.item())
