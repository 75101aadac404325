"""polars, lazy where it helps. See common.py."""
import sys

import polars as pl

from common import *


def scan(root, table, session, columns):
    return pl.scan_parquet(path(root, table, session), hive_partitioning=False).select(columns)


def intervals(frame, columns):
    before = [pl.col(c).shift(1).alias(c + "_0") for c in ["t_us"] + columns]
    return frame.with_columns(before).filter(pl.col("t_us_0").is_not_null()).with_columns(dt=(pl.col("t_us") - pl.col("t_us_0")) / 1e6)


def one(root, session):
    speed = scan(root, "motion", session, ["t_us", "wheel_speed_m_s"]).rename({"wheel_speed_m_s": "v"}).drop_nulls().collect()
    moving = speed.lazy().filter(pl.col("v") >= MOVE)
    trips = (moving.with_columns(k=(pl.col("t_us").diff().fill_null(0) > int(GAP * 1e6)).cum_sum().cast(pl.Int64))
             .group_by("k", maintain_order=True).agg(start_us=pl.col("t_us").min(), end_us=pl.col("t_us").max()).collect())
    if not trips.height:
        return session, [], 0.0, 0.0
    trips = trips.with_columns(pl.col("start_us").set_sorted())

    def within(frame, at="t_us_0"):
        joined = frame.set_sorted(at).join_asof(trips.lazy(), left_on=at, right_on="start_us", coalesce=False)
        return joined.filter(pl.col("k").is_not_null() & (pl.col("t_us") <= pl.col("end_us")))

    motor = (scan(root, "motor", session, ["t_us", "position", "command_pct", "winding_temp_c"])
             .with_columns(left=pl.col("position").cast(pl.String) == "rear-left").drop("position").collect())
    commands = motor.lazy().filter(pl.col("left") & pl.col("command_pct").is_not_null()).select(ct="t_us", on=pl.col("command_pct") > 1.0).set_sorted("ct")

    def split(frame, value, cap, name):
        x = within(frame.filter(pl.col("dt") <= cap)).join_asof(commands, left_on="t_us_0", right_on="ct", tolerance=int(STALE * 1e6), coalesce=False)
        x = x.with_columns(x=value)
        return x.group_by("k").agg(pl.col("x").sum().alias(name[0]), pl.col("x").filter(pl.col("on")).sum().alias(name[1]),
                                   pl.col("x").filter(~pl.col("on")).sum().alias(name[2]))

    moved = intervals(speed.lazy(), ["v"])
    metres = 0.5 * (pl.col("v") + pl.col("v_0")) * pl.col("dt")
    fuel = intervals(scan(root, "engine", session, ["t_us", "fuel_count", "fuel_temp_c"]).drop_nulls(), ["fuel_count"])
    ml = ((pl.col("fuel_count") - pl.col("fuel_count_0")) % MODULUS) * ML_PER_PULSE / (1.0 + EXPANSION * (pl.col("fuel_temp_c") - 15.0))
    pack = intervals(scan(root, "pack", session, ["t_us", "voltage_v", "current_a"]).rename({"voltage_v": "u", "current_a": "i"}).drop_nulls(), ["u", "i"])
    wh = pl.col("dt") * (2 * pl.col("u_0") * pl.col("i_0") + 2 * pl.col("u") * pl.col("i") + pl.col("u_0") * pl.col("i") + pl.col("u") * pl.col("i_0")) / 6 / 3600
    pack = pack.filter(pl.col("dt") <= PACK_CAP).with_columns(wh=wh).collect().lazy()
    frames = [split(moved, metres, SPEED_CAP, ("dist_m", "dist_assist_m", "dist_plain_m")),
              split(fuel, ml, FUEL_CAP, ("fuel_ml", "fuel_assist_ml", "fuel_plain_ml")),
              within(pack).group_by("k").agg(pack_out_wh=pl.col("wh").clip(lower_bound=0).sum(), pack_in_wh=(-pl.col("wh")).clip(lower_bound=0).sum())]
    for side, mask in (("left", pl.col("left")), ("right", ~pl.col("left"))):
        c = motor.lazy().filter(mask & pl.col("winding_temp_c").is_not_null()).select("t_us", c="winding_temp_c")
        frames.append(within(c.with_columns(t_us_0=pl.col("t_us"))).group_by("k").agg(pl.col("c").max().alias(f"{side}_max_c")))
        held = within(intervals(c, ["c"]).filter(pl.col("dt") <= WINDING_CAP))
        life = pl.col("dt") * (B_K * (1 / T0_K - 1 / (pl.col("c_0") + 273.15))).exp() / L0_S
        frames.append(held.group_by("k").agg(pl.col("dt").filter(pl.col("c_0") > HOT).sum().alias(f"{side}_hot_s"), life.sum().alias(f"{side}_life")))
    day = [moved.filter(pl.col("dt") <= SPEED_CAP).select(metres.sum()), pack.select(pl.col("wh").sum())]
    *parts, day_m, day_wh = pl.collect_all(frames + day)
    for part in parts:
        trips = trips.join(part, on="k", how="left")
    return session, trips.sort("start_us").fill_null(0.0).to_dicts(), day_m.item(), day_wh.item()


if __name__ == "__main__":
    root, out = sys.argv[1:3]
    write(out, [one(root, s) for s in sessions(root)])
