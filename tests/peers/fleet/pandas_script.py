"""pandas, as it is usually written. See common.py."""
import sys

import numpy as np
import pandas as pd

from common import *


def read(root, table, session, columns):
    return pd.read_parquet(path(root, table, session), columns=columns, partitioning=None)


def intervals(frame, columns):
    frame = frame.copy()
    # fill_value keeps the stamps whole numbers
    frame["t_us_0"] = frame.t_us.shift(fill_value=0)
    for c in columns:
        frame[c + "_0"] = frame[c].shift()
    frame = frame.iloc[1:]
    return frame.assign(dt=(frame.t_us - frame.t_us_0) / 1e6)


def one(root, session):
    speed = read(root, "motion", session, ["t_us", "wheel_speed_m_s"]).dropna()
    moving = speed[speed.wheel_speed_m_s >= MOVE].copy()
    if moving.empty:
        return session, [], 0.0, 0.0
    moving["k"] = (moving.t_us.diff() > GAP * 1e6).cumsum()
    trips = moving.groupby("k").t_us.agg(start_us="min", end_us="max").reset_index()

    def within(frame, at="t_us_0"):
        joined = pd.merge_asof(frame.sort_values(at), trips, left_on=at, right_on="start_us")
        return joined[joined.k.notna() & (joined.t_us <= joined.end_us)]

    motor = read(root, "motor", session, ["t_us", "position", "command_pct", "winding_temp_c"])
    motor["left"] = motor.position.astype(str) == "rear-left"
    commands = motor[motor.left & motor.command_pct.notna()]
    commands = pd.DataFrame({"ct": commands.t_us, "on": commands.command_pct > 1.0})

    def split(frame, values, cap):
        frame = within(frame.assign(x=values)[frame.dt <= cap])
        frame = pd.merge_asof(frame, commands, left_on="t_us_0", right_on="ct", tolerance=int(STALE * 1e6))
        g = lambda f: f.groupby("k").x.sum()
        return g(frame), g(frame[frame.on == True]), g(frame[frame.on == False])  # noqa: E712 (on may be missing)

    moved = intervals(speed, ["wheel_speed_m_s"])
    metres = 0.5 * (moved.wheel_speed_m_s + moved.wheel_speed_m_s_0) * moved.dt
    distance = split(moved, metres, SPEED_CAP)
    fuel = intervals(read(root, "engine", session, ["t_us", "fuel_count", "fuel_temp_c"]).dropna(), ["fuel_count"])
    pulses = np.mod(fuel.fuel_count - fuel.fuel_count_0, MODULUS)
    burnt = split(fuel, pulses * ML_PER_PULSE / (1.0 + EXPANSION * (fuel.fuel_temp_c - 15.0)), FUEL_CAP)
    p = intervals(read(root, "pack", session, ["t_us", "voltage_v", "current_a"]).dropna(), ["voltage_v", "current_a"])
    p["wh"] = p.dt * (2 * p.voltage_v_0 * p.current_a_0 + 2 * p.voltage_v * p.current_a + p.voltage_v_0 * p.current_a + p.voltage_v * p.current_a_0) / 6 / 3600
    p = p[p.dt <= PACK_CAP]
    e = within(p)
    out, into = e.assign(x=e.wh.clip(lower=0)).groupby("k").x.sum(), e.assign(x=(-e.wh).clip(lower=0)).groupby("k").x.sum()
    heat = {}
    for side, mask in (("left", motor.left), ("right", ~motor.left)):
        c = motor.loc[mask & motor.winding_temp_c.notna(), ["t_us", "winding_temp_c"]]
        most = within(c.assign(t_us_0=c.t_us)).groupby("k").winding_temp_c.max()
        held = intervals(c, ["winding_temp_c"])
        held = within(held[held.dt <= WINDING_CAP])
        held["hot"] = np.where(held.winding_temp_c_0 > HOT, held.dt, 0.0)
        held["life"] = held.dt * np.exp(B_K * (1 / T0_K - 1 / (held.winding_temp_c_0 + 273.15))) / L0_S
        heat[side] = held.groupby("k").hot.sum(), held.groupby("k").life.sum(), most
    found = []
    for t in trips.itertuples():
        g = lambda s: float(s.get(t.k, 0.0))
        row = dict(start_us=int(t.start_us), end_us=int(t.end_us), pack_out_wh=g(out), pack_in_wh=g(into))
        row |= dict(zip(("dist_m", "dist_assist_m", "dist_plain_m"), map(g, distance))) | dict(zip(("fuel_ml", "fuel_assist_ml", "fuel_plain_ml"), map(g, burnt)))
        for side in ("left", "right"):
            row |= {f"{side}_hot_s": g(heat[side][0]), f"{side}_life": g(heat[side][1]), f"{side}_max_c": float(heat[side][2].get(t.k, np.nan))}
        found.append(row)
    return session, found, metres[moved.dt <= SPEED_CAP].sum(), p.wh.sum()


if __name__ == "__main__":
    root, out = sys.argv[1:3]
    write(out, [one(root, s) for s in sessions(root)])
