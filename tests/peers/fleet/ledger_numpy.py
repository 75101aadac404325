"""The ledger in numpy. See ledger_common.py.

The columns come through polars, which decodes Parquet faster than pyarrow does. Samples are in time order, so a bin's are
neighbours: sums and largest values are `reduceat` over the bins' first samples, every sample weighed with half the time to its
neighbours in the bin. What leads from one bin into another is cut at the edges and added with `bincount`; that is one step of
twenty to fifty.
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
        self.cuts, self.weights = {}, None

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

    def parts(self, limit):
        """Steps into another bin of at most `limit` s, cut at edges: the sample before each part, bin, start, end."""
        if limit not in self.cuts:
            t, edges = self.t, self.edges
            near = np.flatnonzero(t[self.first[1:]] - t[self.last[:-1]] <= limit * 1e6)
            before, a = self.last[near], self.full[near]
            count = self.full[near + 1] - a + 1
            end = np.cumsum(count)
            before, b = np.repeat(before, count), np.arange(end[-1] if end.size else 0) + np.repeat(a - end + count, count)
            self.cuts[limit] = before, b, np.maximum(t[before], edges[b]), np.minimum(t[before + 1], edges[b + 1])
        return self.cuts[limit]

    def valid(self, limit):
        """Time covered in each bin, s."""
        _, b, p, q = self.parts(limit)
        us = np.bincount(b, q - p, self.bins)
        us[self.full] += self.inside
        return us * S

    def sums(self, values):
        """Sum over each bin's samples."""
        found = np.zeros(self.bins)
        found[self.full] = np.add.reduceat(values, self.first)
        return found

    def ends(self, v, limit):
        """Values at both ends of each part."""
        before, _, p, q = self.parts(limit)
        t0, v0, v1 = self.t[before], v[before], v[before + 1]
        slope = (v1 - v0) / (self.t[before + 1] - t0)
        return v0 + slope * (p - t0), np.where(q == self.t[before + 1], v1, v0 + slope * (q - t0))


def level(at, v, limit):
    """Integral of a level."""
    a, b = at.ends(v, limit)
    _, bins, p, q = at.parts(limit)
    return at.sums(v * at.weight()) + np.bincount(bins, (a + b) * (q - p) * (0.5 * S), at.bins)


def mean(integral, valid):
    return np.divide(integral, valid, out=np.full(valid.size, np.nan), where=valid > 0)


def largest(at, v, limit, of=np.asarray):
    """Largest `of(value)` at samples and edges."""
    found = np.full(at.bins, -np.inf)
    found[at.full] = np.maximum.reduceat(of(v), at.first)
    a, b = at.ends(v, limit)
    np.maximum.at(found, at.parts(limit)[1], np.maximum(of(a), of(b)))
    return np.where(np.isinf(found), np.nan, found)


def edge_values(at, v, limit):
    """Values at the start and at the end of each bin, where covered."""
    start, end = np.full(at.bins, np.nan), np.full(at.bins, np.nan)
    a, b = at.ends(v, limit)
    _, bins, p, q = at.parts(limit)
    here, there = p == at.edges[bins], q == at.edges[bins + 1]
    start[bins[here]], end[bins[there]] = a[here], b[there]
    on = at.t[at.first] == at.edges[at.full]
    start[at.full[on]] = v[at.first[on]]
    return start, end


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
    steps = np.empty(at.t.size)
    np.multiply(at.t[1:] - at.t[:-1], S, out=steps[:-1])
    steps[at.last] = 0.0
    ends = [x for v in values for x in at.ends(v, limit)]
    _, bins, p, q = at.parts(limit)
    found = []
    for inside, part in zip(split(*(x for v in values for x in (v[:-1], v[1:])), steps[:-1]), split(*ends, (q - p) * S)):
        padded = np.append(inside, 0.0)
        found.append(at.sums(padded) + np.bincount(bins, part, at.bins))
    return found


def counted(at, count, weights, limit):
    """Increments times each weight (a number, or one for each sample) summed over bins, and the time covered."""
    t = at.t
    rise = np.diff(count)
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
    before, bins, p, q = at.parts(np.inf)
    share = (q - p) / (t[before + 1] - t[before])
    found = []
    for weight in weights:
        w = weight[1:] if isinstance(weight, np.ndarray) else weight
        inside = np.zeros(t.size)
        np.multiply(rise, w, out=inside[:-1])
        parts = inside[before] * share
        inside[at.last[:-1]] = 0.0
        found.append(at.sums(inside) + np.bincount(bins, parts, at.bins))
    valid = at.valid(limit)
    if lost.size:
        valid -= covered(at, lost, limit)
    return *found, valid


def covered(at, steps, limit):
    """Of the time covered in each bin, what is in some steps."""
    before, bins, p, q = at.parts(limit)
    mine = np.isin(before, steps)
    inner = steps[~np.isin(steps, at.last)]
    where = np.searchsorted(at.edges, at.t[inner], side="right") - 1
    us = np.bincount(bins[mine], (q - p)[mine], at.bins) + np.bincount(where, at.t[inner + 1] - at.t[inner], at.bins)
    return us * S


def broken(at, v, limit, steps):
    """Integral of a level over all but some steps, and the time covered."""
    area, valid = level(at, v, limit), at.valid(limit)
    if steps.size:
        before, bins, p, q = at.parts(limit)
        mine = np.isin(before, steps)
        a, b = at.ends(v, limit)
        inner = steps[~np.isin(steps, at.last)]
        where = np.searchsorted(at.edges, at.t[inner], side="right") - 1
        area -= np.bincount(bins[mine], ((a + b) * (q - p))[mine] * (0.5 * S), at.bins)
        area -= np.bincount(where, (v[inner] + v[inner + 1]) * (at.t[inner + 1] - at.t[inner]) * (0.5 * S), at.bins)
        valid -= covered(at, steps, limit)
    return area, valid


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
    cuts = np.unique(np.concatenate([x for start, end, _ in motors for x in (start, end)]))
    if not cuts.size:
        return spent(cuts, cuts, edges), spent(cuts, cuts, edges)
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
    """One table's columns: values without nulls, and when they came. Columns of one message share that."""

    def __init__(self, frame, edges):
        self.frame, self.edges, self.t = frame, edges, frame["t_us"].to_numpy()
        self.masks = []

    def has(self, *columns):
        return all(self.frame[c].null_count() < self.frame.height for c in columns)

    def rows(self, column):
        """Which rows have a value, and their stamps."""
        valid = self.frame[column].is_not_null().to_numpy()
        for mask, at in self.masks:
            if np.array_equal(mask, valid):
                return mask, at
        self.masks.append((valid, Stamps(self.t[valid], self.edges)))
        return self.masks[-1]

    def get(self, column):
        return self.rows(column)[1], self.frame[column].drop_nulls().to_numpy()

    def held(self, column, of):
        """Of each row with a value in `of`, the last value of `column` up to it: its place among those, -1 without."""
        return np.cumsum(self.rows(column)[0], dtype=np.int32)[self.rows(of)[0]] - 1


def motion(table, out):
    name = "wheel_speed_m_s"
    if table.has(name):
        at, v = table.get(name)
        limit = LIMIT[name]
        out["distance_m"] = out["wheel_distance_m"] = level(at, v, limit)
        out["distance_valid_s"] = at.valid(limit)
        start, end = edge_values(at, v, limit)
        out |= {"speed_start_m_s": start, "speed_end_m_s": end, "speed_max_m_s": largest(at, v, limit), "accel_m_s2": end - start}
    if table.has("gps_speed_m_s"):
        out["gps_distance_m"] = level(*table.get("gps_speed_m_s"), LIMIT["gps_speed_m_s"])
    if table.has("alt_m"):
        out["alt_end_m"] = latest(*table.get("alt_m"), LIMIT["alt_m"])
    if table.has("hall_count"):
        out["hall_distance_m"], _ = counted(*table.get("hall_count"), [M_PER_EDGE], LIMIT["hall_count"])


def engine(table, out):
    if table.has("running") or table.has("speed_rpm"):
        name = "running" if table.has("running") else "speed_rpm"
        at, v = table.get(name)
        start, end, on = runs(at, v if name == "running" else v > 400.0, LIMIT[name])
        out["engine_on_s"], out["engine_valid_s"] = spent(start[on], end[on], table.edges), spent(start, end, table.edges)
    if table.has("fuel_count"):
        at, count = table.get("fuel_count")
        factor = ML_PER_PULSE * DENSITY
        if table.has("fuel_temp_c"):
            temp, k = table.get("fuel_temp_c")[1], table.held("fuel_temp_c", "fuel_count")
            factor = np.where(k >= 0, factor / (1.0 + EXPANSION * (temp[k] - REFERENCE_C)), factor)
        g, ml, valid = counted(at, count, [factor, ML_PER_PULSE], LIMIT["fuel_count"])
        out |= {"fuel_g": g, "fuel_ml": g / DENSITY, "fuel_valid_s": valid}
        out |= {"fuel_meter_g": g, "fuel_meter_ml": ml, "fuel_meter_valid_s": valid}
    if table.has("maf_g_s"):
        at, v = table.get("maf_g_s")
        keep, lean = np.ones(v.size, bool), np.ones(v.size)
        if table.has("lambda"):
            (heard, lam), k = table.get("lambda"), table.held("lambda", "maf_g_s")
            keep = (k < 0) | (at.t - heard.t[k] <= LIMIT["lambda"] * 1e6)
            lean = np.where((k >= 0) & (lam[k] > 0), lam[k], 1.0)
        kept = np.flatnonzero(keep)
        known = at if kept.size == v.size else Stamps(at.t[kept], table.edges)
        flow = (v / (lean * STOICHIOMETRIC))[kept]
        out["fuel_air_g"], out["fuel_air_valid_s"] = broken(known, flow, LIMIT["maf_g_s"], np.flatnonzero(np.diff(kept) > 1))
    for column, name in (("fuel_temp_c", "fuel_temp_c"), ("coolant_c", "coolant_c")):
        if table.has(column):
            at, v = table.get(column)
            out[name] = mean(level(at, v, LIMIT[column]), at.valid(LIMIT[column]))


def pack(table, out):
    if table.has("voltage_v", "current_a"):
        (at, v), (same, i) = table.get("voltage_v"), table.get("current_a")
        assert at is same, "voltage and current come in one message"
        limit = LIMIT["power"]
        above, below = parted(at, [v, i], limit, product)
        out |= {"pack_out_wh": above / 3600, "pack_in_wh": below / 3600, "pack_valid_s": at.valid(limit)}
        above, below = parted(at, [i], limit, signed)
        out |= {"pack_out_ah": above / 3600, "pack_in_ah": below / 3600}
    if table.has("soc_pct"):
        out["soc_end_pct"] = latest(*table.get("soc_pct"), LIMIT["soc_pct"])
    if table.has("wall_power_w"):
        at, v = table.get("wall_power_w")
        out |= {"wall_wh": level(at, v, LIMIT["wall_power_w"]) / 3600, "wall_valid_s": at.valid(LIMIT["wall_power_w"])}


def motor(table):
    """One motor's columns, and its stretches of driving (1), braking (-1) and neither."""
    out, command = {}, None
    if table.has("torque_n_m", "speed_rpm"):
        (at, n_m), (same, rpm) = table.get("torque_n_m"), table.get("speed_rpm")
        assert at is same, "torque and speed come in one message"
        above, below = parted(at, [n_m, rpm], LIMIT["shaft"], product)
        scale, limit = RAD_S_PER_RPM / 3600, LIMIT["torque_n_m"]
        valid = at.valid(limit)
        out |= {"shaft_out_wh": above * scale, "shaft_in_wh": below * scale, "shaft_valid_s": at.valid(LIMIT["shaft"])}
        out |= {"torque_mean_n_m": mean(level(at, n_m, limit), valid), "torque_peak_n_m": largest(at, n_m, limit, np.abs), "torque_valid_s": valid}
    if table.has("command_pct"):
        at, v = table.get("command_pct")
        command = runs(at, (v > COMMAND_PCT).view(np.int8) - (v < -COMMAND_PCT).view(np.int8), LIMIT["command_pct"])
        start, end, state = command
        out["command_on_s"] = spent(start[state != 0], end[state != 0], table.edges)
    for column, name in (("winding_temp_c", "winding"), ("controller_temp_c", "controller")):
        if table.has(column):
            at, v = table.get(column)
            valid = at.valid(LIMIT[column])
            out |= {f"{name}_mean_c": mean(level(at, v, LIMIT[column]), valid), f"{name}_max_c": largest(at, v, LIMIT[column]), f"{name}_valid_s": valid}
    if table.has("fault"):
        at, v = table.get("fault")
        start, end, on = runs(at, v != 0, LIMIT["fault"])
        out["fault_on_s"] = spent(start[on], end[on], table.edges)
    return out, command


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
    out, motors = {}, {}
    for name, make in (("motion", motion), ("engine", engine), ("pack", pack)):
        if name in frames:
            make(Table(frames.pop(name), edges), out)
    if "motor" in frames:
        frame = frames.pop("motor")
        commands = []
        for position in POSITIONS:
            mine = frame.filter(pl.col("position") == position)
            if mine.height:
                motors[position], command = motor(Table(mine, edges))
                commands += [command] if command else []
        if commands:
            out["assist_on_s"], out["assist_valid_s"] = any_of(commands, 1, edges)
            out["regen_on_s"], _ = any_of(commands, -1, edges)
    ambient = Table(frames["ambient"], edges) if "ambient" in frames else None
    if ambient and ambient.has("temp_c"):
        at, v = ambient.get("temp_c")
        out["ambient_c"] = mean(level(at, v, LIMIT["temp_c"]), at.valid(LIMIT["temp_c"]))
    return t, out, motors


def keep(out, table, session, frame):
    frame.write_parquet(place(out, table, session), compression="zstd", compression_level=1, statistics=False)


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
