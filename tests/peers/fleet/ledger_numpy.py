"""The ledger in numpy. See ledger_common.py.

The columns come through polars, which decodes Parquet and drops nulls faster than pyarrow does. Samples are in time order, so
that a bin's are neighbours: sums and largest values are `reduceat` over the bins' first samples, every sample weighed with half
the time to its neighbours in the bin. What leads from one bin into another is cut at the edges and added with `bincount`; that
is one step of twenty to fifty.
"""
import sys

import numpy as np
import polars as pl

from ledger_common import *

S = 1e-6  # s in a µs


class Stamps:
    """When one message came, and how that lies in the bins."""

    def __init__(self, t, edges):
        at = np.searchsorted(t, edges)
        self.t, self.edges, self.bins = t, edges, edges.size - 1
        self.full = np.flatnonzero(at[1:] > at[:-1])
        self.first, self.last = at[self.full], at[self.full + 1] - 1
        self.inside = t[self.last] - t[self.first]
        self.cuts, self.weights, self.times = {}, None, None

    def weight(self):
        """Half the time to the neighbours in the same bin, s."""
        if self.weights is None:
            t, first, last = self.t, self.first, self.last
            w = np.empty(t.size)
            np.multiply(t[2:] - t[:-2], 0.5 * S, out=w[1:-1])
            w[first] = (t[np.minimum(first + 1, last)] - t[first]) * (0.5 * S)
            w[last] = (t[last] - t[np.maximum(last - 1, first)]) * (0.5 * S)
            self.weights = w
        return self.weights

    def steps(self):
        """Time from each sample to the next one in the same bin, s; none behind a bin's last."""
        if self.times is None:
            self.times = np.empty(self.t.size)
            np.multiply(self.t[1:] - self.t[:-1], S, out=self.times[:-1])
            self.times[self.last] = 0.0
        return self.times

    def parts(self, limit):
        """Steps into another bin of at most `limit` s, cut at edges."""
        if limit not in self.cuts:
            self.cuts[limit] = Parts(self, limit)
        return self.cuts[limit]

    def sums(self, values):
        """Sum over each bin's samples."""
        found = np.zeros(self.bins)
        found[self.full] = np.add.reduceat(values, self.first)
        return found


class Parts:
    """Parts of steps from one bin into another: the sample before, the bin, start and end."""

    def __init__(self, at, limit):
        t, edges = at.t, at.edges
        near = np.flatnonzero(t[at.first[1:]] - t[at.last[:-1]] <= limit * 1e6)
        a, count = at.full[near], at.full[near + 1] - at.full[near] + 1
        end = np.cumsum(count)
        self.before = np.repeat(at.last[near], count)
        self.bin = np.arange(end[-1] if end.size else 0) + np.repeat(a - end + count, count)
        self.t0, self.t1, self.bins = t[self.before], t[self.before + 1], at.bins
        self.p, self.q = np.maximum(self.t0, edges[self.bin]), np.minimum(self.t1, edges[self.bin + 1])
        self.us, self.whole = self.q - self.p, self.t1 - self.t0
        us = self.sums(self.us)
        us[at.full] += at.inside
        self.valid = us * S  # time covered in each bin, s

    def sums(self, values):
        return np.bincount(self.bin, values, self.bins)

    def ends(self, v):
        """Values at both ends of each part."""
        v0, v1 = v[self.before], v[self.before + 1]
        slope = (v1 - v0) / self.whole
        return v0 + slope * (self.p - self.t0), np.where(self.q == self.t1, v1, v0 + slope * (self.q - self.t0))


class Level:
    """A level: its integral, mean and largest value in each bin."""

    def __init__(self, at, v, limit):
        self.at, self.v, self.parts = at, v, at.parts(limit)
        self.ends, self.valid = self.parts.ends(v), self.parts.valid

    def integral(self):
        a, b = self.ends
        return self.at.sums(self.v * self.at.weight()) + self.parts.sums((a + b) * self.parts.us * (0.5 * S))

    def mean(self):
        return np.divide(self.integral(), self.valid, out=np.full(self.at.bins, np.nan), where=self.valid > 0)

    def largest(self, of=np.asarray):
        """Largest `of(value)` at samples and edges."""
        found = np.full(self.at.bins, -np.inf)
        found[self.at.full] = np.maximum.reduceat(of(self.v), self.at.first)
        a, b = self.ends
        np.maximum.at(found, self.parts.bin, np.maximum(of(a), of(b)))
        found[np.isinf(found)] = np.nan
        return found

    def edges(self):
        """Values at the start and at the end of each bin, where covered."""
        at, parts, (a, b) = self.at, self.parts, self.ends
        start, end = np.full(at.bins, np.nan), np.full(at.bins, np.nan)
        here, there = parts.p == at.edges[parts.bin], parts.q == at.edges[parts.bin + 1]
        start[parts.bin[here]], end[parts.bin[there]] = a[here], b[there]
        on = at.full[at.t[at.first] == at.edges[at.full]]
        # Of equal stamps the later value counts.
        start[on] = self.v[np.searchsorted(at.t, at.edges[on], side="right") - 1]
        return start, end

    def without(self, steps):
        """Integral and time covered, leaving some steps out."""
        at, parts = self.at, self.parts
        area, valid = self.integral(), self.valid
        if steps.size:
            marked = np.zeros(at.t.size, bool)
            marked[steps] = True
            cut = marked[parts.before]
            marked[at.last] = False
            inner = np.flatnonzero(marked)
            where, us = np.searchsorted(at.edges, at.t[inner], side="right") - 1, at.t[inner + 1] - at.t[inner]
            us = np.r_[parts.us[cut], us]
            twice = np.r_[self.ends[0][cut] + self.ends[1][cut], self.v[inner] + self.v[inner + 1]]
            where = np.r_[parts.bin[cut], where]
            area = area - np.bincount(where, twice * us * (0.5 * S), at.bins)
            valid = valid - np.bincount(where, us * S, at.bins)
        return area, valid


def product(a0, a1, b0, b1, dt):
    """Positive and negative part of the integral of the product of two lines."""
    whole = (a0 * b0 + a1 * b1 + (a0 + a1) * (b0 + b1)) * dt * (1.0 / 6.0)
    above = np.maximum(whole, 0.0)
    below = above - whole
    flips, flops = a0 * a1 < 0, b0 * b1 < 0
    for x in (np.flatnonzero(flips & ~flops), np.flatnonzero(flops & ~flips)):
        if x.size:
            u0, u1, w0, w1, d = a0[x], a1[x], b0[x], b1[x], dt[x]
            z = u0 / (u0 - u1)
            m = w0 + (w1 - w0) * z
            one, two = u0 * (2 * w0 + m) * z * d * (1.0 / 6.0), u1 * (2 * w1 + m) * (1 - z) * d * (1.0 / 6.0)
            above[x], below[x] = np.maximum(one, 0) + np.maximum(two, 0), np.maximum(-one, 0) + np.maximum(-two, 0)
        a0, a1, b0, b1 = b0, b1, a0, a1
    x = np.flatnonzero(flips & flops)
    if x.size:
        u0, u1, w0, w1, d = a0[x], a1[x], b0[x], b1[x], dt[x]
        u, w = u0 / (u0 - u1), w0 / (w0 - w1)
        above[x] = below[x] = 0.0
        cuts = [np.zeros(x.size), np.minimum(u, w), np.maximum(u, w), np.ones(x.size)]
        for s, e in zip(cuts, cuts[1:]):
            us, ue, ws, we = u0 + (u1 - u0) * s, u0 + (u1 - u0) * e, w0 + (w1 - w0) * s, w0 + (w1 - w0) * e
            part = (us * ws + ue * we + (us + ue) * (ws + we)) * d * (e - s) * (1.0 / 6.0)
            above[x] += np.maximum(part, 0.0)
            below[x] += np.maximum(-part, 0.0)
    return above, below


def signed(v0, v1, dt):
    """Positive and negative part of the integral of a line."""
    whole = (v0 + v1) * dt * 0.5
    above = np.maximum(whole, 0.0)
    below = above - whole
    x = np.flatnonzero(v0 * v1 < 0)
    if x.size:
        a, b, d = v0[x], v1[x], dt[x]
        z = a / (a - b)
        one, two = a * z * d * 0.5, b * (1 - z) * d * 0.5
        above[x], below[x] = np.maximum(one, 0) + np.maximum(two, 0), np.maximum(-one, 0) + np.maximum(-two, 0)
    return above, below


def parted(at, values, limit, split):
    """`split` of every step inside a bin and of every part, summed over bins: what is above, what is below."""
    parts, found = at.parts(limit), []
    inside = split(*(x for v in values for x in (v[:-1], v[1:])), at.steps()[:-1])
    for steps, cut in zip(inside, split(*(x for v in values for x in parts.ends(v)), parts.us * S)):
        found.append(at.sums(np.append(steps, 0.0)) + parts.sums(cut))
    return found


def counted(at, count, weights, limit):
    """Increments times each weight (a number, or one for each sample) summed over bins, and the time covered."""
    t, rise = at.t, np.diff(count)
    reset = rise > MODULUS // 2
    rolled = np.flatnonzero(rise < 0)
    if rolled.size:
        dt = np.diff(t)
        onward = (rise >= 0) & ~reset & (dt > 0)
        fastest = (rise[onward] / dt[onward]).max() if onward.any() else 0.0
        rise[rolled] += MODULUS
        inc, d = rise[rolled], dt[rolled]
        unlikely = (fastest > 0) & (inc > 10.0 * fastest * d) & (inc > MODULUS / 256)
        reset[rolled] = (inc <= 0) | (inc > MODULUS // 2) | unlikely | (d <= 0)
    lost = np.flatnonzero(reset)
    rise[lost] = 0
    parts, found = at.parts(np.inf), []
    share = parts.us / parts.whole
    for weight in weights:
        inside = np.zeros(t.size)
        np.multiply(rise, weight[1:] if isinstance(weight, np.ndarray) else weight, out=inside[:-1])
        cut = inside[parts.before] * share
        inside[at.last] = 0.0
        found.append(at.sums(inside) + parts.sums(cut))
    valid = Level(at, np.zeros(t.size), limit).without(lost)[1] if lost.size else at.parts(limit).valid
    return *found, valid


def runs(at, state, limit):
    """Stretches of one known state: start, end, state."""
    t, c = at.t, at.last[:-1]
    changes = state[1:] != state[:-1]
    gaps = c[t[c + 1] - t[c] > limit * 1e6]
    changes[gaps] = True
    cut = np.flatnonzero(changes)
    begin = np.r_[0, cut + 1]
    end = t[np.r_[cut + 1, t.size - 1]]
    end[np.searchsorted(cut, gaps)] = t[gaps]
    start = t[begin]
    some = end > start
    return start[some], end[some], state[begin][some]


def spent(start, end, edges):
    """Time of each bin in some stretches, s."""
    if not start.size:
        return np.zeros(edges.size - 1)
    so_far = np.r_[0, np.cumsum(end - start)]
    k = np.searchsorted(start, edges, side="right") - 1
    known = np.maximum(k, 0)
    return np.diff(np.where(k >= 0, so_far[known] + np.minimum(edges, end[known]) - start[known], 0)) * S


def any_of(motors, wanted, edges):
    """Time in which any motor is in a state, and time in which it is known whether one is."""
    cuts = np.sort(np.concatenate([x for start, end, _ in motors for x in (start, end)]))
    start, end = cuts[:-1], cuts[1:]
    some, all_known = np.zeros(start.size, bool), np.ones(start.size, bool)
    for a, b, state in motors:
        if not a.size:
            all_known[:] = False
            continue
        k = np.searchsorted(a, start, side="right") - 1
        known = (k >= 0) & (start < b[np.maximum(k, 0)])
        some |= known & (state[np.maximum(k, 0)] == wanted)
        all_known &= known
    known = some | all_known
    return spent(start[some], end[some], edges), spent(start[known], end[known], edges)


def latest(at, v, limit):
    """Last value before each bin's end."""
    k = np.searchsorted(at.t, at.edges[1:]) - 1
    held = np.maximum(k, 0)
    return np.where((k >= 0) & (at.edges[1:] - at.t[held] <= limit * 1e6), v[held], np.nan)


class Table:
    """One table's columns: values without nulls, and when they came."""

    def __init__(self, edges, columns):
        self.edges, self.columns, self.stamps = edges, columns, {}

    @classmethod
    def of(cls, frame, edges, together, **where):
        """`together` says of a column in whose message it comes."""
        rows = [pl.col(c) == v for c, v in where.items()]
        # Nothing is made of the engine's speed where the engine says whether it runs.
        named = [c for c in frame.columns if c != "t_us" and c not in where and not (c == "speed_rpm" and "running" in frame.columns)]
        wanted = [pl.col(c).filter(*rows).drop_nulls().implode() if rows else pl.col(c).drop_nulls().implode() for c in named]
        stamps = [pl.col("t_us").filter(pl.col(c).is_not_null(), *rows).implode().alias(f"{c} t") for c in named if c not in together]
        made = frame.select(wanted + stamps)
        columns = {c: made[c][0].to_numpy() for c in made.columns}
        for column, leader in together.items():
            assert columns[column].size == columns[leader].size, f"{column} and {leader} come in one message"
            columns[f"{column} t"] = leader
        return cls(edges, columns)

    def has(self, *columns):
        return all(self.columns[c].size for c in columns)

    def at(self, column):
        t = self.columns[f"{column} t"]
        if isinstance(t, str):
            return self.at(t)
        if column not in self.stamps:
            self.stamps[column] = Stamps(t, self.edges)
        return self.stamps[column]

    def get(self, column):
        return self.at(column), self.columns[column]

    def level(self, column):
        return Level(*self.get(column), LIMIT[column])

    def heard(self, column, t):
        """Place of the last value of `column` at or before each time, -1 without."""
        own = self.columns[f"{column} t"]
        return np.arange(own.size) if np.array_equal(own, t) else np.searchsorted(own, t, side="right") - 1


def motion(table, out):
    if table.has("wheel_speed_m_s"):
        speed = table.level("wheel_speed_m_s")
        start, end = speed.edges()
        out["distance_m"] = out["wheel_distance_m"] = speed.integral()
        out["distance_valid_s"] = speed.valid
        out |= {"speed_start_m_s": start, "speed_end_m_s": end, "speed_max_m_s": speed.largest(), "accel_m_s2": end - start}
    if table.has("gps_speed_m_s"):
        out["gps_distance_m"] = table.level("gps_speed_m_s").integral()
    if table.has("alt_m"):
        out["alt_end_m"] = latest(*table.get("alt_m"), LIMIT["alt_m"])
    if table.has("hall_count"):
        out["hall_distance_m"], _ = counted(*table.get("hall_count"), [M_PER_EDGE], LIMIT["hall_count"])


def engine(table, out):
    if table.has("running"):
        start, end, on = runs(*table.get("running"), LIMIT["running"])
        out["engine_on_s"], out["engine_valid_s"] = spent(start[on], end[on], table.edges), spent(start, end, table.edges)
    if table.has("fuel_count"):
        at, count = table.get("fuel_count")
        factor = ML_PER_PULSE * DENSITY
        if table.has("fuel_temp_c"):
            temp, k = table.columns["fuel_temp_c"], table.heard("fuel_temp_c", at.t)
            factor = np.where(k >= 0, factor / (1.0 + EXPANSION * (temp[k] - REFERENCE_C)), factor)
        g, ml, valid = counted(at, count, [factor, ML_PER_PULSE], LIMIT["fuel_count"])
        out |= {"fuel_g": g, "fuel_ml": g / DENSITY, "fuel_valid_s": valid}
        out |= {"fuel_meter_g": g, "fuel_meter_ml": ml, "fuel_meter_valid_s": valid}
    if table.has("maf_g_s"):
        at, v = table.get("maf_g_s")
        kept = np.arange(v.size)
        if table.has("lambda"):
            heard, lean, k = table.columns["lambda t"], table.columns["lambda"], table.heard("lambda", at.t)
            kept = np.flatnonzero((k < 0) | (at.t - heard[k] <= LIMIT["lambda"] * 1e6))
            v = v / np.where((k >= 0) & (lean[k] > 0), lean[k], 1.0)
        if kept.size < v.size:
            at, v = Stamps(at.t[kept], table.edges), v[kept]
        flow = Level(at, v / STOICHIOMETRIC, LIMIT["maf_g_s"])
        out["fuel_air_g"], out["fuel_air_valid_s"] = flow.without(np.flatnonzero(np.diff(kept) > 1))
    for column in ("fuel_temp_c", "coolant_c"):
        if table.has(column):
            out[column] = table.level(column).mean()


def pack(table, out):
    if table.has("voltage_v", "current_a"):
        at, v, i, limit = table.at("voltage_v"), table.columns["voltage_v"], table.columns["current_a"], LIMIT["power"]
        above, below = parted(at, [v, i], limit, product)
        out |= {"pack_out_wh": above / 3600, "pack_in_wh": below / 3600, "pack_valid_s": at.parts(limit).valid}
        above, below = parted(at, [i], limit, signed)
        out |= {"pack_out_ah": above / 3600, "pack_in_ah": below / 3600}
    if table.has("soc_pct"):
        out["soc_end_pct"] = latest(*table.get("soc_pct"), LIMIT["soc_pct"])
    if table.has("wall_power_w"):
        wall = table.level("wall_power_w")
        out |= {"wall_wh": wall.integral() / 3600, "wall_valid_s": wall.valid}


def motor(table):
    """One motor's columns, and its stretches of driving (1), braking (-1) and neither."""
    out, command = {}, None
    if table.has("torque_n_m", "speed_rpm"):
        torque, rpm, scale = table.level("torque_n_m"), table.columns["speed_rpm"], RAD_S_PER_RPM / 3600
        above, below = parted(torque.at, [torque.v, rpm], LIMIT["shaft"], product)
        out |= {"shaft_out_wh": above * scale, "shaft_in_wh": below * scale, "shaft_valid_s": torque.at.parts(LIMIT["shaft"]).valid}
        out |= {"torque_mean_n_m": torque.mean(), "torque_peak_n_m": torque.largest(np.abs), "torque_valid_s": torque.valid}
    if table.has("command_pct"):
        at, v = table.get("command_pct")
        command = runs(at, (v > COMMAND_PCT).view(np.int8) - (v < -COMMAND_PCT).view(np.int8), LIMIT["command_pct"])
        start, end, state = command
        out["command_on_s"] = spent(start[state != 0], end[state != 0], table.edges)
    for column, name in (("winding_temp_c", "winding"), ("controller_temp_c", "controller")):
        if table.has(column):
            temp = table.level(column)
            out |= {f"{name}_mean_c": temp.mean(), f"{name}_max_c": temp.largest(), f"{name}_valid_s": temp.valid}
    if table.has("fault"):
        at, v = table.get("fault")
        start, end, on = runs(at, v != 0, LIMIT["fault"])
        out["fault_on_s"] = spent(start[on], end[on], table.edges)
    return out, command


TOGETHER = {"motion": {}, "engine": {}, "pack": {"current_a": "voltage_v"}}


def one(root, session):
    """A session's bins, its ledger, and each motor's by position."""
    frames = {}
    for table, columns in COLUMNS.items():
        file = path(root, table, session)
        if os.path.exists(file):
            frames[table] = pl.read_parquet(file, columns=columns, hive_partitioning=False)
    spans = [(frame["t_us"][0], frame["t_us"][-1]) for frame in frames.values()]
    t = np.arange(min(a for a, _ in spans) // BIN, max(b for _, b in spans) // BIN + 1) * BIN
    edges = np.append(t, t[-1] + BIN)
    out, motors, commands = {}, {}, []
    for name, make in (("motion", motion), ("engine", engine), ("pack", pack)):
        if name in frames:
            make(Table.of(frames.pop(name), edges, TOGETHER[name]), out)
    for position in POSITIONS if "motor" in frames else ():
        table = Table.of(frames["motor"], edges, {"speed_rpm": "torque_n_m"}, position=position)
        motors[position], command = motor(table)
        commands += [command] if command else []
    if commands:
        out["assist_on_s"], out["assist_valid_s"] = any_of(commands, 1, edges)
        out["regen_on_s"], _ = any_of(commands, -1, edges)
    if "ambient" in frames:
        ambient = Table.of(frames["ambient"], edges, {})
        if ambient.has("temp_c"):
            out["ambient_c"] = ambient.level("temp_c").mean()
    return t, out, motors


def keep(out, table, session, frame):
    frame.write_parquet(place(out, table, session), compression="snappy", statistics=False)


if __name__ == "__main__":
    root, out = sys.argv[1:3]
    rollup = Rollup()
    for session in sessions(root):
        t, ledger, motors = one(root, session)
        keep(out, "ledger", session, pl.DataFrame({"t_us": t} | ledger))
        if motors:
            frames = [pl.DataFrame({"t_us": t} | columns).with_columns(position=pl.lit(p)) for p, columns in motors.items()]
            keep(out, "motor_ledger", session, pl.concat(frames, how="diagonal"))
        rollup.add(session, t, ledger, list(motors.values()))
    rollup.write(out)
