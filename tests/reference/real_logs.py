#!/usr/bin/env python3
"""Sends open logs of real cars through the filters' documented rules, with pandas alone.

    venv/bin/python real_logs.py [FOLDER]            # write real_logs.json and the excerpt beside it
    venv/bin/python real_logs.py --check [FOLDER]    # write nothing; fail if a file would change

What enters: a folder with the raw logs (else RIDELOOP_REAL_LOGS, else `../shared/data` beside the
repository). A log is known by its SHA-256, whatever its name, and none is copied, but for the
excerpt in real_log/, whose licence allows it. What leaves: per log what stands in every channel
(a hash of all its values, how many there are, their mean), which the tool must read through the
logger in real_log/loggers; per log and settings the rows at every step by reason, the median
correction, and what stands in every cell of a coarse table. With --check a log that is not in the
folder keeps its numbers unchecked, and the script says so.

The rules are those of `rideloop stages` and of the docs of `rate`, `hold` and `accumulate`, done
another way: state by forward fill instead of a loop, windows by merge_asof or, on a whole-second
clock, scipy.ndimage, weights by scipy, robust weights and errors by statsmodels. These are cars'
OBD logs: they check reading and arithmetic, never the truth of a map.
"""

import hashlib
import json
import os
import platform
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import scipy
import statsmodels
import statsmodels.api as sm
from scipy import ndimage, stats
from scipy.interpolate import RegularGridInterpolator
from statsmodels.robust.norms import HuberT

HERE = Path(__file__).resolve().parent
EXCERPT = HERE / "real_log" / "petrol_turbo.csv"
JSON = HERE / "real_logs.json"

VERSIONS = {
    "python": platform.python_version(),
    "numpy": np.__version__,
    "scipy": scipy.__version__,
    "pandas": pd.__version__,
    "statsmodels": statsmodels.__version__,
}

# Constants of the tool's documentation that are no settings.
TEMP_LASTS_S = 10.0  # warm: a temperature stays known
LONGEST_GAP_S = 2.0  # transients: beyond this nobody knows what happened
FULL_ENOUGH = 0.6  # rate: the share of a window that tells a slope
TARGET_LASTS_S = 1.0  # correction: a logged target stays known
TARGET_LAMBDA = (0.5, 1.6)  # correction: a logged target outside is none
TARGET_AGREES = 0.04  # correction: further from the mixture table, nobody knows

# --------------------------------------------------------------------------- the logs

# The channels in the order of the columns that stand for them.
TRIMS = {
    0: "time_s", 1: "rpm", 3: "throttle_pct", 5: "engine_temp_c", 6: "long_pct", 7: "short_pct",
    8: "map_kpa", 15: "baro_kpa", 17: "air_temp_c", 21: "battery_v",
}  # fmt: skip
DRIVE = {1: "engine_temp_c", 2: "map_kpa", 3: "rpm", 4: "speed_kph", 5: "air_temp_c", 7: "throttle_pct"}
SPARSE = {"rpm": "rpm", "map": "map_kpa", "ect": "engine_temp_c", "tps": "throttle_pct"}
HELD = SPARSE | {"stft1": "short_pct", "ltft1": "long_pct", "lambda_wb": "lambda", "lambda_cmd": "lambda_target"}
PHONE = {"Vehicle speed": "speed_kph"}
HELD_S = 600.0  # so long a logger may hold a value


def from_the_start(time_s, start_s):
    """Seconds from the first row of the log, whole microseconds, half of one upwards."""
    return np.floor((time_s - start_s) * 1e6 + 0.5) / 1e6


def with_trim(frame):
    """Short and long term multiply; the tool's channel holds what both add."""
    both = (1.0 + frame.short_pct / 100.0) * (1.0 + frame.long_pct / 100.0)
    return frame.drop(columns=["short_pct", "long_pct"]).assign(trim_pct=(both - 1.0) * 100.0)


def read_trims(path):
    raw = pd.read_csv(path, header=None, skiprows=1, usecols=list(TRIMS), dtype=float)
    frame = with_trim(raw.rename(columns=TRIMS))
    return frame.assign(time_s=from_the_start(frame.time_s, frame.time_s[0]))


def read_drive(path):
    raw = pd.read_csv(path, header=None, skiprows=1, encoding="latin-1")
    clock = pd.to_timedelta(raw[0])
    time_s = (clock - clock.iloc[0]) / pd.Timedelta(1, "s")
    return raw[list(DRIVE)].rename(columns=DRIVE).assign(time_s=time_s)


def one_row_a_time(raw, time, name, value, names):
    """One row a value becomes one row of all values of a time; of two the later stands."""
    start_s = raw[time].iloc[0]
    raw = raw[raw[name].isin(names)].drop_duplicates([time, name], keep="last")
    frame = raw.pivot(index=time, columns=name, values=value).rename(columns=names).reset_index(names="time_s")
    return frame.assign(time_s=from_the_start(frame.time_s, start_s))


def read_bus(path, names):
    return one_row_a_time(pd.read_csv(path), "t_s", "signal", "value", names)


def read_held(path):
    frame = read_bus(path, HELD)
    for channel in set(HELD.values()):
        assert frame.time_s[frame[channel].notna()].diff().max() <= HELD_S, "no log here holds a value for so long"
    return with_trim(frame.ffill())


def read_phone(path):
    raw = pd.read_csv(path, sep=";")
    return one_row_a_time(raw, "SECONDS", "PID", "VALUE", PHONE)


# By the loggers in real_log/loggers.
READERS = {
    "petrol_trims": read_trims, "drive_obd": read_drive, "phone": read_phone,
    "bus_held": read_held, "bus_sparse": lambda path: read_bus(path, SPARSE),
}  # fmt: skip


def with_lambda(frame):
    """What the filters get. A log without lambda gets 1 throughout: in closed loop the controller
    holds the wanted one, and in the others nothing is judged by it. A log with it is taken from
    where all its channels are known."""
    if "lambda" in frame:
        return frame.dropna().reset_index(drop=True)
    return frame.assign(**{"lambda": 1.0})


# The excerpt: from the cold engine well into the warm drive, s, and the signals a case needs.
EXCERPT_S = (1.0, 800.0)
EXCERPT_FROM = "0248291775eae692f56f406d725b0228ef5645dfb2857f6e556bc3fd5c250d53"


def excerpt_text(path):
    raw = pd.read_csv(path, dtype=str)
    time_s = raw.t_s.astype(float)
    kept = raw[raw.signal.isin(HELD) & time_s.between(*EXCERPT_S)]
    return kept.to_csv(index=False, lineterminator="\n")


# --------------------------------------------------------------------------- the cases

ALIGN = {"running_rpm": 400.0}
WARM = {"engine_temp_c": 80.0, "hysteresis_c": 3.0, "settle_s": 60.0, "sensor_warmup_s": 90.0}
USUAL_WARM = {"engine_temp_c": 75.0, "hysteresis_c": 5.0, "settle_s": 30.0, "sensor_warmup_s": 25.0}
# Around where this coolant is held, so that it becomes warm again and again.
ON_THE_EDGE = WARM | {"engine_temp_c": 88.0, "hysteresis_c": 2.0}
FALLS_BACK = WARM | {"engine_temp_c": 84.0, "hysteresis_c": 1.0}
EARLY = WARM | {"engine_temp_c": 40.0, "settle_s": 10.0, "sensor_warmup_s": 300.0}
TRIM = {"largest_trim_pct": 10.0}
SLOW = {
    "throttle_pct_per_s": 2.0, "rpm_per_s": 120.0, "map_kpa_per_s": 4.0,
    "window_s": 2.5, "hold_before_s": 1.0, "hold_after_s": 3.0,
}  # fmt: skip
USUAL_TRANSIENTS = {
    "throttle_pct_per_s": 12.0, "rpm_per_s": 900.0, "map_kpa_per_s": 40.0,
    "window_s": 0.25, "hold_before_s": 0.25, "hold_after_s": 0.8,
}  # fmt: skip
AVERAGE = {"outlier_k": 1.345, "noise_floor_pct": 0.5, "dwell_gap_s": 1.0}
PETROL = {"rpm": [700.0, 1000.0, 1500.0, 2000.0, 2500.0], "map_kpa": [20.0, 30.0, 45.0, 70.0, 100.0]}
BOOSTED = {"rpm": [800.0, 1200.0, 1600.0, 2200.0, 3000.0], "map_kpa": [30.0, 60.0, 100.0, 150.0, 250.0]}


def stages(**changed):
    all_stages = {"align": ALIGN, "warm": WARM, "closed_loop": TRIM, "transients": SLOW, "average": AVERAGE}
    return {name: changed.get(name, settings) for name, settings in all_stages.items() if changed.get(name, settings)}


USUAL = stages(warm=USUAL_WARM, closed_loop={}, transients=USUAL_TRANSIENTS)
# alias, SHA-256, logger, axes, stages
CASES = [
    ("petrol car, city drive", "7df8f70ca69cfc0ad9c462cd1fa3f60ad6742d6b9a91fba0066be692eeb57691", "petrol_trims", PETROL, stages(warm=ON_THE_EDGE)),
    ("petrol car, long drive", "d736fba8162f2e660b45bc53fc7895f0787a02d33fef7fdbd2a5f6ffb4c83cb6", "petrol_trims", PETROL, stages()),
    ("petrol car, idle", "6c6479eab43ea60c8684f5de3039ea80fa89932d43ab276b9485880b1a4567e0", "petrol_trims", PETROL, stages(warm=EARLY)),
    ("petrol car, three titles too many", "c5e48eafc28544ff91f19cd8784b231926d78a5bedfc04ad75998bd42758c0f1", "petrol_trims", PETROL, stages()),
    ("diesel car, drive to warm", "9c7a6c43be05a4bd25b1d11f1a30daf7671bbb287b9cd4e42501d3865fdb9606", "drive_obd", BOOSTED, USUAL),
    ("diesel car, never warm", "d88e7985cf63f803afa9c8440da4abc9b65b7e254e0d983be73dbedb8e6802c4", "drive_obd", BOOSTED, USUAL),
    (
        "diesel car, never warm, taken for warm at 50 °C",
        "d88e7985cf63f803afa9c8440da4abc9b65b7e254e0d983be73dbedb8e6802c4",
        "drive_obd",
        BOOSTED,
        stages(warm=USUAL_WARM | {"engine_temp_c": 50.0}, closed_loop={}, transients=USUAL_TRANSIENTS),
    ),
    (
        "petrol turbo car, cold start, one value a row",
        "4fb1dde31010dd5366ae6c2a24b9ca20410bca29042b7830fb710682b149a7f5",
        "bus_sparse",
        BOOSTED,
        stages(align={}, warm=USUAL_WARM, closed_loop={}, transients=USUAL_TRANSIENTS | {"window_s": 0.8}),
    ),
    ("petrol turbo car with lambda, whole", EXCERPT_FROM, "bus_held", BOOSTED, stages(warm=FALLS_BACK, transients=USUAL_TRANSIENTS)),
    ("petrol turbo car with lambda, excerpt", None, "bus_held", BOOSTED, stages(transients=USUAL_TRANSIENTS)),
]

# Logs that are read and sent through no filter: alias, SHA-256, logger.
READ_ONLY = [
    ("diesel car by phone, one row a value", "fd6ab42488e1e527baeb8b0631320a05d43dd13270befb5a4e6b79238a419454", "phone"),
]

# Reasons that these logs and settings must show; no log here lacks a trim or a temperature.
EXPECTED = {
    "duplicate_time", "no_operating_point", "engine_stopped", "engine_cold", "warm_settling", "sensor_warming",
    "trim_too_large", "transient", "near_transient", "target_disagrees", "no_correction",
}  # fmt: skip

# --------------------------------------------------------------------------- the rules


def at_the_door(frame):
    """Times must ascend strictly; a first row of each time is kept."""
    highest_before = frame.time_s.cummax().shift(fill_value=-np.inf)
    twice = frame.time_s == highest_before
    back = frame.time_s < highest_before
    following = frame.time_s.shift(-1)
    assert not ((following < frame.time_s) & (following > highest_before)).any(), "no log here has an odd time"
    dropped = {"duplicate_time": int(twice.sum()), "time_goes_back": int(back.sum())}
    return frame[~(twice | back)].reset_index(drop=True), {k: n for k, n in dropped.items() if n}


def nearest(time_s, known_s, direction, within_s):
    """Position in `known_s` of the nearest time on one side, -1 where none lies within reach."""
    left = pd.DataFrame({"t": time_s})
    right = pd.DataFrame({"t": known_s, "at": np.arange(len(known_s))})
    found = pd.merge_asof(left, right, on="t", direction=direction, tolerance=within_s)
    return found["at"].fillna(-1).astype(int).to_numpy()


def held(frame, channel, lasts_s):
    known = frame.loc[frame[channel].notna(), ["time_s", channel]]
    at = nearest(frame.time_s, known.time_s.to_numpy(), "backward", lasts_s)
    return pd.Series(np.where(at >= 0, known[channel].to_numpy()[at], np.nan))


def align(frame, settings, axes, **_):
    """The bike has no delay, so only what cannot be placed goes."""
    load = frame.map_kpa
    yield "no_operating_point", frame.rpm.isna() | load.isna()
    yield "engine_stopped", frame.rpm < settings["running_rpm"]
    off = pd.Series(False, index=frame.index)
    for values, axis in [(frame.rpm, axes["rpm"]), (load, axes["map_kpa"])]:
        off |= (values < 2 * axis[0] - axis[1]) | (values > 2 * axis[-1] - axis[-2])
    yield "off_the_table", off
    assert frame["lambda"].notna().all()


def warm(frame, settings, **_):
    temp = held(frame, "engine_temp_c", TEMP_LASTS_S)
    threshold = settings["engine_temp_c"]
    state = pd.Series(np.nan, index=frame.index)
    state[temp >= threshold] = 1.0
    state[temp < threshold - settings["hysteresis_c"]] = 0.0
    state = state.ffill().fillna(0.0)
    since = frame.time_s.where(state.diff().fillna(state) == 1.0).ffill()
    yield "engine_temp_missing", temp.isna()
    yield "engine_cold", state == 0.0
    yield "warm_settling", frame.time_s - since < settings["settle_s"]
    yield "sensor_warming", frame.time_s - frame.time_s[0] < settings["sensor_warmup_s"]


def closed_loop(frame, settings, **_):
    yield "trim_missing", frame.trim_pct.isna()
    yield "trim_too_large", frame.trim_pct.abs() > settings["largest_trim_pct"]


def steepest_rate(frame, channel, window_s):
    """Slopes over windows that end at a reading; each counts from the reading before that end to the
    end, and at the reading where its window begins."""
    known = frame.loc[frame[channel].notna(), ["time_s", channel]].set_axis(["t", "v"], axis=1)
    known["row"] = known.index
    known["stretch"] = (known.t.diff() > LONGEST_GAP_S).cumsum()
    begins = known.assign(begin_row=known.row, begin_t=known.t, begin_v=known.v)
    begins = begins[["t", "stretch", "begin_row", "begin_t", "begin_v"]]
    ends = known.assign(t=known.t - window_s)
    found = pd.merge_asof(ends, begins, on="t", by="stretch").set_index("row")
    first = begins.groupby("stretch").first().loc[found.stretch]
    for name in ["begin_row", "begin_t", "begin_v"]:
        found[name] = found[name].fillna(pd.Series(first[name].to_numpy(), index=found.index))
    t = known.set_index("row").t
    span = t - found.begin_t
    full = (span > 0.0) & (span >= FULL_ENOUGH * window_s)
    slope = ((found.v - found.begin_v).abs() / span.where(full)).fillna(0.0)
    slope[t.diff() > LONGEST_GAP_S] = np.inf
    to_the_end = slope.reindex(frame.index).bfill().fillna(0.0)
    from_before = slope.shift(-1).reindex(frame.index).fillna(0.0)
    where_it_begins = slope[full].groupby(found.begin_row[full]).max().reindex(frame.index).fillna(0.0)
    return pd.concat([to_the_end, from_before, where_it_begins], axis=1).max(axis=1)


def transients(frame, settings, **_):
    limits = {"rpm": "rpm_per_s", "throttle_pct": "throttle_pct_per_s", "map_kpa": "map_kpa_per_s"}
    moving = pd.Series(False, index=frame.index)
    for channel, limit in limits.items():
        moving |= steepest_rate(frame, channel, settings["window_s"]) > settings[limit]
    when = frame.time_s[moving].to_numpy()
    before_s, after_s = settings["hold_before_s"], settings["hold_after_s"]
    near = (nearest(frame.time_s, when, "backward", after_s) >= 0) | (
        nearest(frame.time_s, when, "forward", before_s) >= 0
    )
    if (frame.time_s % 1.0 == 0.0).all():
        # A whole-second clock is a raster, and the hold a dilation of it.
        second = frame.time_s.astype(int).to_numpy()
        raster = np.zeros(second[-1] + 1, dtype=bool)
        raster[second[moving]] = True
        reach = int(max(before_s, after_s))
        offset = np.arange(-reach, reach + 1)
        footprint = (offset >= -before_s) & (offset <= after_s)
        assert (ndimage.binary_dilation(raster, footprint)[second] == near).all(), "two ways to hold differ"
    yield "transient", moving
    yield "near_transient", near


def clamped(axes, values):
    """A table read between its breakpoints, at its edge outside, and nowhere without a point."""
    rpm_axis, load_axis = axes["rpm"], axes["map_kpa"]
    table = RegularGridInterpolator((rpm_axis, load_axis), values)

    def look_up(rpm, load):
        at = np.c_[np.clip(rpm, rpm_axis[0], rpm_axis[-1]), np.clip(load, load_axis[0], load_axis[-1])]
        known = np.isfinite(at).all(axis=1)
        out = np.full((len(at), *np.shape(values)[2:]), np.nan)
        out[known] = table(at[known])
        return out

    return look_up


def correction(frame, mixture):
    """The factor each row asks for, and why some ask for nothing."""
    table = pd.Series(mixture(frame.rpm, frame.map_kpa), index=frame.index)
    target = held(frame, "lambda_target", TARGET_LASTS_S) if "lambda_target" in frame else table * np.nan
    target = target.where(target.between(*TARGET_LAMBDA))
    trim = frame.trim_pct if "trim_pct" in frame else 0.0
    factor = (1.0 + trim / 100.0) * frame["lambda"] / target.fillna(table)
    asks = np.isfinite(factor) & (factor > 0.0) & frame.rpm.notna() & frame.map_kpa.notna()
    return factor, [("target_disagrees", (target / table - 1.0).abs() > TARGET_AGREES), ("no_correction", ~asks)]


def middle(x, w):
    return float(np.quantile(x, 0.5, weights=w, method="inverted_cdf"))


def cells(samples, axes, fuel, interval_s, settings):
    """What stands behind each cell that a sample came near."""
    shape = (len(axes["rpm"]), len(axes["map_kpa"]))
    unit = np.eye(fuel.size).reshape(*shape, fuel.size)
    shares = clamped(axes, unit)(samples.rpm, samples.map_kpa)
    out = []
    for cell in np.flatnonzero((shares > 0.0).any(axis=0)):
        near = shares[:, cell] > 0.0
        f, share, t = samples.factor[near].to_numpy(), shares[near, cell], samples.time_s[near]
        centre = middle(f, share)
        spread = middle(np.abs(f - centre), share) / stats.norm.ppf(0.75)
        spread = max(spread, settings["noise_floor_pct"] / 100.0 * centre)
        w = share * interval_s * HuberT(t=settings["outlier_k"]).weights((f - centre) / spread)
        y = fuel.ravel()[cell] * f
        dwell = (t.diff() > 1.5 * interval_s + settings["dwell_gap_s"]).cumsum().to_numpy()
        error = None
        if dwell[-1] > 0:
            fit = sm.WLS(y, np.ones_like(y), weights=w).fit(cov_type="cluster", cov_kwds={"groups": dwell})
            error = float(fit.bse[0])
        out.append(
            {
                "cell": int(cell),
                "seconds": float(w.sum()),
                "mean": float(np.average(y, weights=w)),
                "effective_samples": float(w.sum() ** 2 / (w**2).sum()),
                "dwells": int(dwell[-1] + 1),
                "std_error_by_dwell": error,
            }
        )
    return out


RULES = {"align": align, "warm": warm, "closed_loop": closed_loop, "transients": transients}


def digest(values):
    """All values at once: SHA-256 of their little-endian doubles, with one kind of NaN and of zero."""
    doubles = np.where(np.isnan(values), np.nan, values + 0.0).astype("<f8")
    return hashlib.sha256(doubles.tobytes()).hexdigest()


def reading(alias, sha256, logger, path):
    raw = READERS[logger](path)
    frame, dropped = at_the_door(raw)
    channels = {
        name: {"present": int(frame[name].notna().sum()), "mean": float(frame[name].mean()), "sha256": digest(frame[name])}
        for name in sorted(frame.columns)
    }
    return {"name": alias, "sha256": sha256, "logger": logger, "rows": len(raw), "dropped": dropped, "channels": channels}


def run(alias, sha256, logger, axes, chosen, path):
    frame = with_lambda(at_the_door(READERS[logger](path))[0])
    steps = [{"stage": "read", "samples": len(frame), "kept": len(frame), "rejected": {}}]
    fate = pd.Series("", index=frame.index)

    def step(stage, reasons):
        samples = int((fate == "").sum())
        rejected = {}
        for reason, mask in reasons:
            new = (fate == "") & mask
            fate[new] = reason
            rejected |= {reason: int(new.sum())} if new.any() else {}
        steps.append({"stage": stage, "samples": samples, "kept": int((fate == "").sum()), "rejected": rejected})

    for stage, rule in RULES.items():
        if stage in chosen:
            step(stage, rule(frame, chosen[stage], axes=axes))
    rpm, load = np.meshgrid(np.arange(len(axes["rpm"])), np.arange(len(axes["map_kpa"])), indexing="ij")
    fuel = 50.0 + 4.0 * rpm + 3.0 * load
    wanted = np.where(np.array(axes["map_kpa"])[load] > 100.0, 0.95, 1.0)
    factor, reasons = correction(frame, clamped(axes, wanted))
    step("correction", reasons)
    kept = fate == ""
    samples = frame[kept].assign(factor=factor[kept])
    # the median; of an even count the upper of the two in the middle
    steps_s = np.sort(np.diff(frame.time_s))
    interval_s = float(steps_s[len(steps_s) // 2])
    return {
        "name": alias,
        "sha256": sha256,
        "logger": logger,
        "rpm": axes["rpm"],
        "map_kpa": axes["map_kpa"],
        "fuel": fuel.ravel().tolist(),
        "wanted": wanted.ravel().tolist(),
        "stages": chosen,
        "interval_s": interval_s,
        "steps": steps,
        "kept_rows_sha256": hashlib.sha256("".join("1" if k else "0" for k in kept).encode()).hexdigest(),
        "median_correction": middle(samples.factor, np.ones(len(samples))) if len(samples) else None,
        "cells": cells(samples, axes, fuel, interval_s, chosen["average"]) if len(samples) else [],
    }


# --------------------------------------------------------------------------- main


def found_in(folder):
    paths = sorted(folder.rglob("*.csv")) if folder.is_dir() else []
    return {hashlib.sha256(path.read_bytes()).hexdigest(): path for path in paths}


def main(arguments):
    # rendering and comparing are the same for both scripts
    from make_reference import alike, render

    checking = "--check" in arguments
    named = [a for a in arguments if a != "--check"]
    if len(named) > 1 or any(a.startswith("-") for a in named):
        sys.exit("usage: real_logs.py [--check] [FOLDER]")
    folder = Path(*(named or [os.environ.get("RIDELOOP_REAL_LOGS") or HERE.parents[2] / "shared" / "data"]))
    logs = found_in(folder)
    old = json.loads(JSON.read_text(encoding="utf-8")) if JSON.exists() else {"readings": [], "cases": []}
    stale = []

    if EXCERPT_FROM in logs:
        text = excerpt_text(logs[EXCERPT_FROM])
        if not checking:
            EXCERPT.write_text(text, encoding="utf-8", newline="\n")
        elif EXCERPT.read_bytes() != text.encode():
            stale.append(EXCERPT.name)

    cases, missing = [], []
    for alias, sha256, logger, axes, chosen in CASES:
        path = EXCERPT if sha256 is None else logs.get(sha256)
        if path is not None:
            cases.append(run(alias, sha256, logger, axes, chosen, path))
            continue
        missing.append(alias)
        cases += [case for case in old["cases"] if case["name"] == alias]
    readings = []
    # Once a log, whatever is done with it.
    of_each = {(sha256, logger): alias for alias, sha256, logger, *_ in reversed(CASES + READ_ONLY)}
    for (sha256, logger), alias in reversed(of_each.items()):
        path = EXCERPT if sha256 is None else logs.get(sha256)
        if path is not None:
            readings.append(reading(alias, sha256, logger, path))
            continue
        missing.append(alias)
        readings += [reading for reading in old["readings"] if reading["name"] == alias]
    if missing:
        print(f"not in {folder}, so not computed: {'; '.join(missing)}")
        if not checking:
            sys.exit("nothing was written: all logs are needed for that")
    # What the logs must hold for the check to mean something.
    seen = {reason for case in cases for step in case["steps"] for reason in step["rejected"]}
    seen |= {reason for reading in readings for reason in reading["dropped"]}
    lacking = set() if missing else EXPECTED - seen
    assert not lacking, f"no log is dropped for {lacking}"
    data = {
        "source": "pandas forward fill and merge_asof, scipy.ndimage.binary_dilation, scipy "
        "RegularGridInterpolator, numpy.quantile(method='inverted_cdf'), statsmodels HuberT and clustered WLS",
        "versions": VERSIONS,
        "readings": readings,
        "cases": cases,
    }
    text = render(data) + "\n"
    if not checking:
        JSON.write_text(text, encoding="utf-8", newline="\n")
    elif not alike(old, data):
        stale.append(JSON.name)
    for case in cases:
        rows = ", ".join(f"{step['stage']} {step['kept']} {step['rejected'] or ''}".strip() for step in case["steps"])
        print(f"{case['name']}: {rows}; median {case['median_correction']}, {len(case['cells'])} cells")
    print(f"{len(text.encode())} bytes; stale files: {', '.join(stale) or 'none'}")
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
