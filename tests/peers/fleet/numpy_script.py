"""numpy over pyarrow columns. See common.py."""
import sys

import numpy as np
import pyarrow.parquet as pq

from common import *


def read(root, table, session, columns):
    found = pq.ParquetFile(path(root, table, session)).read(columns=columns, use_threads=False)
    return [found[c] for c in columns]


def known(t, *columns):
    """Times and values of the rows in which every column has one."""
    mask = np.asarray(columns[0].is_valid())
    for c in columns[1:]:
        mask &= np.asarray(c.is_valid())
    return [t[mask]] + [np.asarray(c.filter(mask), dtype=float) for c in columns]


def one(root, session):
    t, v = known(*[a if i else a.to_numpy() for i, a in enumerate(read(root, "motion", session, ["t_us", "wheel_speed_m_s"]))])
    moving = t[v >= MOVE]
    if not moving.size:
        return session, [], 0.0, 0.0
    cut = np.flatnonzero(np.diff(moving) > GAP * 1e6)
    start, end = moving[np.r_[0, cut + 1]], moving[np.r_[cut, moving.size - 1]]
    n = start.size

    def trip(a, b):
        i = np.searchsorted(start, a, side="right") - 1
        return np.where((i >= 0) & (b <= end[np.maximum(i, 0)]), i, -1)

    mt, position, command, winding = read(root, "motor", session, ["t_us", "position", "command_pct", "winding_temp_c"])
    mt = mt.to_numpy()
    left = np.concatenate([(c.indices.to_numpy() == c.dictionary.to_pylist().index("rear-left")) for c in position.chunks])
    mask = np.asarray(command.is_valid()) & left
    ct, on = mt[mask], np.asarray(command.filter(mask), dtype=float) > 1.0

    def state(a):
        i = np.searchsorted(ct, a, side="right") - 1
        fresh = (i >= 0) & (a - ct[np.maximum(i, 0)] <= STALE * 1e6)
        return np.where(fresh, on[np.maximum(i, 0)].astype(int), 2)

    def split(tt, values, cap):
        k, ok = trip(tt[:-1], tt[1:]), np.diff(tt) <= cap * 1e6
        ok &= k >= 0
        k, x, s = k[ok], values[ok], state(tt[:-1][ok])
        return np.bincount(k, x, n), np.bincount(k, x * (s == 1), n), np.bincount(k, x * (s == 0), n)

    dt = np.diff(t) / 1e6
    metres = 0.5 * (v[1:] + v[:-1]) * dt
    distance = split(t, metres, SPEED_CAP)
    ft, count, temp = known(*[a if i else a.to_numpy() for i, a in enumerate(read(root, "engine", session, ["t_us", "fuel_count", "fuel_temp_c"]))])
    pulses = np.mod(np.diff(count), MODULUS)
    fuel = split(ft, pulses * ML_PER_PULSE / (1.0 + EXPANSION * (temp[1:] - 15.0)), FUEL_CAP)
    pt, volt, amp = known(*[a if i else a.to_numpy() for i, a in enumerate(read(root, "pack", session, ["t_us", "voltage_v", "current_a"]))])
    dp = np.diff(pt) / 1e6
    wh = dp * (2 * volt[:-1] * amp[:-1] + 2 * volt[1:] * amp[1:] + volt[:-1] * amp[1:] + volt[1:] * amp[:-1]) / 6 / 3600
    k = trip(pt[:-1], pt[1:])
    near = dp <= PACK_CAP
    ok = near & (k >= 0)
    out, into = np.bincount(k[ok], np.maximum(wh[ok], 0), n), np.bincount(k[ok], np.maximum(-wh[ok], 0), n)
    heat = {}
    for name, side in (("left", left), ("right", ~left)):
        mask = np.asarray(winding.is_valid()) & side
        tt, c = mt[mask], np.asarray(winding.filter(mask), dtype=float)
        d, k = np.diff(tt) / 1e6, trip(tt[:-1], tt[1:])
        ok = (k >= 0) & (d <= WINDING_CAP)
        h, w, kk = c[:-1][ok], d[ok], k[ok]
        most, inside = np.full(n, np.nan), trip(tt, tt)
        for i in range(n):
            here = c[inside == i]
            most[i] = here.max() if here.size else np.nan
        heat[name] = np.bincount(kk, w * (h > HOT), n), np.bincount(kk, w * np.exp(B_K * (1 / T0_K - 1 / (h + 273.15))) / L0_S, n), most
    trips = [dict(start_us=int(start[i]), end_us=int(end[i]), dist_m=distance[0][i], dist_assist_m=distance[1][i], dist_plain_m=distance[2][i],
                  fuel_ml=fuel[0][i], fuel_assist_ml=fuel[1][i], fuel_plain_ml=fuel[2][i], pack_out_wh=out[i], pack_in_wh=into[i],
                  left_hot_s=heat["left"][0][i], left_life=heat["left"][1][i], left_max_c=heat["left"][2][i],
                  right_hot_s=heat["right"][0][i], right_life=heat["right"][1][i], right_max_c=heat["right"][2][i]) for i in range(n)]
    return session, trips, metres[dt <= SPEED_CAP].sum(), wh[near].sum()


if __name__ == "__main__":
    root, out = sys.argv[1:3]
    write(out, [one(root, s) for s in sessions(root)])
