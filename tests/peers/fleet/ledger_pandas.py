"""The ledger in pandas. See ledger_common.py.

A frame for each message; steps from one value to the next by `shift`, those into another bin repeated once for each bin and cut
at its edges; `groupby` by bin. The group key is sorted already, which pandas is told.
"""
import sys

import numpy as np
import pandas as pd

from ledger_common import *


def us(limit):
    return int(limit * 1e6)


def rows(frame, condition=None, **columns):
    """Stamps and columns of the rows in which the first column has a value."""
    first = next(iter(columns.values()))
    found = frame[first].notna() if condition is None else condition & frame[first].notna()
    return frame.loc[found, ["t_us", *columns.values()]].set_axis(["t", *columns], axis=1)


def explode(f):
    """Each step once for every bin it touches, with its part's ends p and q."""
    count = (f.b - f.b0 + 1).to_numpy()
    made = f.loc[f.index.repeat(count)]
    made["b"] = made.b0 + (np.arange(len(made)) - np.repeat(np.cumsum(count) - count, count))
    made["p"], made["q"] = np.maximum(made.t0, made.b * BIN), np.minimum(made.t, (made.b + 1) * BIN)
    made["us"] = made.q - made.p
    return made.reset_index(drop=True)


def stepped(frame, columns):
    """Each row with the row before: t0 and, for each column x, x0 and x1; bins b0 and b."""
    f = pd.DataFrame({"t": frame.t, "t0": frame.t.shift(fill_value=0)})  # fill_value keeps the stamps whole numbers
    for c in columns:
        f[f"{c}0"], f[f"{c}1"] = frame[c].shift(), frame[c]
    f = f.iloc[1:].reset_index(drop=True)
    f["b"], f["b0"] = f.t // BIN, f.t0 // BIN
    return f


class Steps:
    """Steps inside a bin, and parts of those of at most `limit` s into another one; time us, and the values at both ends."""

    def __init__(self, frame, columns, limit, known=None):
        f = stepped(frame, columns)
        if known is not None:
            f = f[known(f)]
        self.frame = frame
        self.inside = f[f.b == f.b0]
        self.inside = self.inside.assign(us=self.inside.t - self.inside.t0)
        cut = explode(f[(f.b0 < f.b) & (f.t - f.t0 <= us(limit))])
        for c in columns:
            a, b = cut[f"{c}0"], cut[f"{c}1"]
            slope = (b - a) / (cut.t - cut.t0)
            cut[f"{c}0"], cut[f"{c}1"] = a + slope * (cut.p - cut.t0), b.where(cut.q == cut.t, a + slope * (cut.q - cut.t0))
        self.cut = cut

    def sums(self, **expressions):
        """Sums of expressions by bin."""
        parts = [pd.DataFrame({n: e(f) for n, e in expressions.items()}).groupby(f.b, sort=False).sum() for f in (self.inside, self.cut)]
        return parts[0].add(parts[1], fill_value=0)

    def most(self, column, of=lambda v: v):
        """Largest value at samples and edges, by bin."""
        at = of(self.frame[column]).groupby(self.frame.t // BIN, sort=False).max()
        edge = np.maximum(of(self.cut[f"{column}0"]), of(self.cut[f"{column}1"])).groupby(self.cut.b, sort=False).max()
        return pd.concat([at, edge], axis=1).max(axis=1)


def area(x):
    return lambda f: (f[f"{x}0"] + f[f"{x}1"]) * f.us * 0.5e-6


def level(frame, limit, known=None):
    """Integral m and time covered us."""
    return Steps(frame, ["v"], limit, known).sums(m=area("v"), us=lambda f: f.us)


def mean(sums):
    return sums.m / (sums.us * 1e-6).where(sums.us > 0)


def split(pieces):
    """Positive and negative part of integrals by bin."""
    x, b = pd.concat([x for x, _ in pieces]), pd.concat([b for _, b in pieces])
    sums = pd.DataFrame({"above": x.clip(lower=0), "below": (-x).clip(lower=0)}).groupby(b, sort=False).sum()
    return sums.above, sums.below


def signed(steps, x):
    """Positive and negative part of a line's integral."""
    pieces = []
    for f in (steps.inside, steps.cut):
        a, b = f[f"{x}0"], f[f"{x}1"]
        crosses = a * b < 0
        pieces.append((area(x)(f)[~crosses], f.b[~crosses]))
        a, b, time, bins = a[crosses], b[crosses], f.us[crosses] * 0.5e-6, f.b[crosses]
        z = a / (a - b)
        pieces += [(a * z * time, bins), (b * (1 - z) * time, bins)]
    return split(pieces)


def product(steps, u, w):
    """The same of the product of two lines."""
    whole = lambda a0, a1, c0, c1, time: (a0 * c0 + a1 * c1 + (a0 + a1) * (c0 + c1)) * time * (1.0 / 6.0)
    at = lambda a, b, z: a + (b - a) * z
    zero = lambda a, b: (a / (a - b)).where(a * b < 0, 1.0)
    pieces = []
    for f in (steps.inside, steps.cut):
        crosses = (f[f"{u}0"] * f[f"{u}1"] < 0) | (f[f"{w}0"] * f[f"{w}1"] < 0)
        plain, crossing = f[~crosses], f[crosses]
        pieces.append((whole(plain[f"{u}0"], plain[f"{u}1"], plain[f"{w}0"], plain[f"{w}1"], plain.us * 1e-6), plain.b))
        u0, u1, w0, w1 = (crossing[c] for c in (f"{u}0", f"{u}1", f"{w}0", f"{w}1"))
        zu, zw = zero(u0, u1), zero(w0, w1)
        cuts = [0.0 * zu, np.minimum(zu, zw), np.maximum(zu, zw), 0.0 * zu + 1.0]
        for s, e in zip(cuts, cuts[1:]):
            some = e > s
            x = whole(at(u0, u1, s), at(u0, u1, e), at(w0, w1, s), at(w0, w1, e), crossing.us * 1e-6 * (e - s))
            pieces.append((x[some], crossing.b[some]))
    return split(pieces)


def counted(frame, weights, limit):
    """Increments of `n` times each weight (a number or a column's name) by bin, and the time covered us."""
    f = stepped(frame, ["n"])
    f["dt"], f["rise"] = f.t - f.t0, f.n1 - f.n0
    for name in [w for w in weights.values() if isinstance(w, str)]:
        f[name] = frame[name].to_numpy()[1:]
    rolled, onward = f.rise < 0, f.rise.between(0, MODULUS // 2) & (f.dt > 0)
    fastest = (f.rise[onward] / f.dt[onward]).max() if onward.any() else 0.0
    f.loc[rolled, "rise"] += MODULUS
    unlikely = (fastest > 0) & (f.rise > 10 * fastest * f.dt) & (f.rise > MODULUS / 256)
    f = f[~((f.rise > MODULUS // 2) | rolled & ((f.rise <= 0) | (f.dt <= 0) | unlikely))]
    inside, cut = f[f.b == f.b0].assign(us=lambda g: g.dt), explode(f[f.b0 < f.b])
    weight = lambda g, w: g[w] if isinstance(w, str) else w
    parts = []
    for g in (inside, cut):
        share = 1.0 if g is inside else g.us / g.dt
        made = {n: g.rise * share * weight(g, w) for n, w in weights.items()} | {"us": g.us.where(g.dt <= us(limit), 0)}
        parts.append(pd.DataFrame(made).groupby(g.b, sort=False).sum())
    return parts[0].add(parts[1], fill_value=0)


def states(frame, limit, state):
    """Time by bin in which the value before was so, on, and in which it is known, us."""
    f = stepped(frame, ["v"])
    f = f[f.t - f.t0 <= us(limit)]
    f = pd.concat([f[f.b == f.b0].assign(us=lambda g: g.t - g.t0), explode(f[f.b0 < f.b])])
    return pd.DataFrame({"on": f.us.where(state(f.v0), 0), "us": f.us}).groupby(f.b, sort=False).sum()


def runs(frame, limit):
    """Stretches of one known state: a, e, v."""
    last, gap = frame.t.shift(fill_value=0), frame.t.diff() > us(limit)
    change = gap | (frame.v != frame.v.shift())
    change.iloc[0] = True
    f = pd.DataFrame({"a": frame.t, "until": last.where(gap, frame.t), "v": frame.v})[change]
    f["e"] = f.until.shift(-1, fill_value=frame.t.iloc[-1])
    return f[f.e > f.a].drop(columns="until")


def any_of(motors):
    """Time by bin in which a motor drives, in which one brakes, and in which it is known whether one drives."""
    cuts = np.unique(np.concatenate([m[c] for m in motors for c in ("a", "e")]))
    f = pd.DataFrame({"a": cuts[:-1], "e": cuts[1:]})
    drives, brakes, known = False, False, True
    for m in motors:
        now = pd.merge_asof(f[["a"]], m.rename(columns={"e": "until"}), on="a")
        here = f.e <= now.until
        drives, brakes, known = drives | here & (now.v == 1), brakes | here & (now.v == -1), known & here
    f = f.assign(drives=drives, brakes=brakes, known=drives | known, t0=f.a, t=f.e, b0=f.a // BIN, b=(f.e - 1) // BIN)
    f = explode(f)
    return pd.DataFrame({n: f.us.where(f[n], 0) for n in ("drives", "brakes", "known")}).groupby(f.b).sum()


def latest(frame, bins, limit):
    """Last value before each bin's end."""
    last = frame.groupby(frame.t // BIN, sort=False).last().reindex(bins).ffill()
    return last.v.where((bins + 1) * BIN - last.t <= us(limit))


class Ledger:
    """Columns by bin."""

    def __init__(self, bins):
        self.bins, self.columns = bins, {"t_us": np.asarray(bins) * BIN}

    def put(self, **columns):
        """Sums, 0 where a bin has no data."""
        self.columns |= {c: v.reindex(self.bins).fillna(0.0).to_numpy() for c, v in columns.items()}

    def known(self, **columns):
        """Values, unknown where a bin has no data."""
        self.columns |= {c: v.reindex(self.bins).to_numpy() for c, v in columns.items()}


def motion(frame, out):
    steps = Steps(rows(frame, v="wheel_speed_m_s"), ["v"], LIMIT["wheel_speed_m_s"])
    sums = steps.sums(m=area("v"), us=lambda f: f.us)
    out.put(distance_m=sums.m, wheel_distance_m=sums.m, distance_valid_s=sums.us * 1e-6)
    cut, sample = steps.cut, steps.frame
    start, on = cut[cut.p == cut.b * BIN], sample[sample.t % BIN == 0]
    start = pd.concat([pd.Series(start.v0.to_numpy(), start.b), pd.Series(on.v.to_numpy(), on.t // BIN)])
    start, end = start[~start.index.duplicated()], cut[cut.q == (cut.b + 1) * BIN].set_index("b").v1
    out.known(speed_start_m_s=start, speed_end_m_s=end, speed_max_m_s=steps.most("v"), accel_m_s2=end - start)
    if frame.gps_speed_m_s.notna().any():
        out.put(gps_distance_m=level(rows(frame, v="gps_speed_m_s"), LIMIT["gps_speed_m_s"]).m)
    if frame.alt_m.notna().any():
        out.known(alt_end_m=latest(rows(frame, v="alt_m"), out.bins, LIMIT["alt_m"]))
    if frame.hall_count.notna().any():
        out.put(hall_distance_m=counted(rows(frame, n="hall_count"), {"m": M_PER_EDGE}, LIMIT["hall_count"]).m)


def engine(frame, out):
    running = states(rows(frame, v="running").astype({"v": bool}), LIMIT["running"], lambda v: v == True)  # noqa: E712 (an object)
    out.put(engine_on_s=running.on * 1e-6, engine_valid_s=running.us * 1e-6)
    heard = lambda column: rows(frame, h=column).assign(tt=lambda f: f.t)
    f = pd.merge_asof(rows(frame, n="fuel_count"), heard("fuel_temp_c"), on="t")
    f["factor"] = ML_PER_PULSE * DENSITY / (1 + EXPANSION * (f.h - REFERENCE_C)).fillna(1.0)
    sums = counted(f, {"g": "factor", "ml": ML_PER_PULSE}, LIMIT["fuel_count"])
    valid = sums.us * 1e-6
    out.put(fuel_g=sums.g, fuel_ml=sums.g / DENSITY, fuel_valid_s=valid, fuel_meter_g=sums.g, fuel_meter_ml=sums.ml, fuel_meter_valid_s=valid)
    f = pd.merge_asof(rows(frame, v="maf_g_s"), heard("lambda"), on="t")
    f["v"] = (f.v / (f.h.where(f.h > 0, 1.0) * STOICHIOMETRIC)).where(f.tt.isna() | (f.t - f.tt <= us(LIMIT["lambda"])))
    sums = level(f, LIMIT["maf_g_s"], lambda f: f.v0.notna() & f.v1.notna())
    out.put(fuel_air_g=sums.m, fuel_air_valid_s=sums.us * 1e-6)
    for column in ("fuel_temp_c", "coolant_c"):
        out.known(**{column: mean(level(rows(frame, v=column), LIMIT[column]))})


def pack(frame, out):
    if frame.voltage_v.notna().any():
        steps = Steps(rows(frame, u="voltage_v", i="current_a"), ["u", "i"], LIMIT["power"])
        (out_wh, in_wh), (out_ah, in_ah) = product(steps, "u", "i"), signed(steps, "i")
        out.put(pack_out_wh=out_wh / 3600, pack_in_wh=in_wh / 3600, pack_out_ah=out_ah / 3600, pack_in_ah=in_ah / 3600,
                pack_valid_s=steps.sums(us=lambda f: f.us).us * 1e-6)
    if frame.soc_pct.notna().any():
        out.known(soc_end_pct=latest(rows(frame, v="soc_pct"), out.bins, LIMIT["soc_pct"]))
    if frame.wall_power_w.notna().any():
        sums = level(rows(frame, v="wall_power_w"), LIMIT["wall_power_w"])
        out.put(wall_wh=sums.m / 3600, wall_valid_s=sums.us * 1e-6)


def motor(frame, out):
    """Makes a motor's columns; gives its stretches of driving (1), braking (-1) and neither."""
    steps, scale = Steps(rows(frame, n="torque_n_m", w="speed_rpm"), ["n", "w"], LIMIT["shaft"]), RAD_S_PER_RPM / 3600
    above, below = product(steps, "n", "w")
    sums = steps.sums(m=area("n"), us=lambda f: f.us)
    out.put(shaft_out_wh=above * scale, shaft_in_wh=below * scale, shaft_valid_s=sums.us * 1e-6, torque_valid_s=sums.us * 1e-6)
    out.known(torque_mean_n_m=mean(sums), torque_peak_n_m=steps.most("n", np.abs))
    command = rows(frame, v="command_pct")
    command["v"] = (command.v > COMMAND_PCT).astype(np.int8) - (command.v < -COMMAND_PCT).astype(np.int8)
    out.put(command_on_s=states(command, LIMIT["command_pct"], lambda v: v != 0).on * 1e-6)
    for column, name in (("winding_temp_c", "winding"), ("controller_temp_c", "controller")):
        steps = Steps(rows(frame, v=column), ["v"], LIMIT[column])
        sums = steps.sums(m=area("v"), us=lambda f: f.us)
        out.put(**{f"{name}_valid_s": sums.us * 1e-6})
        out.known(**{f"{name}_mean_c": mean(sums), f"{name}_max_c": steps.most("v")})
    out.put(fault_on_s=states(rows(frame, v="fault"), LIMIT["fault"], lambda v: v != 0).on * 1e-6)
    return runs(command, LIMIT["command_pct"])


def one(root, session):
    """A session's ledger, and each motor's by position."""
    frames = {}
    for table, columns in COLUMNS.items():
        file = path(root, table, session)
        if os.path.exists(file):
            frames[table] = pd.read_parquet(file, columns=columns, partitioning=None)
    spans = [(f.t_us.iloc[0], f.t_us.iloc[-1]) for f in frames.values()]
    bins = pd.RangeIndex(min(a for a, _ in spans) // BIN, max(b for _, b in spans) // BIN + 1, name="b")
    out, motors, commands = Ledger(bins), {}, []
    for name, make in (("motion", motion), ("engine", engine), ("pack", pack)):
        if name in frames:
            make(frames[name], out)
    for position, frame in frames["motor"].groupby("position", observed=True) if "motor" in frames else ():
        motors[position] = Ledger(bins)
        commands.append(motor(frame, motors[position]))
    if commands:
        assist = any_of(commands)
        out.put(assist_on_s=assist.drives * 1e-6, regen_on_s=assist.brakes * 1e-6, assist_valid_s=assist.known * 1e-6)
    if "ambient" in frames:
        out.known(ambient_c=mean(level(rows(frames["ambient"], v="temp_c"), LIMIT["temp_c"])))
    return out.columns, {position: motor.columns for position, motor in motors.items()}


if __name__ == "__main__":
    root, out = sys.argv[1:3]
    rollup = Rollup()
    for session in sessions(root):
        ledger, motors = one(root, session)
        pd.DataFrame(ledger).to_parquet(place(out, "ledger", session), index=False)
        if motors:
            frame = pd.concat([pd.DataFrame(columns).assign(position=p) for p, columns in motors.items()])
            frame.to_parquet(place(out, "motor_ledger", session), index=False)
        rollup.add(session, ledger["t_us"], ledger, list(motors.values()))
    rollup.write(out)
