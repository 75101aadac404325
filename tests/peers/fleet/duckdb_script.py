"""DuckDB, tuned: one session at a time in file order (a streaming lag, no sort), trips as literals. See common.py."""
import sys

import duckdb

from common import *

BEFORE = "lag(t_us) over () tp"


def one(con, root, session):
    p = lambda table: f"read_parquet('{path(root, table, session)}', hive_partitioning = false)"
    ask = lambda text: con.execute(text).fetchall()
    con.execute(f"create or replace temp table speed as select t_us, wheel_speed_m_s v from {p('motion')} where wheel_speed_m_s is not null")
    trips = ask(f"""with m as (select t_us, t_us - lag(t_us) over () > {int(GAP * 1e6)} brk from speed where v >= {MOVE}),
        n as (select t_us, sum(coalesce(brk, false)::int) over (rows unbounded preceding) k from m)
        select min(t_us), max(t_us) from n group by k order by 1""")
    if not trips:
        return session, [], 0.0, 0.0
    case = "case " + " ".join(f"when tp >= {a} and t_us <= {b} then {i}" for i, (a, b) in enumerate(trips)) + " end"
    con.execute(f"""create or replace temp table motor as select t_us, position = 'rear-left' lft, command_pct c, winding_temp_c w from {p('motor')}
        where command_pct is not null or winding_temp_c is not null""")
    con.execute("create or replace temp table cmd as select t_us, c > 1.0 on_ from motor where lft and c is not null")

    def split(source, value, cap):
        return {r[0]: [x or 0.0 for x in r[1:]] for r in ask(f"""with i as ({source}), k as (select tp, {value} x, {case} k from i where (t_us - tp) / 1e6 <= {cap}),
            a as (select k.*, case when tp - cmd.t_us <= {int(STALE * 1e6)} then on_ end st from k asof left join cmd on k.tp >= cmd.t_us where k is not null)
            select k, sum(x), sum(x) filter (st), sum(x) filter (not st) from a group by k""")}

    moved = f"select t_us, {BEFORE}, v, lag(v) over () v0 from speed"
    metres = "0.5 * (v + v0) * ((t_us - tp) / 1e6)"
    distance = split(moved, metres, SPEED_CAP)
    fuel = split(f"""select t_us, {BEFORE}, fuel_count n, lag(fuel_count) over () n0, fuel_temp_c f from {p('engine')} where fuel_count is not null and fuel_temp_c is not null""",
                 f"((n - n0 + {MODULUS}) % {MODULUS}) * {ML_PER_PULSE!r} / (1.0 + {EXPANSION} * (f - 15.0))", FUEL_CAP)
    con.execute(f"""create or replace temp table pk as with i as (select t_us, {BEFORE}, voltage_v u, current_a i, lag(voltage_v) over () u0, lag(current_a) over () i0
        from {p('pack')} where voltage_v is not null and current_a is not null)
        select t_us, tp, (t_us - tp) / 1e6 * (2 * u0 * i0 + 2 * u * i + u0 * i + u * i0) / 6 / 3600 wh from i where (t_us - tp) / 1e6 <= {PACK_CAP}""")
    pack = {r[0]: r[1:] for r in ask(f"select {case} k, sum(greatest(wh, 0)), sum(greatest(-wh, 0)) from pk group by 1")}
    heat, inside = {}, case.replace("tp >=", "t_us >=")
    for side, mask in (("left", "lft"), ("right", "not lft")):
        rows = ask(f"""with i as (select t_us, {BEFORE}, w, lag(w) over () h from motor where {mask} and w is not null),
            k as (select *, {inside} k1, case when (t_us - tp) / 1e6 <= {WINDING_CAP} then {case} end k from i)
            select k1, max(w), coalesce(sum((t_us - tp) / 1e6) filter (h > {HOT} and k is not null), 0),
            coalesce(sum((t_us - tp) / 1e6 * exp({B_K} * (1 / {T0_K} - 1 / (h + 273.15))) / {L0_S}) filter (k is not null), 0) from k where k1 is not null group by k1""")
        heat[side] = {r[0]: r[1:] for r in rows}
    found, nan = [], float("nan")
    for i, (a, b) in enumerate(trips):
        row = dict(start_us=a, end_us=b) | dict(zip(("dist_m", "dist_assist_m", "dist_plain_m"), distance.get(i, [0.0] * 3)))
        row |= dict(zip(("fuel_ml", "fuel_assist_ml", "fuel_plain_ml"), fuel.get(i, [0.0] * 3))) | dict(zip(("pack_out_wh", "pack_in_wh"), pack.get(i, (0.0, 0.0))))
        for side in ("left", "right"):
            row |= dict(zip((f"{side}_max_c", f"{side}_hot_s", f"{side}_life"), heat[side].get(i, (nan, 0.0, 0.0))))
        found.append(row)
    day_m = ask(f"with i as ({moved}) select sum({metres}) from i where (t_us - tp) / 1e6 <= {SPEED_CAP}")[0][0]
    day_wh = ask("select sum(wh) from pk")[0][0] or 0.0
    return session, found, day_m, day_wh


if __name__ == "__main__":
    root, out = sys.argv[1:3]
    con = duckdb.connect()
    con.execute("set threads = 1; set enable_progress_bar = false; set preserve_insertion_order = true")
    write(out, [one(con, root, s) for s in sessions(root)])
