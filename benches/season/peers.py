"""A simplified version of a run, for comparison: a filter of five conditions and bilinear
sums of the correction, over all rides. No delay, no surface, no findings, no guards.

Prints the time of the work in seconds, imports left out, and a line to check the sums by.
"""

import csv
import glob
import os
import sys
import time

NEEDED = ["rpm", "throttle_pct", "lambda", "lambda_target", "engine_temp_c", "fuel_cut"]
WARM_C, RUNNING_RPM, LEAST, MOST = 75.0, 800.0, 0.65, 1.55


def axes(season):
    with open(os.path.join(season, "maps/power/fuel.csv")) as file:
        rows = list(csv.reader(file))
    return [float(row[0]) for row in rows[1:]], [float(load) for load in rows[0][1:]]


def polars_streaming(season, threads):
    import polars as pl

    rpms, loads = axes(season)
    begun = time.perf_counter()

    def place(column, axis):
        x = pl.col(column).clip(axis[0], axis[-1])
        at = sum((x >= b).cast(pl.Int32) for b in axis[1:-1])
        low = pl.lit(axis[0])
        width = pl.lit(axis[1] - axis[0])
        for i in range(1, len(axis) - 1):
            low = pl.when(x >= axis[i]).then(axis[i]).otherwise(low)
            width = pl.when(x >= axis[i]).then(axis[i + 1] - axis[i]).otherwise(width)
        return at, (x - low) / width

    i, u = place("rpm", rpms)
    j, v = place("throttle_pct", loads)
    kept = (
        pl.scan_csv(os.path.join(season, "rides/r1/*.csv"))
        .select(NEEDED)
        .filter(
            (pl.col("engine_temp_c") >= WARM_C)
            & (pl.col("rpm") >= RUNNING_RPM)
            & (pl.col("lambda") > LEAST)
            & (pl.col("lambda") < MOST)
            & (pl.col("fuel_cut") == 0)
        )
        .select(i.alias("i"), j.alias("j"), u.alias("u"), v.alias("v"),
                (pl.col("lambda") / pl.col("lambda_target")).alias("c"))
    )
    corners = []
    for name, weight in [("00", (1 - pl.col("u")) * (1 - pl.col("v"))), ("01", (1 - pl.col("u")) * pl.col("v")),
                         ("10", pl.col("u") * (1 - pl.col("v"))), ("11", pl.col("u") * pl.col("v"))]:
        corners += [weight.sum().alias("w" + name), (weight * pl.col("c")).sum().alias("c" + name),
                    (weight * pl.col("c") ** 2).sum().alias("q" + name)]
    found = kept.group_by("i", "j").agg(corners).collect(engine="streaming")
    took = time.perf_counter() - begun
    return took, sum(found["w" + n].sum() for n in ("00", "01", "10", "11")), sum(
        found["c" + n].sum() for n in ("00", "01", "10", "11"))


def duckdb_sql(season, threads):
    import duckdb

    rpms, loads = axes(season)
    begun = time.perf_counter()
    connection = duckdb.connect()
    connection.execute(f"SET threads = {threads}")

    def place(column, axis):
        x = f"least(greatest({column}, {axis[0]}), {axis[-1]})"
        at = " + ".join(f"({x} >= {b})::INT" for b in axis[1:-1])
        cases = "".join(f" WHEN {x} >= {axis[k]} THEN ({x} - {axis[k]}) / {axis[k + 1] - axis[k]}"
                        for k in range(len(axis) - 2, 0, -1))
        return at, f"CASE{cases} ELSE ({x} - {axis[0]}) / {axis[1] - axis[0]} END"

    i, u = place("rpm", rpms)
    j, v = place("throttle_pct", loads)
    weights = {"00": "(1 - u) * (1 - v)", "01": "(1 - u) * v", "10": "u * (1 - v)", "11": "u * v"}
    sums = ", ".join(f"sum({w}) w{n}, sum({w} * c) c{n}, sum({w} * c * c) q{n}" for n, w in weights.items())
    rides = os.path.join(season, "rides/r1/*.csv")
    found = connection.execute(
        f"""SELECT i, j, {sums} FROM (
              SELECT {i} AS i, {j} AS j, {u} AS u, {v} AS v, "lambda" / lambda_target AS c
              FROM read_csv('{rides}', header = true)
              WHERE engine_temp_c >= {WARM_C} AND rpm >= {RUNNING_RPM} AND "lambda" > {LEAST}
                AND "lambda" < {MOST} AND fuel_cut = 0)
            GROUP BY i, j""").fetchnumpy()
    took = time.perf_counter() - begun
    return took, sum(found["w" + n].sum() for n in weights), sum(found["c" + n].sum() for n in weights)


def pandas_numpy(season, threads):
    import numpy as np
    import pandas as pd

    rpms, loads = (np.array(axis) for axis in axes(season))
    begun = time.perf_counter()
    size = len(rpms) * len(loads)
    sums = np.zeros((3, size))
    for path in sorted(glob.glob(os.path.join(season, "rides/r1/*.csv"))):
        ride = pd.read_csv(path, usecols=NEEDED)
        ride = ride[(ride["engine_temp_c"] >= WARM_C) & (ride["rpm"] >= RUNNING_RPM) & (ride["lambda"] > LEAST)
                    & (ride["lambda"] < MOST) & (ride["fuel_cut"] == 0)]
        places = []
        for column, axis in [("rpm", rpms), ("throttle_pct", loads)]:
            x = np.clip(ride[column].to_numpy(dtype=float), axis[0], axis[-1])
            at = np.clip(np.searchsorted(axis, x, side="right") - 1, 0, len(axis) - 2)
            places.append((at, (x - axis[at]) / (axis[at + 1] - axis[at])))
        (i, u), (j, v) = places
        c = (ride["lambda"] / ride["lambda_target"]).to_numpy()
        for di, wi in ((0, 1 - u), (1, u)):
            for dj, wj in ((0, 1 - v), (1, v)):
                cell, w = (i + di) * len(loads) + j + dj, wi * wj
                for n, weight in enumerate((w, w * c, w * c * c)):
                    sums[n] += np.bincount(cell, weight, size)
    took = time.perf_counter() - begun
    return took, sums[0].sum(), sums[1].sum()


PEERS = {"polars": polars_streaming, "duckdb": duckdb_sql, "pandas": pandas_numpy}

if __name__ == "__main__":
    name, season, threads = sys.argv[1:4]
    took, weight, corrected = PEERS[name](season, int(threads))
    print(f"{took:.6f} {weight:.3f} {corrected / weight:.9f}")
