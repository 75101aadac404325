"""The ledger in polars. See ledger_common.py.

One lazy query for each message, all of a session collected at once. Steps inside a bin are summed where they are, by the bin
of their end; steps into another bin are few, exploded into one row for each bin and cut at its edges; both sums are added.
"""
import sys

import polars as pl

from ledger_common import *

T, B = pl.col("t"), pl.col("b")


def us(limit):
    return int(limit * 1e6)


class Steps:
    """Steps from each value of a message to the next: for each column x its value at both ends, x0 and x1, time us, bin b."""

    def __init__(self, frame, columns, limit, known=None):
        before = [pl.col(c).shift(1).alias(f"{c}0") for c in columns] + [T.shift(1).alias("t0")]
        named = [pl.col(c).alias(f"{c}1") for c in columns]
        f = frame.select("t", *named, *before).with_columns(b=T // BIN, b0=pl.col("t0") // BIN)
        here, near = B == pl.col("b0"), (pl.col("b0") < B) & (T - pl.col("t0") <= us(limit))
        if known is not None:
            here, near = here & known, near & known
        self.inside = f.with_columns(us=pl.when(here).then(T - pl.col("t0")).otherwise(0)).with_columns(B.set_sorted())
        cut = (f.filter(near).with_columns(b=pl.int_ranges("b0", B + 1)).explode("b")
               .with_columns(p=pl.max_horizontal("t0", B * BIN), q=pl.min_horizontal("t", (B + 1) * BIN)))
        slope = lambda c: (pl.col(f"{c}1") - pl.col(f"{c}0")) / (T - pl.col("t0"))
        at = lambda c, when: pl.col(f"{c}0") + slope(c) * (pl.col(when) - pl.col("t0"))
        self.cut = cut.with_columns([at(c, "p").alias(f"{c}0") for c in columns] + [
            pl.when(pl.col("q") == T).then(pl.col(f"{c}1")).otherwise(at(c, "q")).alias(f"{c}1") for c in columns] + [(pl.col("q") - pl.col("p")).alias("us")])
        if columns != ["v"]:
            # Wanted more than once.
            self.inside, self.cut = (made.lazy() for made in pl.collect_all([self.inside, self.cut]))

    def sums(self, greatest=None, **expressions):
        """Sums of expressions over steps and parts by bin, and the `greatest` of an expression of x1 and of x0."""
        aggregated = [e.sum().alias(n) for n, e in expressions.items()]
        inside, cut = aggregated, aggregated
        folded = [pl.col(n).sum() for n in expressions]
        if greatest:
            end, start = greatest
            inside = inside + [end.max().alias("most")]
            cut = cut + [pl.max_horizontal(end.max(), start.max()).alias("most")]
            folded.append(pl.col("most").max())
        return pl.concat([self.inside.group_by("b").agg(inside), self.cut.group_by("b").agg(cut)]).group_by("b").agg(folded)


def area(x):
    return (pl.col(f"{x}0") + pl.col(f"{x}1")) * pl.col("us") * 0.5e-6


def level(frame, limit, known=None):
    """`m` integral, `us` covered, `most`."""
    return Steps(frame, ["v"], limit, known).sums((pl.col("v1"), pl.col("v0")), m=area("v"), us=pl.col("us"))


def mean(m="m"):
    return pl.when(pl.col("us") > 0).then(pl.col(m) / (pl.col("us") * 1e-6))


def signed(steps, x):
    """Positive and negative part of a line's integral by bin."""
    a, b, time = pl.col(f"{x}0"), pl.col(f"{x}1"), pl.col("us") * 1e-6
    crosses, found = a * b < 0, []
    for f in (steps.inside, steps.cut):
        f = f.filter(pl.col("us") > 0)
        z = a / (a - b)
        found.append(f.filter(~crosses).select("b", x=area(x)))
        crossing = f.filter(crosses)
        found += [crossing.select("b", x=a * z * time * 0.5), crossing.select("b", x=b * (1 - z) * time * 0.5)]
    return pl.concat(found).group_by("b").agg(above=pl.col("x").clip(lower_bound=0).sum(), below=(-pl.col("x")).clip(lower_bound=0).sum())


def product(steps, u, w):
    """The same of the product of two lines."""
    u0, u1, w0, w1, time, found = pl.col(f"{u}0"), pl.col(f"{u}1"), pl.col(f"{w}0"), pl.col(f"{w}1"), pl.col("us") * 1e-6, []
    whole = lambda a0, a1, c0, c1, time: (a0 * c0 + a1 * c1 + (a0 + a1) * (c0 + c1)) * time * (1.0 / 6.0)
    crosses = (u0 * u1 < 0) | (w0 * w1 < 0)
    zero = lambda a, b: pl.when(a * b < 0).then(a / (a - b)).otherwise(1.0)
    at = lambda a, b, z: a + (b - a) * z
    for f in (steps.inside, steps.cut):
        f = f.filter(pl.col("us") > 0)
        found.append(f.filter(~crosses).select("b", x=whole(u0, u1, w0, w1, time)))
        crossing = f.filter(crosses).with_columns(zu=zero(u0, u1), zw=zero(w0, w1)).with_columns(
            z0=0.0, z1=pl.min_horizontal("zu", "zw"), z2=pl.max_horizontal("zu", "zw"), z3=1.0)
        for s, e in (("z0", "z1"), ("z1", "z2"), ("z2", "z3")):
            s, e = pl.col(s), pl.col(e)
            found.append(crossing.filter(e > s).select("b", x=whole(at(u0, u1, s), at(u0, u1, e), at(w0, w1, s), at(w0, w1, e), time * (e - s))))
    return pl.concat(found).group_by("b").agg(above=pl.col("x").clip(lower_bound=0).sum(), below=(-pl.col("x")).clip(lower_bound=0).sum())


def counted(frame, weights, limit):
    """Increments of `n` times each weight by bin, and the time covered."""
    up, dt = pl.col("n") - pl.col("n0"), T - pl.col("t0")
    f = frame.with_columns(t0=T.shift(1), n0=pl.col("n").shift(1)).drop_nulls("t0").with_columns(up=up, dt=dt)
    forward = pl.col("up").is_between(0, MODULUS // 2) & (pl.col("dt") > 0)
    rolled, rise = pl.col("up") < 0, pl.col("up") + pl.when(pl.col("up") < 0).then(MODULUS).otherwise(0)
    f = f.with_columns(rise=rise, rolled=rolled, fastest=pl.when(forward).then(pl.col("up") / pl.col("dt")).max().fill_null(0.0))
    fastest = pl.col("fastest")
    bad = (pl.col("rise") <= 0) | (pl.col("dt") <= 0) | ((fastest > 0) & (pl.col("rise") > 10 * fastest * pl.col("dt")) & (pl.col("rise") > MODULUS / 256))
    f = f.filter(~((pl.col("rise") > MODULUS // 2) | pl.col("rolled") & bad)).with_columns(b=T // BIN, b0=pl.col("t0") // BIN)
    cut = (f.filter(pl.col("b0") < B).with_columns(b=pl.int_ranges("b0", B + 1)).explode("b")
           .with_columns(us=pl.min_horizontal("t", (B + 1) * BIN) - pl.max_horizontal("t0", B * BIN)))
    share = pl.col("us") / pl.col("dt")
    near = pl.when(pl.col("dt") <= us(limit)).then(pl.col("us")).otherwise(0).sum().alias("us")
    inside = f.filter(pl.col("b0") == B).with_columns(us=pl.col("dt"))
    return pl.concat([inside.group_by("b").agg([(pl.col("rise") * w).sum().alias(n) for n, w in weights.items()] + [near]),
                      cut.group_by("b").agg([(pl.col("rise") * share * w).sum().alias(n) for n, w in weights.items()] + [near])]).group_by("b").sum()


def states(frame, limit, **wanted):
    """Time by bin in which the value before was so, and in which it is known, `us`."""
    f = (frame.select("t", t0=T.shift(1), v=pl.col("v").shift(1)).filter(T - pl.col("t0") <= us(limit))
         .with_columns(b=T // BIN, b0=pl.col("t0") // BIN, us=T - pl.col("t0")))
    cut = (f.filter(pl.col("b0") < B).with_columns(b=pl.int_ranges("b0", B + 1)).explode("b")
           .with_columns(us=pl.min_horizontal("t", (B + 1) * BIN) - pl.max_horizontal("t0", B * BIN)))
    return (pl.concat([f.filter(pl.col("b0") == B), cut]).group_by("b")
            .agg([pl.when(e).then(pl.col("us")).otherwise(0).sum().alias(n) for n, e in wanted.items()] + [pl.col("us").sum()]))


def runs(frame, limit):
    """Stretches of one known state: from, to, state."""
    gap = T - T.shift(1) > us(limit)
    f = frame.with_columns(gap=gap, last=T.shift(1), end=T.max()).filter(T.shift(1).is_null() | gap | (pl.col("v") != pl.col("v").shift(1)))
    until = pl.when(pl.col("gap")).then(pl.col("last")).otherwise(T).shift(-1)
    return f.select(a="t", e=pl.coalesce(until, "end"), v="v").filter(pl.col("e") > pl.col("a"))


def any_of(motors):
    """Time by bin in which a motor drives, in which one brakes, and in which it is known whether one drives."""
    cuts = pl.concat([m.select(a=pl.col(c)) for m in motors for c in ("a", "e")]).unique().sort("a").with_columns(e=pl.col("a").shift(-1)).drop_nulls()
    for i, m in enumerate(motors):
        cuts = cuts.join_asof(m.select("a", pl.col("e").alias(f"e{i}"), pl.col("v").alias(f"v{i}")), on="a")
    known = [(pl.col("e") <= pl.col(f"e{i}")).fill_null(False) for i in range(len(motors))]
    is_ = lambda v: pl.any_horizontal([k & (pl.col(f"v{i}") == v) for i, k in enumerate(known)])
    spans = (cuts.select("a", "e", drives=is_(1), brakes=is_(-1), known=pl.all_horizontal(known))
             .with_columns(b=pl.int_ranges(pl.col("a") // BIN, (pl.col("e") - 1) // BIN + 1)).explode("b")
             .with_columns(us=pl.min_horizontal("e", (B + 1) * BIN) - pl.max_horizontal("a", B * BIN)))
    time = lambda e: pl.when(e).then(pl.col("us")).otherwise(0).sum()
    return spans.group_by("b").agg(on=time(pl.col("drives")), regen=time(pl.col("brakes")), us=time(pl.col("drives") | pl.col("known")))


class Ledger:
    """Small tables by bin, which become columns."""

    def __init__(self, bins):
        self.bins, self.made, self.columns = bins, {}, {}

    def put(self, name, frame, **columns):
        """Columns as expressions on a table; 0 where a bin has no data, or unknown where the name is in `UNKNOWN`."""
        self.made[name] = frame.select("b", *[e.alias(c) for c, e in columns.items()])
        self.columns |= {c: pl.col(c) if c in UNKNOWN else pl.col(c).fill_null(0.0) for c in columns}

    def latest(self, name, frame, limit):
        last = frame.with_columns(b=T // BIN).group_by("b").last()
        held = self.bins.join(last, on="b", how="left", maintain_order="left").with_columns(pl.col("t", "v").forward_fill())
        self.put(name, held, **{name: pl.when((B + 1) * BIN - T <= us(limit)).then(pl.col("v"))})

    def collect(self):
        frame = self.bins
        for made in self.made.values():
            frame = frame.join(made, on="b", how="left", maintain_order="left")
        return frame.select((B * BIN).alias("t_us"), *[e.alias(c) for c, e in self.columns.items()])


UNKNOWN = {"speed_start_m_s", "speed_end_m_s", "speed_max_m_s", "accel_m_s2", "fuel_temp_c", "soc_end_pct", "alt_end_m", "ambient_c", "coolant_c",
           "torque_mean_n_m", "torque_peak_n_m", "winding_mean_c", "winding_max_c", "controller_mean_c", "controller_max_c"}
S = pl.col("us") * 1e-6


def rows(frame, **columns):
    first = next(iter(columns.values()))
    return frame.lazy().filter(pl.col(first).is_not_null()).select(t="t_us", **{n: pl.col(c) for n, c in columns.items()})


def has(frame, *columns):
    return frame is not None and all(frame[c].null_count() < frame.height for c in columns)


def motion(frame, out):
    if has(frame, "wheel_speed_m_s"):
        steps = Steps(rows(frame, v="wheel_speed_m_s"), ["v"], LIMIT["wheel_speed_m_s"])
        sums = steps.sums((pl.col("v1"), pl.col("v0")), m=area("v"), us=pl.col("us"))
        out.put("wheel", sums, distance_m=pl.col("m"), wheel_distance_m=pl.col("m"), distance_valid_s=S, speed_max_m_s=pl.col("most"))
        start = pl.concat([steps.inside.filter(T == B * BIN).select("b", a="v1"), steps.cut.filter(pl.col("p") == B * BIN).select("b", a="v0")]).group_by("b").first()
        end = steps.cut.filter(pl.col("q") == (B + 1) * BIN).select("b", e="v1")
        a, e = pl.col("a"), pl.col("e")
        out.put("edges", start.join(end, on="b", how="full", coalesce=True), speed_start_m_s=a, speed_end_m_s=e, accel_m_s2=e - a)
    if has(frame, "gps_speed_m_s"):
        out.put("gps", level(rows(frame, v="gps_speed_m_s"), LIMIT["gps_speed_m_s"]), gps_distance_m=pl.col("m"))
    if has(frame, "hall_count"):
        out.put("hall", counted(rows(frame, n="hall_count"), {"m": M_PER_EDGE}, LIMIT["hall_count"]), hall_distance_m=pl.col("m"))
    if has(frame, "alt_m"):
        out.latest("alt_end_m", rows(frame, v="alt_m"), LIMIT["alt_m"])


def engine(frame, out):
    if has(frame, "running"):
        out.put("running", states(rows(frame, v="running"), LIMIT["running"], on=pl.col("v")), engine_on_s=pl.col("on") * 1e-6, engine_valid_s=S)
    heard = lambda column: rows(frame, h=column).select(pl.col("t").alias("tt"), "h").set_sorted("tt")
    if has(frame, "fuel_count"):
        f = rows(frame, n="fuel_count").set_sorted("t").join_asof(heard("fuel_temp_c"), left_on="t", right_on="tt")
        g = ML_PER_PULSE * DENSITY / (1 + EXPANSION * (pl.col("h") - REFERENCE_C)).fill_null(1.0)
        out.put("meter", counted(f, {"g": g, "ml": ML_PER_PULSE}, LIMIT["fuel_count"]), fuel_g=pl.col("g"), fuel_ml=pl.col("g") / DENSITY, fuel_valid_s=S,
                fuel_meter_g=pl.col("g"), fuel_meter_ml=pl.col("ml"), fuel_meter_valid_s=S)
    if has(frame, "maf_g_s"):
        f = rows(frame, v="maf_g_s").set_sorted("t").join_asof(heard("lambda"), left_on="t", right_on="tt", coalesce=False)
        lean = pl.when(pl.col("h") > 0).then(pl.col("h")).otherwise(1.0) * STOICHIOMETRIC
        f = f.select("t", v=pl.when(pl.col("tt").is_null() | (T - pl.col("tt") <= us(LIMIT["lambda"]))).then(pl.col("v") / lean))
        known = pl.col("v0").is_not_null() & pl.col("v1").is_not_null()
        out.put("air", level(f, LIMIT["maf_g_s"], known), fuel_air_g=pl.col("m"), fuel_air_valid_s=S)
    for column in ("fuel_temp_c", "coolant_c"):
        if has(frame, column):
            out.put(column, level(rows(frame, v=column), LIMIT[column]), **{column: mean()})


def pack(frame, out):
    if has(frame, "voltage_v", "current_a"):
        steps = Steps(rows(frame, u="voltage_v", i="current_a"), ["u", "i"], LIMIT["power"])
        above, below = pl.col("above") / 3600, pl.col("below") / 3600
        out.put("power", product(steps, "u", "i"), pack_out_wh=above, pack_in_wh=below)
        out.put("charge", signed(steps, "i"), pack_out_ah=above, pack_in_ah=below)
        out.put("covered", steps.sums(us=pl.col("us")), pack_valid_s=S)
    if has(frame, "soc_pct"):
        out.latest("soc_end_pct", rows(frame, v="soc_pct"), LIMIT["soc_pct"])
    if has(frame, "wall_power_w"):
        out.put("wall", level(rows(frame, v="wall_power_w"), LIMIT["wall_power_w"]), wall_wh=pl.col("m") / 3600, wall_valid_s=S)


def motor(frame, out):
    """Makes a motor's columns; gives its stretches of driving (1), braking (-1) and neither."""
    if has(frame, "torque_n_m", "speed_rpm"):
        steps, scale = Steps(rows(frame, n="torque_n_m", w="speed_rpm"), ["n", "w"], LIMIT["shaft"]), RAD_S_PER_RPM / 3600
        out.put("shaft", product(steps, "n", "w"), shaft_out_wh=pl.col("above") * scale, shaft_in_wh=pl.col("below") * scale)
        sums = steps.sums((pl.col("n1").abs(), pl.col("n0").abs()), m=area("n"), us=pl.col("us"))
        out.put("torque", sums, torque_mean_n_m=mean(), torque_peak_n_m=pl.col("most"), torque_valid_s=S, shaft_valid_s=S)
    command = None
    if has(frame, "command_pct"):
        c = pl.col("c")
        command = rows(frame, c="command_pct").select("t", v=(c > COMMAND_PCT).cast(pl.Int8) - (c < -COMMAND_PCT).cast(pl.Int8))
        out.put("command", states(command, LIMIT["command_pct"], on=pl.col("v") != 0), command_on_s=pl.col("on") * 1e-6)
        command = runs(command, LIMIT["command_pct"])
    for column, name in (("winding_temp_c", "winding"), ("controller_temp_c", "controller")):
        if has(frame, column):
            out.put(name, level(rows(frame, v=column), LIMIT[column]), **{f"{name}_mean_c": mean(), f"{name}_max_c": pl.col("most"), f"{name}_valid_s": S})
    if has(frame, "fault"):
        out.put("fault", states(rows(frame, v="fault"), LIMIT["fault"], on=pl.col("v") != 0), fault_on_s=pl.col("on") * 1e-6)
    return command


def one(root, session):
    """A session's ledger, and each motor's by position."""
    frames = {}
    for table, columns in COLUMNS.items():
        file = path(root, table, session)
        if os.path.exists(file):
            frames[table] = pl.read_parquet(file, columns=columns, hive_partitioning=False)
    spans = [(frame["t_us"][0], frame["t_us"][-1]) for frame in frames.values()]
    bins = pl.select(b=pl.int_range(min(a for a, _ in spans) // BIN, max(b for _, b in spans) // BIN + 1)).lazy()
    out, motors, commands = Ledger(bins), [], []
    motion(frames.get("motion"), out)
    engine(frames.get("engine"), out)
    pack(frames.get("pack"), out)
    for position in POSITIONS if "motor" in frames else ():
        motors.append(Ledger(bins))
        command = motor(frames["motor"].filter(pl.col("position") == position), motors[-1])
        commands += [] if command is None else [command]
    if commands:
        out.put("assist", any_of(commands), assist_on_s=pl.col("on") * 1e-6, regen_on_s=pl.col("regen") * 1e-6, assist_valid_s=S)
    if has(frames.get("ambient"), "temp_c"):
        out.put("weather", level(rows(frames["ambient"], v="temp_c"), LIMIT["temp_c"]), ambient_c=mean())
    ledger, *made = pl.collect_all([out.collect()] + [m.collect() for m in motors])
    return ledger, dict(zip(POSITIONS, made))


def keep(out, table, session, frame):
    frame.write_parquet(place(out, table, session), compression="snappy", statistics=False)


if __name__ == "__main__":
    root, out = sys.argv[1:3]
    rollup = Rollup()
    arrays = lambda frame: {c: frame[c].to_numpy() for c in frame.columns}
    for session in sessions(root):
        ledger, motors = one(root, session)
        keep(out, "ledger", session, ledger)
        if motors:
            keep(out, "motor_ledger", session, pl.concat([m.with_columns(position=pl.lit(p)) for p, m in motors.items()], how="diagonal"))
        rollup.add(session, ledger["t_us"].to_numpy(), arrays(ledger), [arrays(m) for m in motors.values()])
    rollup.write(out)
