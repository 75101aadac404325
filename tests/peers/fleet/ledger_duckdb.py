"""The ledger in DuckDB. See ledger_common.py.

One query for each message: a streaming lag in file order (no sort), steps cut at the edges of bins where they cross one, one
aggregation by bin. Small tables of bins are joined at the end.
"""
import sys

import duckdb
import numpy as np

from ledger_common import *

GRID = f"// {BIN}"


def us(limit):
    return int(limit * 1e6)


def parts(source, columns, limit, known="true"):
    """CTEs up to `part`: bin b, ends p and q, time dt in s, and for each column its value at both ends, x0 and x1.

    Steps inside a bin as they are; steps into another one of at most `limit` s cut; samples nothing leads up to with no time.
    """
    before = ", ".join(f"lag({c}) over () {c}_" for c in columns)
    as_is = ", ".join(f"{c}_ {c}0, {c} {c}1" for c in columns)
    lone = ", ".join(f"{c} {c}0, {c} {c}1" for c in columns)
    line = lambda c, at: f"{c}_ + ({c} - {c}_) / (t - t_) * ({at} - t_)"
    cut = ", ".join(f"{line(c, 'p')} {c}0, case when q = t then {c} else {line(c, 'q')} end {c}1" for c in columns)
    return f"""with s as materialized (select t, lag(t) over () t_, {', '.join(columns)}, {before} from ({source})),
        over_edges as (select *, greatest(t_, b * {BIN}) p, least(t, (b + 1) * {BIN}) q
            from (select *, unnest(range(t_ {GRID}, t {GRID} + 1)) b from s where t_ {GRID} < t {GRID} and t - t_ <= {us(limit)} and {known})),
        part as (select *, (q - p) / 1e6 dt from (
            select t {GRID} b, t_ p, t q, {as_is} from s where t_ {GRID} = t {GRID} and {known}
            union all select b, p, q, {cut} from over_edges
            union all select t {GRID} b, t p, t q, {lone} from s where t_ is null or t - t_ > {us(limit)}))"""


def area(x):
    return f"sum(({x}0 + {x}1) * dt) * 0.5"


def mean(x):
    return f"{area(x)} / nullif(sum(dt), 0)"


def signed(x):
    """Positive and negative part of a line's integral, summed over parts."""
    crosses, z, whole = f"{x}0 * {x}1 < 0", f"({x}0 / ({x}0 - {x}1))", f"({x}0 + {x}1) * dt * 0.5"
    one, two = f"({x}0 * {z} * dt * 0.5)", f"({x}1 * (1 - {z}) * dt * 0.5)"
    half = lambda of: f"sum(case when {crosses} then {of(one)} + {of(two)} else {of(f'({whole})')} end)"
    return half(lambda e: f"greatest({e}, 0)"), half(lambda e: f"greatest(-{e}, 0)")


def product(u, w):
    """The same of the product of two lines: CTE `energy` with what is above and below, by bin, from `part`."""
    z = lambda x: f"case when {x}0 * {x}1 < 0 then {x}0 / ({x}0 - {x}1) else 1.0 end"
    at = lambda x, s: f"{x}0 + ({x}1 - {x}0) * {s}"
    crosses, cuts = f"({u}0 * {u}1 < 0 or {w}0 * {w}1 < 0)", [("0.0", "zl"), ("zl", "zh"), ("zh", "1.0")]
    crossing = " union all ".join(f"select b, {at(u, s)} a0, {at(u, e)} a1, {at(w, s)} c0, {at(w, e)} c1, dt * ({e} - {s}) dt from crossing where {e} > {s}" for s, e in cuts)
    return f"""crossing as materialized (select *, least(zu, zw) zl, greatest(zu, zw) zh from (select *, {z(u)} zu, {z(w)} zw from part where {crosses})),
        piece as (select b, {u}0 a0, {u}1 a1, {w}0 c0, {w}1 c1, dt from part where not {crosses} union all {crossing}),
        energy as (select b, sum(greatest(x, 0)) above, sum(greatest(-x, 0)) below
            from (select b, (a0 * c0 + a1 * c1 + (a0 + a1) * (c0 + c1)) * dt / 6 x from piece) group by b)"""


def counted(source, weights, limit):
    """Increments of `n` times each weight by bin, and the time covered."""
    sums = ", ".join(f"sum(rise * share * ({w})) {name}" for name, w in weights.items())
    return f"""with s as materialized (select *, n - n_ up, t - t_ dt from (select *, lag(t) over () t_, lag(n) over () n_ from ({source})) where t_ is not null),
        f as (select coalesce(max(up / dt), 0) fastest from s where up between 0 and {MODULUS // 2} and dt > 0),
        r as (select *, up + case when up < 0 then {MODULUS} else 0 end rise, up < 0 rolled from s),
        judged as materialized (select * from r, f where not (rise > {MODULUS // 2} or rolled and (rise <= 0 or dt <= 0
            or fastest > 0 and rise > 10 * fastest * dt and rise > {MODULUS / 256}))),
        cut as (select *, least(t, (b + 1) * {BIN}) - greatest(t_, b * {BIN}) covered
            from (select *, unnest(range(t_ {GRID}, t {GRID} + 1)) b from judged where t_ {GRID} < t {GRID})),
        part as (select *, t {GRID} b, dt covered, 1.0 share from judged where t_ {GRID} = t {GRID}
            union all select *, covered / dt share from (select * exclude (b, covered), b, covered from cut))
        select b, {sums}, coalesce(sum(covered) filter (dt <= {us(limit)}), 0) / 1e6 valid from part group by b"""


def states(source, limit, **wanted):
    """Time by bin in which `v` last was so, and in which it is known."""
    sums = ", ".join(f"coalesce(sum(covered) filter ({how}), 0) / 1e6 {name}" for name, how in wanted.items())
    return f"""with s as materialized (select * from (select t, lag(t) over () t_, lag(v) over () v from ({source})) where t - t_ <= {us(limit)}),
        part as (select t {GRID} b, t - t_ covered, v from s where t_ {GRID} = t {GRID} union all
            select b, least(t, (b + 1) * {BIN}) - greatest(t_, b * {BIN}) covered, v
                from (select *, unnest(range(t_ {GRID}, t {GRID} + 1)) b from s where t_ {GRID} < t {GRID}))
        select b, {sums}, sum(covered) / 1e6 valid from part group by b"""


def runs(source, limit):
    """Stretches of one known state, from `a` to `e`."""
    gap = f"t - t_ > {us(limit)}"
    return f"""with s as materialized (select t, v, lag(t) over () t_, lag(v) over () v_ from ({source})),
        c as (select * from s where t_ is null or v <> v_ or {gap})
        select * from (select t a, coalesce(lead(case when {gap} then t_ else t end) over (order by t), (select max(t) from s)) e, v from c) where e > a"""


def any_of(names):
    """Time by bin in which a motor drives, in which one brakes, and in which it is known whether one drives."""
    cuts = " union ".join(f"select a from {n} union select e from {n}" for n in names)
    joins = " ".join(f"asof left join {n} on x.a >= {n}.a" for n in names)
    is_ = lambda v: " or ".join(f"coalesce({n}.v = {v} and x.e <= {n}.e, false)" for n in names)
    known = " and ".join(f"coalesce(x.e <= {n}.e, false)" for n in names)
    covered = f"least(e, (b + 1) * {BIN}) - greatest(a, b * {BIN})"
    return f"""with x as (select a, lead(a) over (order by a) e from ({cuts})),
        k as (select x.a, x.e, {is_(1)} drives, {is_(-1)} brakes, {known} known from x {joins} where x.e is not null)
        select b, coalesce(sum({covered}) filter (drives), 0) / 1e6 on_s, coalesce(sum({covered}) filter (brakes), 0) / 1e6 regen_s,
            coalesce(sum({covered}) filter (drives or known), 0) / 1e6 valid from (select *, unnest(range(a {GRID}, (e - 1) {GRID} + 1)) b from k) group by b"""


class Session:
    """One session's decoded tables, and the small tables of bins that are made of them."""

    def __init__(self, con, root, session):
        self.con, spans = con, []
        self.counts = {}
        for table, columns in COLUMNS.items():
            file = path(root, table, session)
            if os.path.exists(file):
                named = ", ".join(f'"{c}"' for c in columns)
                con.execute(f"create or replace temp table {table} as select {named} from read_parquet('{file}', hive_partitioning = false)")
                counted = ", ".join(f'count("{c}")' for c in columns)
                first, last, *counts = con.execute(f"select min(t_us), max(t_us), {counted} from {table}").fetchone()
                spans.append((first, last))
                self.counts |= {(table, c): n for c, n in zip(columns, counts)}
        first, last = min(a for a, _ in spans) // BIN, max(b for _, b in spans) // BIN
        con.execute(f"create or replace temp table bins as select b, b * {BIN} t_us from range({first}, {last + 1}) r(b)")

    def has(self, table, *columns):
        return all(self.counts.get((table, c), 0) > 0 for c in columns)

    def make(self, name, query):
        self.con.execute(f"create or replace temp table {name} as {query}")

    def level(self, name, table, column, value="m"):
        """A level's `m` (integral or mean) and `valid`."""
        self.make(name, f"{parts(rows(table, v=column), ['v'], LIMIT[column])} select b, {area('v') if value == 'm' else mean('v')} m, max(greatest(v0, v1)) most, sum(dt) valid from part group by b")

    def latest(self, name, table, column):
        """Last value before each bin's end."""
        self.make(name, f"""with l as (select t_us {GRID} b, max(t_us) t, arg_max({column}, t_us) v from {table} where {column} is not null group by 1)
            select b, case when (b + 1) * {BIN} - t <= {us(LIMIT[column])} then v end v from (select bins.b, last_value(l.t ignore nulls) over w t, last_value(l.v ignore nulls) over w v
            from bins left join l using (b) window w as (order by bins.b rows unbounded preceding))""")

    def bins(self, columns, file, more=""):
        """Joins what was made, columns by expression, writes it, and gives it as arrays."""
        made = dict.fromkeys(e.split(".")[0].split("(")[-1] for e in columns.values())
        joined = " ".join(f"left join {name} using (b)" for name in made)
        self.make("joined", f"select bins.t_us{more}, {', '.join(f'{e} {c}' for c, e in columns.items())} from bins {joined} order by bins.b")
        arrays = self.con.execute("select * from joined").fetchnumpy()
        if file:
            self.con.execute(f"copy joined to '{file}' (format parquet, compression snappy)")
        return {c: np.ma.filled(v, np.nan) if c not in ("t_us", "position") else v for c, v in arrays.items()}


def rows(table, **columns):
    """Stamps and columns of the rows in which the first column has a value."""
    named = ", ".join(f'"{c}" {name}' for name, c in columns.items())
    return f'select t_us t, {named} from {table} where "{next(iter(columns.values()))}" is not null'


def zero(expression):
    """Nothing where a bin has no data."""
    return f"coalesce({expression}, 0)"


def motion(s, out):
    if s.has("motion", "wheel_speed_m_s"):
        s.make("wheel", f"""{parts(rows('motion', v='wheel_speed_m_s'), ['v'], LIMIT['wheel_speed_m_s'])} select b, {area('v')} m, sum(dt) valid,
            max(greatest(v0, v1)) most, max(v0) filter (p = b * {BIN}) a, max(v1) filter (q = (b + 1) * {BIN}) e from part group by b""")
        out |= {"distance_m": zero("wheel.m"), "wheel_distance_m": zero("wheel.m"), "distance_valid_s": zero("wheel.valid"),
                "speed_start_m_s": "wheel.a", "speed_end_m_s": "wheel.e", "speed_max_m_s": "wheel.most", "accel_m_s2": "wheel.e - wheel.a"}
    if s.has("motion", "gps_speed_m_s"):
        s.level("gps", "motion", "gps_speed_m_s")
        out["gps_distance_m"] = zero("gps.m")
    if s.has("motion", "hall_count"):
        s.make("hall", counted(rows("motion", n="hall_count"), {"m": repr(M_PER_EDGE)}, LIMIT["hall_count"]))
        out["hall_distance_m"] = zero("hall.m")
    if s.has("motion", "alt_m"):
        s.latest("alt", "motion", "alt_m")
        out["alt_end_m"] = "alt.v"


def engine(s, out):
    if s.has("engine", "running"):
        s.make("state", states(rows("engine", v="running"), LIMIT["running"], on_s="v"))
        out |= {"engine_on_s": zero("state.on_s"), "engine_valid_s": zero("state.valid")}
    heard = lambda column: f'(select t_us tt, "{column}" h from engine where "{column}" is not null)'
    if s.has("engine", "fuel_count"):
        source = f"select t, n, h from ({rows('engine', n='fuel_count')}) asof left join {heard('fuel_temp_c')} on t >= tt order by t"
        ml = repr(ML_PER_PULSE)
        g = f"{ml} * {DENSITY} / coalesce(1 + {EXPANSION} * (h - {REFERENCE_C}), 1)"
        s.make("meter", counted(source, {"g": g, "ml": ml}, LIMIT["fuel_count"]))
        out |= {"fuel_g": zero("meter.g"), "fuel_ml": zero(f"meter.g / {DENSITY}"), "fuel_valid_s": zero("meter.valid"),
                "fuel_meter_g": zero("meter.g"), "fuel_meter_ml": zero("meter.ml"), "fuel_meter_valid_s": zero("meter.valid")}
    if s.has("engine", "maf_g_s"):
        lean = f"case when h > 0 then h else 1.0 end * {STOICHIOMETRIC}"
        source = f"""select t, case when tt is null or t - tt <= {us(LIMIT['lambda'])} then v / ({lean}) end v
            from ({rows('engine', v='maf_g_s')}) asof left join {heard('lambda')} on t >= tt order by t"""
        s.make("air", f"{parts(source, ['v'], LIMIT['maf_g_s'], 'v is not null and v_ is not null')} select b, {area('v')} m, sum(dt) valid from part group by b")
        out |= {"fuel_air_g": zero("air.m"), "fuel_air_valid_s": zero("air.valid")}
    for name, column in (("fuel_t", "fuel_temp_c"), ("coolant", "coolant_c")):
        if s.has("engine", column):
            s.level(name, "engine", column, "mean")
            out[column] = f"{name}.m"


def pack(s, out):
    if s.has("pack", "voltage_v", "current_a"):
        above, below = signed("i")
        s.make("power", f"""{parts(rows('pack', u='voltage_v', i='current_a'), ['u', 'i'], LIMIT['power'])}, {product('u', 'i')},
            charge as (select b, {above} above_as, {below} below_as, sum(dt) valid from part group by b) select * from charge left join energy using (b)""")
        out |= {"pack_out_wh": zero("power.above / 3600"), "pack_in_wh": zero("power.below / 3600"), "pack_valid_s": zero("power.valid"),
                "pack_out_ah": zero("power.above_as / 3600"), "pack_in_ah": zero("power.below_as / 3600")}
    if s.has("pack", "soc_pct"):
        s.latest("soc", "pack", "soc_pct")
        out["soc_end_pct"] = "soc.v"
    if s.has("pack", "wall_power_w"):
        s.level("wall", "pack", "wall_power_w")
        out |= {"wall_wh": zero("wall.m / 3600"), "wall_valid_s": zero("wall.valid")}


def motor(s, position, commands):
    s.make("mine", f"select * exclude (position) from motor where position = '{position}'")
    s.make("slow", "select t_us, winding_temp_c, controller_temp_c, fault from mine where winding_temp_c is not null or controller_temp_c is not null or fault is not null")
    out = {}
    if s.has("motor", "torque_n_m", "speed_rpm"):
        s.make("shaft", f"""{parts(rows('mine', n='torque_n_m', w='speed_rpm'), ['n', 'w'], LIMIT['shaft'])}, {product('n', 'w')},
            torque as (select b, {mean('n')} mean_, max(greatest(abs(n0), abs(n1))) peak, sum(dt) valid from part group by b) select * from torque left join energy using (b)""")
        scale = repr(RAD_S_PER_RPM / 3600)
        out |= {"shaft_out_wh": zero(f"shaft.above * {scale}"), "shaft_in_wh": zero(f"shaft.below * {scale}"), "shaft_valid_s": zero("shaft.valid"),
                "torque_mean_n_m": "shaft.mean_", "torque_peak_n_m": "shaft.peak", "torque_valid_s": zero("shaft.valid")}
    if s.has("motor", "command_pct"):
        source = f"select t, case when c > {COMMAND_PCT} then 1 when c < -{COMMAND_PCT} then -1 else 0 end v from ({rows('mine', c='command_pct')})"
        s.make("command", states(source, LIMIT["command_pct"], on_s="v <> 0"))
        out["command_on_s"] = zero("command.on_s")
        commands.append(f"run{len(commands)}")
        s.make(commands[-1], runs(source, LIMIT["command_pct"]))
    for name, column in (("winding", "winding_temp_c"), ("controller", "controller_temp_c")):
        if s.has("motor", column):
            s.level(name, "slow", column, "mean")
            out |= {f"{name}_mean_c": f"{name}.m", f"{name}_max_c": f"{name}.most", f"{name}_valid_s": zero(f"{name}.valid")}
    if s.has("motor", "fault"):
        s.make("faulty", states(rows("slow", v="fault"), LIMIT["fault"], on_s="v <> 0"))
        out["fault_on_s"] = zero("faulty.on_s")
    return s.bins(out, None, f", '{position}' as position")


if __name__ == "__main__":
    root, out = sys.argv[1:3]
    con = duckdb.connect()
    con.execute("set threads = 1; set enable_progress_bar = false; set preserve_insertion_order = true")
    rollup = Rollup()
    for session in sessions(root):
        s, columns, motors, commands = Session(con, root, session), {}, [], []
        motion(s, columns)
        engine(s, columns)
        pack(s, columns)
        if s.has("motor", "t_us"):
            for i, position in enumerate(POSITIONS):
                motors.append(motor(s, position, commands))
                s.con.execute(f"{'create or replace temp table motors as' if i == 0 else 'insert into motors'} select * from joined")
            s.con.execute(f"copy motors to '{place(out, 'motor_ledger', session)}' (format parquet, compression snappy)")
        if commands:
            s.make("assist", any_of(commands))
            columns |= {"assist_on_s": zero("assist.on_s"), "regen_on_s": zero("assist.regen_s"), "assist_valid_s": zero("assist.valid")}
        if s.has("ambient", "temp_c"):
            s.level("weather", "ambient", "temp_c", "mean")
            columns["ambient_c"] = "weather.m"
        ledger = s.bins(columns, place(out, "ledger", session))
        rollup.add(session, ledger["t_us"], ledger, motors)
    rollup.write(out)
