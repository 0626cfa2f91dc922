#!/usr/bin/env python3
"""Writes the outside reference values that the Rust tests beside this file compare against.

    python -m venv venv && venv/bin/pip install -r requirements.txt
    venv/bin/python make_reference.py            # write the JSON files next to this script
    venv/bin/python make_reference.py --check    # write nothing; fail if a file would change

What enters: nothing but the seed and the tables in this file.
What leaves: twelve JSON files, and on stdout every value that is also printed in the project's
science notes, computed against printed. The exit code is 1 if a file is stale (--check) or a value
computed here does not round to the printed one and KNOWN_DIFFERENCES does not say why.

Values come from numpy, scipy, statsmodels, cantera, CoolProp and ambiance wherever one of them has the function; where
only a formula exists it is written out in plain Python. Inputs are rounded to a few decimals so that
they can be read; expected values keep full double precision (`repr`).

Tags on quoted values: V = the source was read, 2nd = quoted by a secondary page, C = computed by the
project, M = from memory and not verified.
"""

import json
import math
import platform
import sys
from decimal import Decimal
from importlib import metadata
from pathlib import Path

import ambiance
import cantera as ct
import numpy as np
import scipy
import scipy.linalg
import scipy.sparse.linalg
import statsmodels
import statsmodels.api as sm
from CoolProp.HumidAirProp import HAPropsSI
from scipy import constants, integrate, optimize, signal, stats
from scipy.interpolate import RegularGridInterpolator
from statsmodels.robust import mad
from statsmodels.robust.norms import HuberT, TukeyBiweight

SEED = 20261107
HERE = Path(__file__).resolve().parent

VERSIONS = {
    "python": platform.python_version(),
    "numpy": np.__version__,
    "scipy": scipy.__version__,
    "statsmodels": statsmodels.__version__,
    "cantera": ct.__version__,
}


# --------------------------------------------------------------------------- small tools


def rng_for(name):
    """One independent stream per file, so that changing one file leaves the others alone."""
    return np.random.default_rng([SEED, *name.encode()])


def floats(array):
    return [float(v) for v in np.asarray(array).ravel()]


PRINTED = []  # (label, printed text, computed value, agrees)

# Labels of printed values that do not round to what is computed here, and why.
HEAVIER_AIR = "last digit; dry air 2e-5 heavier (other argon and CO2 shares) would explain it"
KNOWN_DIFFERENCES = {
    "E air molar mass": "cantera's abridged atomic weights, N 14.007 above all; CIPM-2007 states 28.96546",
    "E AFR petrol_ch1.85 cantera": HEAVIER_AIR,
    "E AFR iso_octane cantera": HEAVIER_AIR,
}


def printed(label, text, computed):
    """Notes whether `computed` rounds to the printed `text`; returns the printed value as a float.

    Half a unit of the last printed digit is allowed (plus 1e-9 of it, for exact halves).
    """
    unit = 10.0 ** Decimal(text).as_tuple().exponent
    agrees = abs(float(computed) - float(text)) <= 0.5 * unit * (1.0 + 1e-9)
    PRINTED.append((label, text, float(computed), agrees))
    return float(text)


def same(a, b, what, rel=1e-12):
    """Two independent ways to one number must agree, or the reference is not fit to be one."""
    if not math.isclose(a, b, rel_tol=rel, abs_tol=1e-14):
        raise AssertionError(f"{what}: {a!r} against {b!r}")


def render(value, indent=0):
    """JSON with short things on one line, so that one changed number is one changed line."""
    flat = json.dumps(value, allow_nan=False, ensure_ascii=False)
    scalars_only = isinstance(value, list) and not any(isinstance(v, (list, dict)) for v in value)
    if not isinstance(value, (list, dict)) or scalars_only or len(flat) + indent <= 110:
        return flat
    pad = " " * (indent + 1)
    if isinstance(value, dict):
        rows = [f"{pad}{json.dumps(k)}: {render(v, indent + 1)}" for k, v in value.items()]
        return "{\n" + ",\n".join(rows) + "\n" + " " * indent + "}"
    return "[\n" + ",\n".join(pad + render(v, indent + 1) for v in value) + "\n" + " " * indent + "]"


def alike(old, new):
    """Equal up to the last bits, which another processor or maths library may round differently."""
    if isinstance(new, dict):
        keys = new.keys() - {"versions"}
        return isinstance(old, dict) and old.keys() == new.keys() and all(alike(old[k], new[k]) for k in keys)
    if isinstance(new, list):
        return isinstance(old, list) and len(old) == len(new) and all(map(alike, old, new))
    if isinstance(new, float) and isinstance(old, float):
        return math.isclose(old, new, rel_tol=1e-11, abs_tol=1e-14)
    return old == new


# --------------------------------------------------------------------------- 1 bilinear

# Deliberately uneven breakpoints; rows are rpm, columns are load, as in a table file.
GRIDS = [
    ("small", [1000.0, 1500.0, 2750.0, 5200.0, 8000.0], [2.0, 7.5, 40.0, 100.0]),
    (
        "large",
        [900.0, 1250.0, 1800.0, 2600.0, 3100.0, 4400.0, 5900.0, 7000.0, 8200.0],
        [0.0, 1.5, 4.0, 11.0, 27.5, 60.0, 100.0],
    ),
]


def make_bilinear():
    rng = rng_for("bilinear")
    grids = []
    for name, rpm, load in GRIDS:
        rows, cols = len(rpm), len(load)
        values = np.round(rng.uniform(35.0, 105.0, (rows, cols)), 2)
        surface = RegularGridInterpolator((rpm, load), values, method="linear")
        # Interpolating all unit tables at once (1 in one cell, 0 elsewhere) gives each cell's weight.
        units = np.eye(rows * cols).reshape(rows, cols, rows * cols)
        unit_tables = RegularGridInterpolator((rpm, load), units, method="linear")

        def anywhere():
            return (
                float(np.round(rng.uniform(rpm[0], rpm[-1]), 1)),
                float(np.round(rng.uniform(load[0], load[-1]), 2)),
            )

        points = []
        for _ in range(60):
            points.append(("inside", *anywhere()))
        for i in range(60):
            # a third each on an rpm line, on a load line, and on a node of both; ends included
            r, c = anywhere()
            if i % 3 != 1:
                r = rpm[(i // 3) % rows]
            if i % 3 != 0:
                c = load[(i // 3) % cols]
            points.append(("on_breakpoint", r, c))
        span_rpm, span_load = rpm[-1] - rpm[0], load[-1] - load[0]
        for i in range(30):
            # below, above or inside on each axis, never inside on both
            where_r, where_c = [(-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (-1, 1), (1, -1), (1, 1)][i % 8]
            r, c = anywhere()
            reach_r = float(np.round(rng.uniform(0.001, 0.5) * span_rpm, 1))
            reach_c = float(np.round(rng.uniform(0.001, 0.5) * span_load, 2))
            r = {-1: rpm[0] - reach_r, 0: r, 1: rpm[-1] + reach_r}[where_r]
            c = {-1: load[0] - reach_c, 0: c, 1: load[-1] + reach_c}[where_c]
            points.append(("outside", r, c))

        out, weighted = [], []
        for i, (kind, r, c) in enumerate(points):
            # the tool's rule: a coordinate outside is clamped to the edge of its axis
            at = (min(max(r, rpm[0]), rpm[-1]), min(max(c, load[0]), load[-1]))
            expected = float(surface([at])[0])
            out.append({"kind": kind, "rpm": r, "load": c, "expected": expected})
            if i % 6 == 0:
                share = unit_tables([at])[0]
                cells = [
                    {"row": int(j // cols), "col": int(j % cols), "weight": float(share[j])}
                    for j in np.flatnonzero(share)
                ]
                same(float(share @ values.ravel()), expected, "weights reproduce the value")
                same(float(share.sum()), 1.0, "weights sum to one")
                weighted.append({"kind": kind, "rpm": r, "load": c, "cells": cells})
        grids.append(
            {
                "name": name,
                "rpm": rpm,
                "load": load,
                "values": [floats(row) for row in values],
                "points": out,
                "weights": weighted,
            }
        )
    return {
        "source": "scipy.interpolate.RegularGridInterpolator(method='linear'); coordinates outside are "
        "clamped to the axis ends before the call; weights by interpolating unit tables "
        "(cells of weight exactly 0 are left out)",
        "versions": VERSIONS,
        "grids": grids,
    }


# --------------------------------------------------------------------------- 2 weighted mean


def cluster_se(y, w, groups):
    """Cluster-robust standard error of the weighted mean, or None for fewer than two clusters."""
    if len(set(groups)) < 2:
        return None
    fit = sm.WLS(y, np.ones_like(y), weights=w).fit(cov_type="cluster", cov_kwds={"groups": np.array(groups)})
    se = float(fit.bse[0])
    # The same in the open: sum the weighted residuals inside each cluster, square, add, scale by
    # G/(G-1)·(N-1)/(N-K) with K = 1, divide by the total weight.
    e = w * (y - np.average(y, weights=w))
    g = len(set(groups))
    sums = [e[np.array(groups) == k].sum() for k in sorted(set(groups))]
    by_hand = math.sqrt(g / (g - 1) * sum(s * s for s in sums)) / w.sum()
    same(se, by_hand, "cluster-robust se", rel=1e-9)
    return se


def plain_se(y, w, cov_type):
    if len(y) < 2:
        return None
    return float(sm.WLS(y, np.ones_like(y), weights=w).fit(cov_type=cov_type).bse[0])


# name, samples in each dwell of each ride, weights drawn unequal or all 1
WEIGHTED_CASES = [
    ("two rides, three dwells", [[4, 2], [7]], "unequal"),
    ("three rides, ten dwells", [[3, 8, 1, 5], [2, 6], [4, 1, 9, 3]], "unequal"),
    ("five rides, twenty-five dwells", [[3, 1, 6, 2, 4, 12, 2], [5, 1], [2, 2, 7, 1, 3, 8, 1, 4], [15, 2, 3], [1, 6, 2, 4, 3]], "unequal"),
    ("one ride, six dwells", [[5, 2, 9, 1, 4, 6]], "unequal"),
    ("one dwell", [[12]], "unequal"),
    ("every sample its own dwell: by dwell equals HC1", [[1] * 6, [1] * 5], "unequal"),
    ("all weights one", [[6, 3], [5, 4, 2]], "one"),
    ("one heavy sample among light ones", [[6, 5], [4, 6], [5]], "heavy"),
    ("one sample", [[1]], "unequal"),
]


def make_weighted_mean():
    rng = rng_for("weighted_mean")
    cases = []
    for name, rides, weighting in WEIGHTED_CASES:
        y, dwell, ride = [], [], []
        for ride_id, sizes in enumerate(rides):
            ride_bias = rng.normal(0.0, 0.015)
            for size in sizes:
                dwell_id = dwell[-1] + 1 if dwell else 0
                dwell_bias = rng.normal(0.0, 0.02)
                y += list(1.0 + ride_bias + dwell_bias + rng.normal(0.0, 0.03, size))
                dwell += [dwell_id] * size
                ride += [ride_id] * size
        y = np.round(np.array(y), 4)
        w = np.round(rng.uniform(0.05, 1.0, len(y)), 3)
        if weighting == "one":
            w = np.ones(len(y))
        if weighting == "heavy":
            w = np.round(rng.uniform(0.01, 0.05, len(y)), 3)
            w[len(w) // 2] = 1.0
        cases.append(
            {
                "name": name,
                "y": floats(y),
                "w": floats(w),
                "dwell": dwell,
                "ride": ride,
                "mean": float(np.average(y, weights=w)),
                "sum_w": float(w.sum()),
                "kish_n_eff": float(w.sum() ** 2 / (w**2).sum()),
                "se_by_dwell": cluster_se(y, w, dwell),
                "se_by_ride": cluster_se(y, w, ride),
                "se_hc1": plain_se(y, w, "HC1"),
                "se_nonrobust": plain_se(y, w, "nonrobust"),
            }
        )

    autocorrelation = []
    for n, rho, text in [(200, 0.8, "22.2"), (200, 0.9, "10.5"), (200, 0.95, "5.1")]:
        value = n * (1.0 - rho) / (1.0 + rho)
        autocorrelation.append(
            {"n": n, "rho": rho, "n_eff": value, "printed": printed(f"I n_eff rho={rho}", text, value)}
        )
    for n, rho in [(200, 0.0), (37, 0.35), (1000, 0.99)]:
        autocorrelation.append({"n": n, "rho": rho, "n_eff": n * (1.0 - rho) / (1.0 + rho), "printed": None})
    # The exact worth of n samples of an AR(1) series: the variance of their weighted mean, from the
    # whole matrix of correlations, against the variance of one. A hold weighs all alike, a pass
    # leaves the cell evenly.
    for row in autocorrelation:
        n, rho = row["n"], row["rho"]
        correlations = scipy.linalg.toeplitz(rho ** np.arange(n))
        for name, w in [("hold", np.ones(n)), ("pass", 1.0 - np.arange(n) / n)]:
            row[f"n_eff_{name}_exact"] = float(w.sum() ** 2 / (w @ correlations @ w))
    wanted = []
    for sigma, se, text in [(0.03, 0.01, "9"), (0.03, 0.005, "36")]:
        value = (sigma / se) ** 2
        wanted.append(
            {"sigma": sigma, "se": se, "n_eff": value, "printed": printed(f"I n_eff for se={se}", text, value)}
        )

    return {
        "source": "mean: numpy.average; kish_n_eff: (sum w)^2 / sum w^2; se_by_dwell, se_by_ride: "
        "statsmodels WLS(y, ones, weights=w).fit(cov_type='cluster') with the default correction "
        "G/(G-1)*(N-1)/(N-K), K = 1, null with fewer than two clusters; se_hc1: cov_type='HC1'; "
        "se_nonrobust: cov_type='nonrobust'; both for contrast only, null for one sample; "
        "autocorrelation: n(1-rho)/(1+rho), exact by (sum w)^2 / (w R w) with the full matrix R of rho^|i-j|; n_eff_for_se: (sigma/se)^2",
        "versions": VERSIONS,
        "cases": cases,
        "autocorrelation": autocorrelation,
        "n_eff_for_se": wanted,
    }


# --------------------------------------------------------------------------- 3 robust weights

HUBER_K = 1.345
TUKEY_C = 4.685


def lower_weighted_median(x, w):
    """The smallest x whose cumulative weight reaches half of the total weight."""
    order = np.argsort(x, kind="stable")
    cumulative = np.cumsum(w[order])
    return float(x[order][np.searchsorted(cumulative, 0.5 * cumulative[-1], side="left")])


def efficiency(psi, edges):
    """Share of the mean's precision that a location estimate with this psi keeps on normal data.

    The asymptotic variance is E psi^2 / (E psi')^2, the mean's is 1 (Huber 1981, from memory); for
    the normal distribution E psi' = E u psi (partial integration). `edges` are psi's kinks.
    """
    # nothing of the normal distribution that a double could hold lies beyond 40
    parts = list(zip([0.0, *edges], [*edges, 40.0]))

    def mean(f):
        return 2.0 * sum(integrate.quad(lambda u: f(u) * stats.norm.pdf(u), a, b, epsabs=1e-14)[0] for a, b in parts)

    return mean(lambda u: u * psi(u)) ** 2 / mean(lambda u: psi(u) ** 2)


def make_huber():
    rng = rng_for("huber")
    edges = [0.0, -0.0, 0.5, -1.0, HUBER_K, -HUBER_K, 1.3450001, 2.0, -3.5, 4.684, TUKEY_C, -TUKEY_C, 4.69, 6.0, -25.0, 1e6]
    residuals = [
        ("edges", np.array(edges)),
        ("normal", np.round(rng.normal(0.0, 1.0, 40), 4)),
        ("heavy tails", np.round(rng.standard_t(2, 40), 4)),
    ]
    weights = [
        {
            "name": name,
            "u": floats(u),
            "huber": floats(HuberT(t=HUBER_K).weights(u)),
            "tukey": floats(TukeyBiweight(c=TUKEY_C).weights(u)),
        }
        for name, u in residuals
    ]

    spreads = []
    for name, x in [
        ("odd count", np.round(rng.normal(1.0, 0.03, 21), 4)),
        ("even count", np.round(rng.normal(1.0, 0.03, 20), 4)),
        ("even count, a fifth wild", np.round(np.r_[rng.normal(1.0, 0.03, 16), rng.normal(1.6, 0.4, 4)], 4)),
        ("two values", np.array([0.98, 1.03])),
        ("one value", np.array([1.07])),
        ("constant", np.full(7, 0.93)),
        ("more than half equal", np.array([1.0, 1.0, 1.0, 1.0, 0.7, 1.4, 1.1])),
    ]:
        raw = float(np.median(np.abs(x - np.median(x))))
        scaled = float(mad(x))
        same(scaled, raw / stats.norm.ppf(0.75), "scaled MAD")
        spreads.append(
            {"name": name, "x": floats(x), "median": float(np.median(x)), "mad_raw": raw, "mad_scaled": scaled}
        )

    medians = []
    for name, x, w in [
        ("random, odd", np.round(rng.normal(1.0, 0.05, 15), 4), np.round(rng.uniform(0.05, 1.0, 15), 3)),
        ("random, even", np.round(rng.normal(1.0, 0.05, 24), 4), np.round(rng.uniform(0.05, 1.0, 24), 3)),
        ("equal weights, odd", np.array([5.0, 1.0, 4.0, 2.0, 3.0]), np.ones(5)),
        ("equal weights, even: the lower one", np.array([4.0, 1.0, 3.0, 2.0]), np.ones(4)),
        ("half is reached exactly", np.array([0.9, 1.0, 1.1, 1.2]), np.array([0.25, 0.25, 0.125, 0.375])),
        ("one heavy sample decides", np.array([1.5, 0.9, 1.0, 1.1]), np.array([1.0, 0.25, 0.25, 0.25])),
        ("equal values in several places", np.array([1.1, 1.0, 1.1, 0.9, 1.0]), np.array([0.5, 0.25, 0.25, 0.5, 0.125])),
        ("two samples, lighter first", np.array([0.9, 1.1]), np.array([0.25, 0.75])),
        ("one sample", np.array([1.07]), np.array([0.3])),
    ]:
        value = lower_weighted_median(x, w)
        same(value, float(np.quantile(x, 0.5, weights=w, method="inverted_cdf")), "weighted median")
        medians.append({"name": name, "x": floats(x), "w": floats(w), "lower_weighted_median": value})

    factor = 1.0 / stats.norm.ppf(0.75)
    efficiencies = []
    for k in [0.8, 1.0, HUBER_K, 2.0, 3.0]:
        of_k = efficiency(HuberT(t=k).psi, [k])
        # Psi' is 1 inside k and 0 outside: the same without integration.
        inside = 2.0 * stats.norm.cdf(k) - 1.0
        squares = inside - 2.0 * k * stats.norm.pdf(k) + 2.0 * k * k * stats.norm.sf(k)
        same(of_k, inside**2 / squares, "Huber's efficiency", rel=1e-10)
        efficiencies.append({"k": k, "efficiency": of_k})
    for_95 = {
        name: float(optimize.brentq(lambda c: efficiency(norm(c).psi, [c]) - 0.95, low, high, xtol=1e-12))
        for name, norm, low, high in [("huber", HuberT, 1.0, 2.0), ("tukey", TukeyBiweight, 4.0, 5.0)]
    }
    return {
        "source": "statsmodels.robust.norms.HuberT(t=1.345).weights, TukeyBiweight(c=4.685).weights; "
        "statsmodels.robust.mad (about the median, divided by Phi^-1(3/4)); lower weighted median: "
        "smallest x whose cumulative weight is at least half of the total, by numpy sort, "
        "equal to numpy.quantile(weights=, method='inverted_cdf'); efficiency on normal data by "
        "scipy.integrate.quad over statsmodels' psi, the constant for 95 % by scipy.optimize.brentq",
        "versions": VERSIONS,
        "huber_k": HUBER_K,
        "tukey_c": TUKEY_C,
        "huber_k_for_95": for_95["huber"],
        "huber_k_printed": printed("B Huber k for 95 %", "1.345", for_95["huber"]),
        "tukey_c_for_95": for_95["tukey"],
        "tukey_c_printed": printed("B Tukey c for 95 %", "4.685", for_95["tukey"]),
        "efficiency": efficiencies,
        "mad_factor": float(factor),
        "mad_factor_printed": printed("B MAD factor", "1.4826", factor),
        "weights": weights,
        "mad": spreads,
        "weighted_median": medians,
    }


# --------------------------------------------------------------------------- 4 stoichiometry

# Dry air with x_O2 = .20939 given as mole fractions, as in the CIPM-2007 mean composition (Picard et
# al., Metrologia 45:149, 2008, Table 1) [2nd]; nitrogen is the rest. Everything but oxygen moves only
# the molar mass. Do not write O2:1, N2:3.76 (0.7 % low), and do not pass basis='mass' for a blend:
# it reinterprets this composition as mass fractions as well.
AIR = {"O2": 0.20939, "AR": 0.009332, "CO2": 0.0004, "NE": 18.2e-6, "HE": 5.2e-6}
AIR["N2"] = 1.0 - sum(AIR.values())
AIR_MOLAR_MASS = 28.965  # g/mol, the project's rounded value

PETROL_KG_M3 = 745.0
ETHANOL_KG_M3 = 794.0

# name, atoms, printed (ours, cantera), published values
FUELS = [
    ("petrol_ch1.85", {"C": 1.0, "H": 1.85}, "14.580", "14.581", [(14.6, "Heywood", "M"), (14.7, "US AFDC", "V")]),
    ("iso_octane", {"C": 8.0, "H": 18.0}, "15.137", "15.138", [(15.13, "handbooks", "M")]),
    ("toluene", {"C": 7.0, "H": 8.0}, "13.512", "13.512", [(13.50, "handbooks", "M")]),
    ("ethanol", {"C": 2.0, "H": 6.0, "O": 1.0}, "9.008", "9.008", [(9.0, "US AFDC", "V")]),
    ("methanol", {"C": 1.0, "H": 4.0, "O": 1.0}, "6.476", "6.476", [(6.47, "a secondary page", "2nd")]),
]

# name, ethanol volume share, printed AFR, printed volume ratio against E0, published
BLENDS = [
    ("E0", 0.00, "14.580", None, []),
    ("E5", 0.05, "14.284", "1.017", []),
    ("E10", 0.10, "13.990", "1.035", []),
    ("E20", 0.20, None, None, []),
    ("E85", 0.85, "9.800", "1.409", [(9.8, "approximate, from memory", "M")]),
    ("E100", 1.00, "9.008", None, []),
]


def afr_by_formula(c, h, o):
    """AFR_s = (2.6641 C + 7.9361 H - O)/0.2313, mass fractions, coefficients as printed."""
    return (2.6641 * c + 7.9361 * h - o) / 0.2313


def afr_unrounded(c, h, o, weight):
    """The same with the coefficients left unrounded; the printed values come from this one."""
    per_c = 2.0 * weight["O"] / weight["C"]
    per_h = weight["O"] / (2.0 * weight["H"])
    oxygen = AIR["O2"] * 2.0 * weight["O"] / AIR_MOLAR_MASS
    return (per_c * c + per_h * h - o) / oxygen


def make_stoichiometry():
    atoms = {name: composition for name, composition, *_ in FUELS}
    # A surrogate given by mass fractions C .865, H .135 becomes atoms by dividing by atomic weights.
    weight = {e: ct.Element(e).weight for e in ("C", "H", "O")}
    atoms["petrol_c865_h135"] = {"C": 0.865 / weight["C"], "H": 0.135 / weight["H"]}
    species = []
    for name, composition in {
        **atoms,
        "O2": {"O": 2},
        "N2": {"N": 2},
        "AR": {"Ar": 1},
        "NE": {"Ne": 1},
        "HE": {"He": 1},
        "CO2": {"C": 1, "O": 2},
        "H2O": {"H": 2, "O": 1},
    }.items():
        one = ct.Species(name, composition)
        # Only the atoms matter for stoichiometry; any thermodynamics will do to build a phase.
        one.thermo = ct.ConstantCp(200.0, 5000.0, ct.one_atm, (298.15, 0.0, 0.0, 30000.0))
        species.append(one)
    gas = ct.Solution(thermo="ideal-gas", species=species)

    gas.X = AIR
    air = {
        "mole_fractions": AIR,
        "molar_mass_g_mol": float(gas.mean_molecular_weight),
        "molar_mass_printed": printed("E air molar mass", "28.965", gas.mean_molecular_weight),
        "oxygen_mass_fraction": float(gas["O2"].Y[0]),
        "oxygen_mass_fraction_printed": printed("E air O2 mass fraction", "0.2313", gas["O2"].Y[0]),
    }

    def fuel_numbers(moles):
        """Element mass fractions, cantera's AFR and the printed formula's AFR of a fuel by moles."""
        gas.X = moles
        c, h, o = (float(gas.elemental_mass_fraction(e)) for e in ("C", "H", "O"))
        by_cantera = float(gas.stoich_air_fuel_ratio(moles, AIR, basis="mole"))
        # the same from atoms alone: oxygen molecules needed per fuel, over the oxygen in air
        gas.X = moles
        need = c / weight["C"] + h / weight["H"] / 4.0 - o / weight["O"] / 2.0
        same(by_cantera, need * air["molar_mass_g_mol"] / AIR["O2"], "AFR from atoms", rel=1e-10)
        return {
            "carbon_mass": c,
            "hydrogen_mass": h,
            "oxygen_mass": o,
            "afr_cantera": by_cantera,
            "afr_unrounded": afr_unrounded(c, h, o, weight),
            "afr_formula": afr_by_formula(c, h, o),
        }

    def published(rows):
        return [{"afr": afr, "source": source, "tag": tag} for afr, source, tag in rows]

    fuels = []
    for name, composition, ours, cantera_text, handbook in FUELS:
        numbers = fuel_numbers({name: 1.0})
        fuels.append(
            {
                "name": name,
                "atoms": {k.lower(): composition.get(k, 0.0) for k in ("C", "H", "O")},
                **numbers,
                "printed_ours": printed(f"E AFR {name} ours", ours, numbers["afr_unrounded"]),
                "printed_cantera": printed(f"E AFR {name} cantera", cantera_text, numbers["afr_cantera"]),
                "published": published(handbook),
            }
        )
    numbers = fuel_numbers({"petrol_c865_h135": 1.0})
    fuels.append(
        {
            "name": "petrol_c865_h135",
            "atoms": {k.lower(): atoms["petrol_c865_h135"].get(k, 0.0) for k in ("C", "H", "O")},
            **numbers,
            "printed_ours": printed("E AFR C .865 H .135", "14.59", numbers["afr_unrounded"]),
            "printed_cantera": None,
            "published": [],
        }
    )

    mole_mass = {name: sum(n * weight[e] for e, n in atoms[name].items()) for name in ("petrol_ch1.85", "ethanol")}
    blends, e0 = [], None
    for name, volume, text, volume_text, handbook in BLENDS:
        density = volume * ETHANOL_KG_M3 + (1.0 - volume) * PETROL_KG_M3
        ethanol_mass = volume * ETHANOL_KG_M3 / density
        moles = {
            "petrol_ch1.85": (1.0 - ethanol_mass) / mole_mass["petrol_ch1.85"],
            "ethanol": ethanol_mass / mole_mass["ethanol"],
        }
        numbers = fuel_numbers(moles)
        if name == "E0":
            e0 = numbers["afr_cantera"] * density
        ratio = e0 / (numbers["afr_cantera"] * density)
        blends.append(
            {
                "name": name,
                "ethanol_volume": volume,
                "ethanol_mass": ethanol_mass,
                "density_kg_m3": density,
                **numbers,
                "volume_ratio_to_e0": ratio,
                "printed_ours": text and printed(f"E AFR {name}", text, numbers["afr_unrounded"]),
                "printed_volume_ratio": volume_text and printed(f"E volume {name}", volume_text, ratio),
                "published": published(handbook),
            }
        )
    e10 = next(b for b in blends if b["name"] == "E10")
    printed("E E10 ethanol mass", "0.1059", e10["ethanol_mass"])
    printed("E E10 oxygen, %", "3.68", 100.0 * e10["oxygen_mass"])

    naive = float(gas.stoich_air_fuel_ratio({"petrol_ch1.85": 1.0}, {"O2": 1.0, "N2": 3.76}, basis="mole"))
    low = 100.0 * (1.0 - naive / fuels[0]["afr_cantera"])
    return {
        "source": "cantera Solution.stoich_air_fuel_ratio(basis='mole') with species made from atoms alone; "
        "afr_formula: (2.6641 C + 7.9361 H - O)/0.2313 on mass fractions; afr_unrounded: the same from "
        "atomic weights, x_O2 = .20939 and M = 28.965 without rounding; blends by volume with petrol "
        "(CH1.85) 745 kg/m3 and ethanol 794 kg/m3, volumes additive; tags: V read, 2nd secondary, "
        "C computed, M from memory",
        "versions": VERSIONS,
        "air": air,
        "petrol_kg_m3": PETROL_KG_M3,
        "ethanol_kg_m3": ETHANOL_KG_M3,
        "atomic_weights": {k.lower(): float(v) for k, v in weight.items()},
        "fuels": fuels,
        "blends": blends,
        "oxygen_nitrogen_only": {
            "afr": naive,
            "percent_low": low,
            "percent_low_printed": printed("E O2:1,N2:3.76 percent low", "0.7", low),
        },
    }


# --------------------------------------------------------------------------- 5 air

R_DRY = 287.05  # J/(kg K)
R_VAPOUR = 461.5  # J/(kg K)
R_ISO_2533 = 287.05287  # J/(kg K)
KELVIN = 273.15


def vapour_pressure_pa(t, rh):
    """Partial pressure of water, Magnus form with the constants the project uses."""
    return rh / 100.0 * 611.2 * np.exp(17.62 * t / (243.12 + t))


def density_ideal(p, t, rh):
    pv = vapour_pressure_pa(t, rh)
    kelvin = t + KELVIN
    return (p - pv) / (R_DRY * kelvin) + pv / (R_VAPOUR * kelvin)


def density_cipm2007(p, t, rh):
    """CIPM-2007 (Picard et al., Metrologia 45:149, 2008), x_CO2 = 400 ppm; coefficients [2nd]."""
    k = t + KELVIN
    saturation = math.exp(1.2378847e-5 * k * k - 1.9121316e-2 * k + 33.93711047 - 6.3431645e3 / k)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t * t
    xv = rh / 100.0 * enhancement * saturation / p
    z = (
        1.0
        - p / k * (1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t * t
                   + (5.707e-6 - 2.051e-8 * t) * xv + (1.9898e-4 - 2.376e-6 * t) * xv * xv)
        + (p / k) ** 2 * (1.83e-11 - 0.765e-8 * xv * xv)
    )
    return p * 28.96546e-3 / (z * 8.314472 * k) * (1.0 - xv * (1.0 - 18.01528 / 28.96546))


def make_air():
    moist = []
    for p, t, rh, cipm, ideal in [
        (101325.0, 20.0, 50.0, "1.19931", "1.19888"),
        (101325.0, 15.0, 0.0, "1.22552", "1.22501"),
        (101325.0, 35.0, 60.0, "1.13138", "1.13111"),
        (90000.0, 30.0, 40.0, "1.02714", "1.02690"),
    ]:
        a, b = density_cipm2007(p, t, rh), float(density_ideal(p, t, rh))
        moist.append(
            {
                "pressure_pa": p,
                "temp_c": t,
                "humidity_pct": rh,
                "cipm2007_printed": printed(f"F CIPM {p:.0f} {t:.0f} {rh:.0f}", cipm, a),
                "ideal_printed": printed(f"F ideal {p:.0f} {t:.0f} {rh:.0f}", ideal, b),
                "cipm2007": a,
                "ideal": b,
                "tag": "C",
            }
        )

    iso2533 = []
    for altitude, kelvin, p, text in [
        (0.0, 288.15, 101325.0, "1.2250"),
        (500.0, 284.90, 95461.0, "1.1673"),
        (1000.0, 281.65, 89875.0, "1.1116"),
        (2000.0, 275.15, 79495.0, "1.0065"),
        (3000.0, 268.65, 70109.0, "0.9091"),
    ]:
        value = p / (R_ISO_2533 * kelvin)
        # the standard's own definition: 6.5 K per km from 288.15 K and 101325 Pa, g = 9.80665 m/s2
        standard_k = 288.15 - 0.0065 * altitude
        standard_p = 101325.0 * (standard_k / 288.15) ** (9.80665 / (R_ISO_2533 * 0.0065))
        printed(f"F ISO 2533 {altitude:.0f} m temperature", f"{kelvin:.2f}", standard_k)
        printed(f"F ISO 2533 {altitude:.0f} m pressure", f"{p:.0f}", standard_p)
        iso2533.append(
            {
                "altitude_m": altitude,
                "temp_k": kelvin,
                "pressure_pa": p,
                "density_printed": printed(f"F ISO 2533 {altitude:.0f} m", text, value),
                "pressure_by_definition_pa": standard_p,
                "density_r_287_05287": value,
                "density_r_287_05": p / (R_DRY * kelvin),
            }
        )

    points_p = np.array([101325.0, 99000.0, 99000.0, 95000.0, 101325.0, 89875.0, 79495.0, 103000.0, 84500.0, 70109.0])
    points_t = np.array([20.0, 25.0, 25.0, 32.5, 0.0, 8.5, 40.0, -10.0, 15.0, -4.5])
    points_rh = np.array([50.0, 0.0, 60.0, 75.0, 100.0, 30.0, 20.0, 80.0, 0.0, 45.0])
    pv = vapour_pressure_pa(points_t, points_rh)
    rho = density_ideal(points_p, points_t, points_rh)
    reference = float(density_ideal(99000.0, 25.0, 0.0))
    ideal = [
        {
            "pressure_pa": float(points_p[i]),
            "temp_c": float(points_t[i]),
            "humidity_pct": float(points_rh[i]),
            "vapour_pressure_pa": float(pv[i]),
            "density": float(rho[i]),
            "reference_over_density": reference / float(rho[i]),
        }
        for i in range(len(points_p))
    ]

    power = []
    for p_kpa, t, rh, pd_text, sae_text, iso_text, din_text in [
        (98.0, 32.0, 50.0, "95.627", "1.0559", "1.0571", "1.0546"),
        (101.325, 15.0, 0.0, None, "0.9534", "0.9528", "0.9912"),
        (90.0, 20.0, 40.0, "89.067", "1.1205", "1.1238", "1.1256"),
    ]:
        dry = p_kpa - float(vapour_pressure_pa(t, rh)) / 1000.0
        k = t + 273.0  # these formulas use whole kelvin
        sae = 1.18 * (99.0 / dry) * math.sqrt(k / 298.0) - 0.18
        iso = (99.0 / dry) ** 1.2 * (k / 298.0) ** 0.6
        din = 1013.0 / (10.0 * p_kpa) * math.sqrt(k / 293.0)
        at = f"{p_kpa} kPa {t:.0f} C {rh:.0f} %"
        power.append(
            {
                "pressure_kpa": p_kpa,
                "temp_c": t,
                "humidity_pct": rh,
                "dry_kpa": dry,
                "dry_kpa_printed": pd_text and printed(f"F dry pressure {at}", pd_text, dry),
                "sae_j1349": sae,
                "sae_j1349_printed": printed(f"F SAE J1349 {at}", sae_text, sae),
                "iso_1585": iso,
                "iso_1585_printed": printed(f"F ISO 1585 {at}", iso_text, iso),
                "din_70020": din,
                "din_70020_printed": printed(f"F DIN 70020 {at}", din_text, din),
            }
        )

    return {
        "source": "ideal: (p-pv)/(287.05 T) + pv/(461.5 T), pv = RH*611.2*exp(17.62 t/(243.12+t)) Pa, "
        "T = t + 273.15, with numpy; cipm2007: Picard et al., Metrologia 45:149 (2008), coefficients 2nd; "
        "iso_2533: standard-atmosphere rows as printed, pressure from 6.5 K/km and g = 9.80665, "
        "density p/(R T) with the standard's R = 287.05287 and with 287.05; power_corrections: "
        "SAE J1349 2nd, ISO 1585 form as in EU 134/2014 M, DIN 70020 M, each with T = t + 273; "
        "tags: V read, 2nd secondary, C computed, M from memory",
        "versions": VERSIONS,
        "reference_air": {"pressure_pa": 99000.0, "temp_c": 25.0, "humidity_pct": 0.0, "density": reference},
        "moist": moist,
        "iso_2533": iso2533,
        "ideal": ideal,
        "power_corrections": power,
    }


# --------------------------------------------------------------------------- 6 fuel sums


def fuel_chain(ve, map_kpa, temp_c, cylinder_cc, lam, afr, flow_cc_min, fuel_g_cc, dead_ms, rpm):
    """Air to duty in single steps, plain Python."""
    air_mg = ve * map_kpa * 1e3 * (cylinder_cc * 1e-6) / (R_DRY * (temp_c + KELVIN)) * 1e6
    fuel_mg = air_mg / (lam * afr)
    flow_g_s = flow_cc_min * fuel_g_cc / 60.0
    effective_ms = fuel_mg / flow_g_s  # mg / (g/s) = ms
    total_ms = effective_ms + dead_ms
    period_ms = 120000.0 / rpm  # one injection in 720 degrees
    return {
        "air_mg": air_mg,
        "fuel_mg": fuel_mg,
        "flow_g_s": flow_g_s,
        "effective_ms": effective_ms,
        "total_ms": total_ms,
        "period_ms": period_ms,
        "duty_pct": 100.0 * total_ms / period_ms,
    }


FUEL_INPUTS = ["ve", "map_kpa", "temp_c", "cylinder_cc", "lambda", "stoich_afr", "flow_cc_min", "fuel_g_cc", "dead_time_ms", "rpm"]

# name, inputs in the order above, printed values
FUEL_POINTS = [
    ("worked example", (0.85, 90.0, 35.0, 500.0, 0.90, 14.0, 220.0, 0.745, 0.9, 6000.0),
     {"air_mg": "432.4", "fuel_mg": "34.32", "flow_g_s": "2.732", "effective_ms": "12.56", "duty_pct": "67.3"}),
    ("worked example, more air", (0.95, 100.0, 25.0, 500.0, 0.90, 14.0, 220.0, 0.745, 0.9, 6000.0),
     {"effective_ms": "16.13", "duty_pct": "85.1"}),
    ("idle", (0.48, 38.0, 40.0, 350.0, 0.98, 14.58, 230.0, 0.745, 0.85, 1200.0), {}),
    ("cruise", (0.62, 55.0, 28.0, 350.0, 1.00, 13.99, 230.0, 0.7499, 0.80, 4200.0), {}),
    ("cold morning at altitude", (0.80, 78.0, 2.0, 350.0, 0.88, 13.99, 230.0, 0.7499, 1.02, 5000.0), {}),
    ("wide open near the limiter", (0.97, 99.0, 30.0, 350.0, 0.87, 13.99, 230.0, 0.7499, 0.80, 8200.0), {}),
    ("E85, small injector: beyond full duty", (0.95, 98.0, 25.0, 500.0, 0.86, 9.80, 220.0, 0.78665, 0.9, 8000.0), {}),
]


def make_fuel_sums():
    points = []
    for name, inputs, texts in FUEL_POINTS:
        steps = fuel_chain(*inputs)
        notes = {key: printed(f"G {name}: {key}", text, steps[key]) for key, text in texts.items()}
        points.append({"name": name, "inputs": dict(zip(FUEL_INPUTS, inputs)), "steps": steps, "printed": notes})

    flows = []
    for flow, rated, rail, text in [
        (220.0, 300.0, 400.0, "1.1547"),
        (230.0, 300.0, 300.0, None),
        (230.0, 300.0, 350.0, None),
        (230.0, 300.0, 250.0, None),
        (185.5, 270.0, 430.0, None),
        (310.0, 400.0, 300.0, None),
    ]:
        factor = math.sqrt(rail / rated)
        flows.append(
            {
                "flow_cc_min": flow,
                "rated_kpa": rated,
                "rail_kpa": rail,
                "factor": factor,
                "flow_at_rail_cc_min": flow * factor,
                "factor_printed": text and printed("G flow 300 to 400 kPa", text, factor),
            }
        )

    duty = [
        {"pulse_width_ms": pw, "rpm": rpm, "duty_pct": 100.0 * pw * rpm / 120000.0}
        for pw, rpm in [(13.4625, 6000.0), (2.9, 1200.0), (8.0, 8200.0), (12.0, 8500.0), (17.0, 6000.0), (14.6, 8219.178082)]
    ]

    volts, dead = [10.0, 12.0, 14.0, 16.0], [1.35, 1.02, 0.80, 0.66]
    asked = [8.0, 10.0, 10.5, 12.0, 12.6, 13.8, 14.0, 14.4, 16.0, 17.5]
    errors = []
    for effective, text in [(2.9, "3.4"), (12.6, "0.8")]:
        pct = 100.0 * 0.1 / effective
        errors.append(
            {
                "error_ms": 0.1,
                "effective_ms": effective,
                "percent": pct,
                "percent_printed": printed(f"G dead-time error at {effective} ms", text, pct),
            }
        )
    return {
        "source": "plain Python: m_air = VE*p*V/(287.05 T), T = t + 273.15; m_fuel = m_air/(lambda*AFR_s); "
        "flow cc/min * g/cc / 60; effective pulse width m_fuel/flow; plus dead time; period 120000/rpm ms "
        "(one injection per 720 degrees); flow factor sqrt(rail/rated); dead time by numpy.interp, "
        "clamped at its ends",
        "versions": VERSIONS,
        "points": points,
        "injector_flow": flows,
        "duty": duty,
        "dead_time": {"volts": volts, "dead_time_ms": dead, "at_volts": asked, "expected_ms": floats(np.interp(asked, volts, dead))},
        "dead_time_errors": errors,
    }


# --------------------------------------------------------------------------- 7 lag and delay

TAU_S = 0.08


def lag_case(name, rate_hz, u, start, answer):
    """One input through three ways of sampling tau y' = u - y.

    held_previous: the exact zero-order hold. u[k-1] holds over the step from k-1 to k.
    held_current:  the same with u[k] holding over that step (the usual filter form, one step earlier).
    first_order_hold: u moves in a straight line from u[k-1] to u[k]; exact for the ramp.
    All start at rest on `start`. `exact` is the continuous answer to the continuous input.
    """
    dt = 1.0 / rate_hz
    a = math.exp(-dt / TAU_S)
    plant = ([1.0], [TAU_S, 1.0])
    zoh_num, zoh_den, _ = signal.cont2discrete(plant, dt, method="zoh")
    foh_num, foh_den, _ = signal.cont2discrete(plant, dt, method="foh")
    same(-zoh_den[1], a, "zero-order hold pole", rel=1e-10)
    same(zoh_num.ravel()[1], 1.0 - a, "zero-order hold gain", rel=1e-10)
    foh = foh_num.ravel()
    same(-foh_den[1], a, "first-order hold pole", rel=1e-10)
    # u[k-1] and u[k] shares written out, because cont2discrete loses a few digits
    share_now = 1.0 - (1.0 - a) * TAU_S / dt
    share_before = (1.0 - a) * TAU_S / dt - a
    same(foh[0], share_now, "first-order hold, now", rel=1e-9)
    same(foh[1], share_before, "first-order hold, before", rel=1e-9)

    def filtered(b):
        den = [1.0, -a]
        rest = signal.lfiltic(b, den, y=[start], x=[start])  # at rest on `start` before the first sample
        return floats(signal.lfilter(b, den, u, zi=rest)[0])

    out = {
        "name": name,
        "rate_hz": rate_hz,
        "tau_s": TAU_S,
        "a": a,
        "start": start,
        "u": floats(u),
        "held_previous": filtered([0.0, 1.0 - a]),
        "held_current": filtered([1.0 - a, 0.0]),
        "first_order_hold": filtered([share_now, share_before]),
        "exact": floats(answer),
    }
    best = out["held_previous"] if "step" in name else out["first_order_hold"]
    for got, want in zip(best, out["exact"]):
        same(got, want, f"{name}: discretisation against the continuous answer", rel=1e-9)
    return out


def make_first_order_lag():
    rng = rng_for("first_order_lag")
    lags = []
    for rate, count in [(20.0, 24), (100.0, 80)]:
        t = np.arange(count) / rate
        begin = 5  # sample at which something happens
        since = np.maximum(t - t[begin], 0.0)
        on = np.arange(count) >= begin
        lags.append(lag_case("step", rate, on.astype(float), 0.0, 1.0 - np.exp(-since / TAU_S)))
        lags.append(
            lag_case("lambda step from rest at 1.0 to 0.85", rate, np.where(on, 0.85, 1.0), 1.0,
                     0.85 + 0.15 * np.exp(-since / TAU_S))
        )
        # 1 unit per second, from zero
        lags.append(lag_case("ramp", rate, since, 0.0, since - TAU_S * (1.0 - np.exp(-since / TAU_S))))

    # A unit step at t = 0 seen at uneven times: a recursion with its own exp(-dt/tau) per gap, the
    # input holding over each gap, must land on the continuous answer.
    uneven = np.round(np.cumsum(np.r_[0.0, rng.uniform(0.004, 0.15, 19)]), 4)

    t = np.round(np.cumsum(np.r_[0.0, rng.uniform(0.02, 0.13, 29)]), 3)
    x = np.round(1.0 + 0.1 * np.sin(3.0 * t) + rng.normal(0.0, 0.01, len(t)), 4)
    shifts = []
    for delay in [0.0, 0.037, 0.12, 0.4, -0.25]:
        at = t - delay
        shifts.append(
            {
                "delay_s": delay,
                "at_s": floats(at),
                "inside": [bool(t[0] <= v <= t[-1]) for v in at],
                "expected": floats(np.interp(at, t, x)),
            }
        )
    return {
        "source": "scipy.signal.lfilter with a = exp(-dt/tau), checked against scipy.signal.cont2discrete; "
        "held_previous is the exact zero-order hold y[k] = a y[k-1] + (1-a) u[k-1]; held_current is "
        "y[k] = a y[k-1] + (1-a) u[k]; first_order_hold is exact for an input linear between samples; "
        "exact is the continuous answer; interpolation: numpy.interp at t - delay, held at the ends",
        "versions": VERSIONS,
        "lags": lags,
        "uneven_step": {"tau_s": TAU_S, "t_s": floats(uneven), "u": 1.0, "expected": floats(1.0 - np.exp(-uneven / TAU_S))},
        "interpolation": {"t_s": floats(t), "x": floats(x), "shifts": shifts},
    }


# --------------------------------------------------------------------------- 8 surface

SURFACE_RPM = [1000.0, 1700.0, 2900.0, 4800.0, 8000.0]
SURFACE_LOAD = [0.0, 3.0, 8.0, 20.0, 45.0, 100.0]
# An eighth of a second is exact in binary, so no span of samples falls to either side of a limit by
# rounding.
SURFACE_INTERVAL_S = 0.125
SEGMENT_S = 1.0

SURFACE_SETTINGS = {
    "outlier_k": HUBER_K,
    "noise_floor_pct": 0.5,
    "dwell_gap_s": 1.0,
    "second_spread_pct": 1.5,
    "dwell_spread_pct": 1.0,
    "ride_spread_pct": 0.8,
    "change_pct": 15.0,
    "bend_pct": 5.0,
}
# name, rides, settings other than the ones above
SURFACE_CASES = [
    ("presumed spreads wider than the real ones", [0, 1, 2], {}),
    (
        "presumed spreads too small",
        [0, 1, 2],
        {
            "outlier_k": 2.5,
            "noise_floor_pct": 1.0,
            "dwell_gap_s": 2.5,
            "second_spread_pct": 0.4,
            "dwell_spread_pct": 0.2,
            "ride_spread_pct": 3.0,
            "change_pct": 8.0,
            "bend_pct": 1.2,
        },
    ),
    ("leaving the square always ends a visit", [0, 1, 2], {"dwell_gap_s": 0.0}),
    ("one ride", [1], {}),
    ("no rides", [], {}),
]


def bilinear_shares(rpm, load):
    """The weight of every cell at each point: unit tables interpolated, points clamped to the grid."""
    shape = (len(SURFACE_RPM), len(SURFACE_LOAD))
    units = np.eye(shape[0] * shape[1]).reshape(*shape, -1)
    at = np.column_stack([np.clip(rpm, SURFACE_RPM[0], SURFACE_RPM[-1]), np.clip(load, SURFACE_LOAD[0], SURFACE_LOAD[-1])])
    return RegularGridInterpolator((SURFACE_RPM, SURFACE_LOAD), units, method="linear")(at)


def square_of(rpm, load):
    """The square of the grid that holds a point; the nearest one for a point outside."""
    i = np.clip(np.searchsorted(SURFACE_RPM, rpm, side="right") - 1, 0, len(SURFACE_RPM) - 2)
    j = np.clip(np.searchsorted(SURFACE_LOAD, load, side="right") - 1, 0, len(SURFACE_LOAD) - 2)
    return int(i), int(j)


def ride_through_squares(rng, ridden, truth, offset):
    """A ride that visits square after square: long and short stays, short excursions, gaps."""
    i, j = 1, 1
    stays = []  # square, samples, samples missing before
    for number in range(19):
        # a step to a neighbour, but never to the last square, so that a corner stays without data
        while True:
            ni, nj = [(i + 1, j), (i - 1, j), (i, j + 1), (i, j - 1)][rng.integers(4)]
            if 0 <= ni < len(SURFACE_RPM) - 1 and 0 <= nj < len(SURFACE_LOAD) - 1 and ni + nj < 7:
                break
        stay = int(rng.integers(5, 25))
        if number % 4 == 1:
            # for half a second to the neighbour, and back: the first square was not left for long
            stays += [((ni, nj), 4, 0), ((i, j), stay, 0)]
        elif number % 4 == 3:
            # samples missing within one square, for half a second and for four seconds in turn
            stays += [((i, j), stay, 4 if number % 8 == 3 else 32)]
        else:
            i, j = ni, nj
            stays += [((i, j), stay, 0)]

    time_s, rpm, load, wander = [], [], [], []
    tick = 0
    for (i, j), samples, missing in stays:
        tick += missing
        # a short line through the square, with a little unrest; nothing falls on a breakpoint
        start, end = rng.uniform(0.08, 0.92, 2), rng.uniform(0.08, 0.92, 2)
        shift = rng.normal(0.0, 0.007)
        for k in range(samples):
            u, v = start + (end - start) * k / samples + rng.uniform(-0.05, 0.05, 2)
            r = SURFACE_RPM[i] + u * (SURFACE_RPM[i + 1] - SURFACE_RPM[i])
            c = SURFACE_LOAD[j] + v * (SURFACE_LOAD[j + 1] - SURFACE_LOAD[j])
            time_s.append(tick * SURFACE_INTERVAL_S)
            rpm.append(r)
            load.append(c)
            wander.append(shift)
            tick += 1
    # the odd last digit keeps points off the middle between two cells, where neither is the nearer
    rpm, load = np.round(np.round(rpm, 1) + 0.03, 2), np.round(np.round(load, 2) + 0.003, 3)
    # a few beyond the grid, where the edge answers
    low = np.flatnonzero(rpm < 1250.0)[:3]
    rpm[low] = [960.0, 940.5, 985.3][: len(low)]

    shares = bilinear_shares(rpm, load)
    factor = (shares @ truth) / (shares @ ridden) * (1.0 + offset) + np.array(wander)
    factor += rng.normal(0.0, 0.008, len(factor))
    wild = rng.choice(len(factor), 5, replace=False)
    factor[wild] += rng.choice([-0.2, 0.2], 5)
    return {
        "ridden_amounts": floats(ridden),
        "time_s": floats(time_s),
        "rpm": floats(rpm),
        "load": floats(load),
        "certainty": floats(np.round(rng.uniform(0.3, 1.0, len(factor)), 2)),
        "factor": floats(np.round(factor, 4)),
    }


def surface_segments(ride, settings):
    """What a ride says, segment by segment: square, row over cells, factor, seconds, start, end.

    Written after the documented rules: a sample loses weight by Huber against the median of the
    ride's samples nearest to the same cell, in robust standard deviations but for a floor, and counts by
    its certainty besides; a segment
    is an unbroken stretch inside one square, at most a second long.
    """
    rpm, load, factor, certainty = (np.array(ride[k]) for k in ("rpm", "load", "factor", "certainty"))
    shares = bilinear_shares(rpm, load)
    top = np.sort(shares, axis=1)[:, -2:]
    assert np.all(top[:, 1] - top[:, 0] > 1e-9), "two cells are equally near"
    nearest = np.argmax(shares, axis=1)
    weight = np.empty(len(factor))
    for cell in set(nearest):
        mine = nearest == cell
        centre = lower_weighted_median(factor[mine], certainty[mine])
        spread = lower_weighted_median(np.abs(factor[mine] - centre), certainty[mine]) / stats.norm.ppf(0.75)
        spread = max(spread, settings["noise_floor_pct"] / 100.0 * abs(centre))
        weight[mine] = HuberT(t=settings["outlier_k"]).weights((factor[mine] - centre) / spread)
    robust, weight = weight, weight * certainty

    ridden_at = shares @ np.array(ride["ridden_amounts"])
    groups = []
    for k, t in enumerate(ride["time_s"]):
        square = square_of(rpm[k], load[k])
        if groups:
            last = groups[-1]
            unbroken = math.isclose(t - ride["time_s"][last["samples"][-1]], SURFACE_INTERVAL_S)
            within = t + SURFACE_INTERVAL_S - last["start"] <= SEGMENT_S
            if last["square"] == square and unbroken and within:
                last["samples"].append(k)
                continue
        groups.append({"square": square, "start": t, "samples": [k]})
    for group in groups:
        k = group["samples"]
        group["row"] = np.average(shares[k] / ridden_at[k, None], axis=0, weights=weight[k])
        group["factor"] = np.average(factor[k], weights=weight[k])
        group["seconds"] = SURFACE_INTERVAL_S * weight[k].sum()
        group["end"] = ride["time_s"][k[-1]] + SURFACE_INTERVAL_S
    return groups, robust


def visit_numbers(segments, gap_s):
    """The visit of each segment: one ends when the operating point stays away from its square for long."""
    current, numbers = {}, []  # square -> (visit, when it was left)
    for segment in segments:
        visit, left = current.get(segment["square"], (None, -math.inf))
        if segment["start"] - left > gap_s:
            visit = len(numbers)
        current[segment["square"]] = (visit, segment["end"])
        numbers.append(visit)
    return numbers


def surface_fit(rides, today, start, settings):
    """The whole least-squares problem, every offset an unknown like any cell, solved at once."""
    cells, count = len(today), len(rides)
    second, visit_sd = settings["second_spread_pct"] / 100.0, settings["dwell_spread_pct"] / 100.0
    rows, wanted, is_data, variances = [], [], [], []  # each row already divided by its standard deviation
    for number, ride in enumerate(rides):
        segments, _ = surface_segments(ride, settings)
        visits = visit_numbers(segments, settings["dwell_gap_s"])
        for visit in sorted(set(visits)):
            members = [s for s, v in zip(segments, visits) if v == visit]
            seconds = sum(s["seconds"] for s in members)
            worth = 1.0 / (second**2 / seconds + visit_sd**2)
            for s in members:
                # sum(phi theta / T) = factor - o with theta = today (1 + c): today's part goes right
                information = worth * s["seconds"] / seconds
                row = np.zeros(cells + count)
                row[:cells] = s["row"] * today
                row[cells + number] = 1.0
                rows.append(row * math.sqrt(information))
                wanted.append((s["factor"] - s["row"] @ today) * math.sqrt(information))
                is_data.append(True)
                variances.append((second**2 / s["seconds"] + visit_sd**2) * information)

    def presume(row, pct, is_now=0.0):
        rows.append(row / (pct / 100.0))
        wanted.append(-is_now / (pct / 100.0))
        is_data.append(False)

    unit = np.eye(cells + count)
    for k in range(cells):
        presume(unit[k], settings["change_pct"])
    for k in range(count):
        presume(unit[cells + k], settings["ride_spread_pct"])
    # offsets are against each other: their sum is nothing, a hundred times as surely as any of them
    presume(unit[cells:].sum(axis=0), settings["ride_spread_pct"] / 100.0)
    moved = today / start
    number = np.arange(cells).reshape(len(SURFACE_RPM), len(SURFACE_LOAD))
    lines = [(SURFACE_LOAD, line) for line in number] + [(SURFACE_RPM, line) for line in number.T]
    for at, line in lines:
        for k in range(1, len(at) - 1):
            # the middle cell's amount over its starting one, moved (1 + c), less the line between its
            # neighbours', at its breakpoint
            ends = [at[k - 1], at[k + 1]]
            a, b, c = line[k - 1], line[k], line[k + 1]
            left, right = np.interp(at[k], ends, [1.0, 0.0]), np.interp(at[k], ends, [0.0, 1.0])
            row = moved[b] * unit[b] - left * moved[a] * unit[a] - right * moved[c] * unit[c]
            presume(row, settings["bend_pct"], moved[b] - left * moved[a] - right * moved[c])

    x, y, is_data = np.array(rows), np.array(wanted), np.array(is_data)
    found = np.linalg.lstsq(x, y, rcond=None)[0]
    normal = x.T @ x
    other = scipy.sparse.linalg.spsolve(scipy.sparse.csc_array(normal), x.T @ y)
    assert np.allclose(found, other, rtol=1e-8, atol=1e-11), "orthogonal and normal equations differ"
    residuals = (y - x @ found)[is_data]
    ratio = max(1.0, float(residuals @ residuals) / sum(variances)) if variances else 1.0
    error = np.sqrt(np.diag(np.linalg.inv(normal)) * ratio)
    # the rides as a whole may lie off the truth: the mean of their offsets is not known
    common = (settings["ride_spread_pct"] / 100.0) ** 2 / max(count, 1)
    return {
        "segments": int(is_data.sum()),
        "amounts": floats(today * (1.0 + found[:cells])),
        "std_errors": floats(today * np.sqrt(error[:cells] ** 2 + common)),
        "ride_offsets": floats(found[cells:]),
        "ride_offset_errors": floats(error[cells:]),
        "spread_ratio": ratio,
    }


# name, size, furthest distance from the diagonal that holds anything
BANDS = [("as wide as two rows of a table", 60, 12), ("full", 5, 4), ("tridiagonal", 17, 1), ("diagonal", 4, 0), ("one", 1, 0)]


def make_band(rng, name, n, width):
    """A random positive definite band matrix, its solution and the diagonal of its inverse."""
    near = np.abs(np.subtract.outer(np.arange(n), np.arange(n))) <= width
    root = np.tril(rng.uniform(-1.0, 1.0, (n, n)) * near, -1) + np.diag(rng.uniform(1.5, 3.0, n))
    matrix = np.round(root @ root.T, 3)
    assert np.linalg.eigvalsh(matrix)[0] > 0.0, f"{name} is not positive definite"
    right = np.round(rng.uniform(-5.0, 5.0, n), 3)
    banded = np.zeros((width + 1, n))
    for d in range(width + 1):
        banded[d, : n - d] = np.diag(matrix, -d)
    return {
        "name": name,
        "n": n,
        "width": width,
        "lower": [floats(matrix[i, max(0, i - width) : i + 1]) for i in range(n)],
        "condition": float(np.round(np.linalg.cond(matrix), 1)),
        "right": floats(right),
        "solution": floats(scipy.linalg.solveh_banded(banded, right, lower=True)),
        "inverse_diagonal": floats(np.diag(np.linalg.inv(matrix))),
    }


def make_surface():
    rng = rng_for("surface")
    cells = len(SURFACE_RPM) * len(SURFACE_LOAD)
    today = np.round(rng.uniform(30.0, 90.0, cells), 2)
    truth = today * (1.0 + rng.uniform(-0.08, 0.08, cells))
    before = np.round(today * (1.0 + rng.uniform(-0.05, 0.05, cells)), 2)
    start = np.round(today * (1.0 + rng.uniform(-0.06, 0.06, cells)), 2)
    # the second ride was ridden on another table than today's
    ridden = [(today, 0.004), (before, -0.009), (today, 0.013)]
    rides = [ride_through_squares(rng, table, truth, offset) for table, offset in ridden]

    cases = []
    for name, chosen, changed in SURFACE_CASES:
        settings = SURFACE_SETTINGS | changed
        expected = surface_fit([rides[k] for k in chosen], today, start, settings)
        cases.append({"name": name, "rides": chosen, "settings": settings, "expected": expected})

    # What the rides must hold for the check to mean something.
    for ride in rides:
        segments, weight = surface_segments(ride, SURFACE_SETTINGS)
        short, none = (len(set(visit_numbers(segments, gap))) for gap in (1.0, 0.0))
        runs = 1 + sum(a["square"] != b["square"] for a, b in zip(segments, segments[1:]))
        assert 30 <= len(segments) <= 60 and short < runs < none < len(segments)
        assert np.mean(weight == 1.0) > 0.6 and weight.min() < 0.2
    assert [case["expected"]["spread_ratio"] > 1.0 for case in cases] == [False, True, False, False, False]

    return {
        "source": "numpy.linalg.lstsq on all rows together (segments, presumed changes, bends and ride offsets), "
        "checked against scipy.sparse.linalg.spsolve; errors from numpy.linalg.inv of the full normal matrix, "
        "offsets included; shares by scipy RegularGridInterpolator on unit tables, weights by statsmodels HuberT; "
        "bands: scipy.linalg.solveh_banded, numpy.linalg.inv",
        "versions": VERSIONS,
        "rpm": SURFACE_RPM,
        "load": SURFACE_LOAD,
        "today": floats(today),
        "start": floats(start),
        "interval_s": SURFACE_INTERVAL_S,
        "rides": rides,
        "cases": cases,
        "bands": [make_band(rng, *band) for band in BANDS],
    }


# ------------------------------------------------------------------- 9 steady state

STEADY_SIGNALS = ["white noise", "ramp", "jump", "quantised and still"]


def ewma(x, weight, start):
    """y[k] = weight * x[k] + (1 - weight) * y[k-1], from y[-1] = start."""
    keep = 1.0 - weight
    return signal.lfilter([weight], [1.0, -keep], x, zi=[keep * start])[0]


def steady_signal(rng, name):
    noise = rng.normal(0.0, 1.0, 60)
    k = np.arange(60)
    return {
        "white noise": np.round(noise, 4),
        "ramp": np.round(noise + 0.5 * k, 4),
        "jump": np.round(0.3 * noise + np.where(k < 25, 10.0, 40.0), 4),
        "quantised and still": np.where(k == 40, 12.5, 12.0),
    }[name]


def make_steady_state():
    rng = rng_for("steady_state")
    cases = []
    for name in STEADY_SIGNALS:
        x = steady_signal(rng, name)
        for mean, deviation, step, noise in [(0.2, 0.1, 0.1, 0.05), (0.1, 0.1, 0.05, 0.5)]:
            floor = noise**2
            running = ewma(x, mean, x[0])
            before = np.r_[x[0], running[:-1]]
            nu = ewma((x - before) ** 2, deviation, 2.0 * floor / (2.0 - mean))
            delta = ewma(np.diff(x, prepend=x[0]) ** 2, step, 2.0 * floor)
            ratio = (2.0 - mean) * nu / np.maximum(delta, 2.0 * floor)
            cases.append(
                {
                    "name": name,
                    "values": floats(x),
                    "mean": mean,
                    "deviation": deviation,
                    "step": step,
                    "noise": noise,
                    "ratio": floats(ratio),
                }
            )
    return {
        "source": "Cao and Rhinehart (1995) recursions through scipy.signal.lfilter; the variance of the steps is "
        "floored at twice the noise variance",
        "versions": VERSIONS,
        "cases": cases,
    }


# ------------------------------------------------------------------- 10 lambda delay

DELAY_RPM = [1500.0, 2200.0, 2900.0, 3600.0, 4300.0, 5000.0, 5800.0]
DELAY_LOAD = [2.0, 6.0, 11.0, 18.0, 27.0, 38.0, 52.0, 70.0]
DELAY_ROWS = 6000
DELAY_INTERVAL_S = 0.05
DELAY_TRUTH = {"cycles": 2.4, "transport_ml": 1700.0, "lag_s": 0.055, "film_share": 0.16, "filling_cycles": 1.3}
# An engine with round numbers; the air, pipe and gas constants are those of the tool's documentation.
DELAY_ENGINE = {"displacement_cc": 650.0, "cylinders": 2, "stoich_afr": 14.1}
R_AIR, REFERENCE_KPA, REFERENCE_K = 287.05, 99.0, 298.15
EXHAUST_KPA, EXHAUST_K = 101.3, 627.0 + 273.15
LEAST_FLOW_KG_S, FREE_AIR = 2e-4, 3.0
FILM_S, FILM_AT_RPM, DELAY_GAP_S = 0.4, 3000.0, 0.5
# Usual values and how far bikes lie from them: cycles, cm3, s, film share, filling cycles.
DELAY_USUAL = np.array([1.5, 800.0, 0.08, 0.1, 1.0])
DELAY_SPREAD = np.array([0.5, 400.0, 0.03, 0.08, 0.5])
READING_SPREAD, READING_MEMORY_S, OUTLIER_K = 0.012, 2.0, 4.0
DELAY_CHANGE, DELAY_BEND = 0.30, 0.05
DELAY_NOISE_ROWS = 3  # 0.15 s to each side


def lag_by_ramps(x, tau):
    """tau y' = x - y for x that runs straight from row to row; in balance at the start and after NaN."""
    y = np.full(len(x), np.nan)
    for i in range(len(x)):
        if i == 0 or not (np.isfinite(x[i]) and np.isfinite(x[i - 1])) or tau[i] == 0.0:
            y[i] = x[i]
            continue
        trail = (x[i] - x[i - 1]) / DELAY_INTERVAL_S * tau[i]
        y[i] = x[i] - trail + (y[i - 1] - x[i - 1] + trail) * math.exp(-DELAY_INTERVAL_S / tau[i])
    return y


class DelayRide:
    """What a ride's operating points tell of its lambda, if the table is right."""

    def __init__(self, rpm, load, fuel, mixture):
        points = np.column_stack([rpm, load])
        bilinear = lambda values: RegularGridInterpolator(
            (DELAY_RPM, DELAY_LOAD), values.reshape(len(DELAY_RPM), len(DELAY_LOAD))
        )(points)
        self.time_s = np.arange(len(rpm)) * DELAY_INTERVAL_S
        self.air, self.meant = bilinear(fuel), bilinear(mixture)
        # Each cell's share of the fuel at each row: what a change of the cell does to lambda.
        units = np.eye(len(fuel))
        weights = np.column_stack([bilinear(units[k]) for k in range(len(fuel))])
        self.shares = weights * fuel / self.air[:, None]
        self.cycle_s = 120.0 / rpm
        air_g = self.air / 100.0 * REFERENCE_KPA * DELAY_ENGINE["displacement_cc"] / DELAY_ENGINE["cylinders"]
        air_kg_s = air_g / (R_AIR * REFERENCE_K) * DELAY_ENGINE["cylinders"] / self.cycle_s / 1000.0
        flow = np.maximum(air_kg_s * (1.0 + 1.0 / DELAY_ENGINE["stoich_afr"]), LEAST_FLOW_KG_S)
        self.s_per_ml = EXHAUST_KPA * 1000.0 / (R_AIR * EXHAUST_K) * 1e-6 / flow

    def cylinder_lambda(self, film_share, filling_cycles):
        air = lag_by_ramps(self.air, filling_cycles * self.cycle_s)
        injected = self.air / self.meant / self.cycle_s
        tau = FILM_S * np.sqrt(FILM_AT_RPM * self.cycle_s / 120.0)
        settled = film_share * tau * injected
        keeps = np.exp(-DELAY_INTERVAL_S / tau)
        mass = np.empty(len(air))
        mass[0] = settled[0]
        for i in range(1, len(air)):
            mass[i] = settled[i] + (mass[i - 1] - settled[i]) * keeps[i]
        grows = np.diff(mass, prepend=mass[0]) / DELAY_INTERVAL_S
        enters = np.maximum(injected - grows, 0.0) * self.cycle_s
        return np.minimum(air / np.maximum(enters, 1e-300), FREE_AIR)

    def arrives_s(self, cycles, transport_ml):
        return self.time_s + cycles * self.cycle_s + transport_ml * self.s_per_ml

    def reading(self, cylinder, cycles, transport_ml, lag_s):
        # gas does not overtake gas
        arrives = np.maximum.accumulate(self.arrives_s(cycles, transport_ml))
        assert np.diff(arrives).max() < DELAY_GAP_S
        gas = np.interp(self.time_s, arrives, cylinder, left=np.nan)
        return lag_by_ramps(gas, np.full(len(gas), lag_s))

    def misses(self, measured, at):
        """Measured over predicted at each row's own time, less one; NaN where one is unknown."""
        cycles, transport_ml, lag_s, film_share, filling_cycles = at
        predicted = self.reading(self.cylinder_lambda(film_share, filling_cycles), cycles, transport_ml, lag_s)
        shows = self.arrives_s(cycles, transport_ml) + lag_s
        known = np.isfinite(predicted)
        there = np.interp(shows, self.time_s[known], predicted[known], left=np.nan, right=np.nan)
        return np.interp(shows, self.time_s, measured, right=np.nan) / there - 1.0


def delay_table_prior():
    """One row a cell for its change, one a bend along either axis, each by its spread."""
    rows, columns = len(DELAY_RPM), len(DELAY_LOAD)
    number = np.arange(rows * columns).reshape(rows, columns)
    prior = [np.eye(rows * columns) / DELAY_CHANGE]
    for cells, at in [(number, DELAY_LOAD), (number.T, DELAY_RPM)]:
        for line in cells:
            for a, b, c, left, here, right in zip(line, line[1:], line[2:], at, at[1:], at[2:]):
                share = (here - left) / (right - left)
                row = np.zeros(rows * columns)
                row[[a, b, c]] = 1.0 - share, -1.0, share
                prior.append(row[None, :] / DELAY_BEND)
    return np.vstack(prior)


def make_lambda_delay():
    rng = rng_for("lambda_delay")
    n = DELAY_ROWS
    t = np.arange(n) * DELAY_INTERVAL_S
    # The hand: a new opening every second or so, reached within a fifth of a second.
    throttle = np.empty(n)
    i = 0
    while i < n:
        stays = int(rng.integers(12, 36))
        throttle[i : i + stays] = rng.uniform(2.0, 60.0)
        i += stays
    throttle = np.round(np.convolve(np.pad(throttle, 2, mode="edge"), np.full(5, 0.2), mode="valid"), 1)
    wander = lambda period, phase: np.sin(2 * np.pi * t / period + phase)
    rpm = np.round(3100.0 + 1200.0 * wander(41.0, 0.3) + 350.0 * wander(13.0, 1.1))

    mesh_rpm, mesh_load = (m.ravel() for m in np.meshgrid(DELAY_RPM, DELAY_LOAD, indexing="ij"))
    fuel = np.round(30.0 + 45.0 * mesh_load / (mesh_load + 14.0) + 8.0 * np.sin(mesh_rpm / 1300.0), 1)
    mixture = np.round(1.0 - 0.12 * (mesh_load / 70.0), 3)
    wrong = 0.06 * np.sin(mesh_rpm / 700.0) + 0.10 * np.cos(mesh_load / 8.0)

    ride = DelayRide(rpm, throttle, fuel, mixture)
    made = ride.cylinder_lambda(DELAY_TRUTH["film_share"], DELAY_TRUTH["filling_cycles"])
    made = made * (1.0 + ride.shares @ wrong)
    read = ride.reading(made, DELAY_TRUTH["cycles"], DELAY_TRUTH["transport_ml"], DELAY_TRUTH["lag_s"])
    # Before the first gas has arrived the sensor reads what is there.
    read = np.where(np.isfinite(read), read, read[np.isfinite(read)][0])
    measured = np.round(read + rng.normal(0.0, 0.004, n), 4)

    # Ends of the log have no reading at some delays; they are left out at all of them.
    rows = np.arange(40, n - 40)
    first = ride.misses(measured, DELAY_USUAL)[rows]
    assert np.abs(first).max() < 0.5 and 0.65 < measured.min() and measured.max() < 1.55
    weight = DELAY_INTERVAL_S / READING_MEMORY_S / READING_SPREAD**2
    shares, prior = ride.shares[rows], delay_table_prior()
    table = scipy.linalg.cho_factor(weight * shares.T @ shares + prior.T @ prior)

    def parts(at):
        miss = ride.misses(measured, at)[rows]
        change = scipy.linalg.cho_solve(table, weight * shares.T @ miss)
        return miss - shares @ change, prior @ change

    def residuals(z):
        left, table_part = parts(DELAY_USUAL + z * DELAY_SPREAD)
        return np.concatenate([math.sqrt(weight) * left, table_part, z])

    def slopes(z, step=0.05):
        sides = [(residuals(z + step * e), residuals(z - step * e)) for e in np.eye(len(z))]
        return np.column_stack([(up - down) / (2.0 * step) for up, down in sides])

    lowest = -DELAY_USUAL / DELAY_SPREAD
    bounds = (lowest, np.full(5, 20.0))
    best = optimize.least_squares(residuals, np.zeros(5), jac=slopes, bounds=bounds, xtol=1e-10)
    assert best.success, best.message
    other = optimize.least_squares(residuals, np.full(5, 1.0), jac=slopes, bounds=bounds, xtol=1e-10)
    assert np.abs(best.x - other.x).max() < 0.02, "two starts find one optimum"
    left, _ = parts(DELAY_USUAL + best.x * DELAY_SPREAD)
    outliers = np.sum(np.abs(left) > OUTLIER_K * READING_SPREAD)
    assert outliers <= 5, "hardly any reading is an outlier, so plain squares serve"

    # Errors: slopes of what is left, averaged over neighbouring rows so that noise is no information.
    def raw_slopes(z, step=0.1):
        at = lambda z: ride.misses(measured, DELAY_USUAL + z * DELAY_SPREAD)[rows]
        return np.column_stack([(at(z + step * e) - at(z)) / step for e in np.eye(len(z))])

    def errors(columns):
        change = scipy.linalg.cho_solve(table, weight * shares.T @ columns)
        left = columns - shares @ change
        return np.sqrt(np.diag(np.linalg.inv(weight * left.T @ left + np.eye(5)))) * DELAY_SPREAD

    raw = raw_slopes(best.x)
    width = 2 * DELAY_NOISE_ROWS + 1
    quiet = np.column_stack([np.convolve(c, np.full(width, 1.0 / width), mode="same") for c in raw.T])
    names = ["cycles", "transport_ml", "lag_s"]
    # A search ends where steps get small, not at the last bit: five digits are the same everywhere.
    told = lambda values: dict(zip(names, [float(f"{v:.5g}") for v in values]))
    found = DELAY_USUAL + best.x * DELAY_SPREAD
    return {
        "source": "a ride made in numpy with a known delay, film, filling, table error and noise; "
        "scipy.optimize.least_squares over cycles, volume, lag, film share and filling, the table profiled out "
        "with scipy.linalg.cho_solve, and the usual values as prior; errors from numpy.linalg.inv",
        "versions": VERSIONS,
        "engine": DELAY_ENGINE,
        "rpm_axis": DELAY_RPM,
        "load_axis": DELAY_LOAD,
        "fuel": floats(fuel),
        "mixture": floats(mixture),
        "truth": {name: DELAY_TRUTH[name] for name in names},
        "optimum": told(found),
        "std_error": told(errors(quiet)),
        "std_error_with_noise": told(errors(raw)),
        "interval_s": DELAY_INTERVAL_S,
        "rpm": floats(rpm),
        "throttle_pct": floats(throttle),
        "lambda": floats(measured),
    }


# --------------------------------------------------------------------------- 12 throttle steps

TIP_IN_RATE_HZ = 50.0
TIP_IN_AT_S = 4.0
TIP_IN_END_S = 8.0
TIP_IN_DELAY_S = 0.08
TIP_IN_LAG_S = 0.07
TIP_IN_BAND = 0.03
# share X on the wall, time constant s, air step r, share of X that the controller makes up for
TIP_IN_CASES = [
    (0.30, 0.4, 2.0, 0.0),
    (0.50, 0.8, 2.0, 0.0),
    (0.15, 0.4, 2.5, 0.0),
    (0.30, 0.4, 2.0, 0.5),
    (0.30, 0.4, 2.0, 0.9),
    (0.30, 0.4, 0.5, 0.0),
]


def tip_in_case(share, tau, ratio, made_up):
    """Aquino's film behind a controller that inverts a film of a part of the share, by solve_ivp.

    States: fuel on the wall, and the fuel that the controller believes to flow onto it. Air steps at
    zero and fuel is metered for it at once. The sensor is a third state, behind a delay.
    """
    known = made_up * share
    metered = lambda believed, wanted: (wanted - known * believed) / (1.0 - known)

    def flow(_, state):
        wall, believed = state
        injected = metered(believed, ratio)
        return [share * injected - wall / tau, (injected - believed) / tau]

    end = TIP_IN_END_S - TIP_IN_AT_S
    tight = {"rtol": 1e-10, "atol": 1e-12, "dense_output": True}
    wet = integrate.solve_ivp(flow, [0.0, end], [share * tau, 1.0], **tight)

    def cylinder(t):
        if t < 0.0:
            return 1.0
        wall, believed = wet.sol(t)
        return ratio / ((1.0 - share) * metered(believed, ratio) + wall / tau)

    seen = lambda t, y: [(cylinder(t - TIP_IN_DELAY_S) - y[0]) / TIP_IN_LAG_S]
    sensor = integrate.solve_ivp(seen, [TIP_IN_DELAY_S, end], [1.0], max_step=0.01, **tight)
    t = np.arange(round(TIP_IN_END_S * TIP_IN_RATE_HZ)) / TIP_IN_RATE_HZ - TIP_IN_AT_S
    readings = [1.0 if v <= TIP_IN_DELAY_S else float(sensor.sol(v)[0]) for v in t]
    peak = cylinder(0.0)
    # What is not made up for is again a film: share X (1-c)/(1-cX), and time constant (1-cX) tau.
    left = share * (1.0 - made_up) / (1.0 - known)
    same(peak, ratio / ((1.0 - left) * ratio + left), "peak against the closed form", rel=1e-9)
    off = lambda v: abs(cylinder(v) - 1.0) - TIP_IN_BAND
    settles = 0.0 if off(0.0) < 0.0 else float(optimize.brentq(off, 0.0, end))
    if made_up == 0.0:
        believed = share * (ratio - 1.0)
        closed = lambda v: ratio / (ratio - believed * math.exp(-v / tau))
        same(cylinder(0.7), closed(0.7), "lambda against the closed form", rel=1e-7)
    return {
        "share": share,
        "film_s": tau,
        "air_ratio": ratio,
        "made_up": made_up,
        "left_share": left,
        "peak_pct": (peak - 1.0) * 100.0,
        "settle_s": settles,
        "readings": [round(v, 6) for v in readings],
    }


def make_tip_in():
    cases = [tip_in_case(*case) for case in TIP_IN_CASES]
    printed("D film peak, X .3 r 2", "1.18", 1.0 + cases[0]["peak_pct"] / 100.0)
    printed("D film peak, X .5 r 2", "1.33", 1.0 + cases[1]["peak_pct"] / 100.0)
    return {
        "source": "scipy.integrate.solve_ivp of Aquino's film (SAE 810494, equations from memory) behind a "
        "delay and a first-order lag; peak and course checked against the closed form r/(r - X (r-1) "
        "exp(-t/tau)), the settling time by scipy.optimize.brentq",
        "versions": VERSIONS,
        "rate_hz": TIP_IN_RATE_HZ,
        "step_at_s": TIP_IN_AT_S,
        "delay_s": TIP_IN_DELAY_S,
        "lag_s": TIP_IN_LAG_S,
        "cases": cases,
    }


# --------------------------------------------------------------------------- 11 workshop sums

WATER_GAS = 3.5


def frozen_gas():
    """Burnt gas of gri30's species, and the temperature at which its water gas is at 3.5."""
    wanted = ("CO2", "CO", "H2O", "H2", "O2", "N2", "AR")
    species = {one.name: one for one in ct.Species.list_from_file("gri30.yaml")}
    gas = ct.Solution(thermo="ideal-gas", species=[species[name] for name in wanted])

    def water_gas(kelvin):
        gas.TP = kelvin, ct.one_atm
        g = dict(zip(gas.species_names, gas.standard_gibbs_RT))
        return math.exp(-(g["CO"] + g["H2O"] - g["CO2"] - g["H2"])) - WATER_GAS

    return gas, float(optimize.brentq(water_gas, 1200.0, 2500.0))


def dry_percent(gas):
    wet = dict(zip(gas.species_names, gas.X))
    dry = 1.0 - wet["H2O"]
    return {name.lower(): float(100.0 * wet[name] / dry) for name in ("CO2", "CO", "O2")}


def exhaust_rows():
    """cantera's equilibrium exhaust of a fuel CHhOo at a lambda; the formula has to give lambda back."""
    gas, kelvin = frozen_gas()
    rows = []
    for h, o in [(1.85, 0.0), (1.7261, 0.0176), (3.0, 0.5), (4.0, 1.0)]:
        for lam in [0.75, 0.80, 0.85, 0.90, 0.95, 1.00, 1.05, 1.10, 1.20]:
            # one mole of fuel as elements: C as CO2, H as H2, its oxygen as O2; lambda times its air
            air = lam * (1.0 + h / 4.0 - o / 2.0)
            moles = {"CO2": 1.0, "H2": h / 2.0, "O2": air + o / 2.0 - 1.0, "N2": air * 0.79 / 0.21}
            if moles["O2"] < 0.0:
                # take the missing oxygen from CO2
                moles["CO"] = -2.0 * moles["O2"]
                moles["CO2"] -= moles["CO"]
                moles["O2"] = 0.0
            gas.TPX = kelvin, ct.one_atm, moles
            gas.equilibrate("TP")
            rows.append({"hydrogen": h, "oxygen": o, "lambda": lam, **dry_percent(gas)})
    return kelvin, rows


# lambda, dry CO2, CO, O2 in %: petrol CH1.85, water gas at 3.5, air of one O2 to 3.76 N2 or nearly; tag C
PRINTED_EXHAUST = [
    (0.80, "10.429", "7.682", "0"),
    (0.90, "13.010", "3.724", "0"),
    (1.00, "15.502", "0", "0"),
    (1.10, "14.001", "0", "2.048"),
]


def brettschneider(co2, co, o2, hc_ppm, h, o, carbons=6.0):
    water = h / 4.0 * WATER_GAS / (WATER_GAS + co / co2)
    top = co2 + co / 2.0 + o2 + (water - o / 2.0) * (co2 + co)
    return top / ((1.0 + h / 4.0 - o / 2.0) * (co2 + co + carbons * hc_ppm / 1e4))


def make_workshop_sums():
    kelvin, exhaust = exhaust_rows()
    printed_exhaust = []
    for lam, co2, co, o2 in PRINTED_EXHAUST:
        numbers = [float(text) for text in (co2, co, o2)]
        printed(f"E exhaust at lambda {lam}", f"{lam:.2f}", brettschneider(*numbers, 0.0, 1.85, 0.0))
        printed_exhaust.append({"lambda": lam, "co2": numbers[0], "co": numbers[1], "o2": numbers[2]})
    example = {
        "co2": 14.7, "co": 0.25, "o2": 0.35, "hc_ppm": 60.0, "hydrogen": 1.7261, "oxygen": 0.0176,
        "lambda_printed": printed("E exhaust example", "1.0067", brettschneider(14.7, 0.25, 0.35, 60.0, 1.7261, 0.0176)),
    }

    humid = []
    for p, t, rh in [(101325.0, 20.0, 0.5), (98000.0, 32.0, 0.5), (90000.0, 20.0, 0.4), (101325.0, 5.0, 1.0),
                     (95000.0, 38.0, 0.8), (80000.0, -10.0, 0.0)]:
        volume_per_dry_kg = HAPropsSI("Vda", "T", t + KELVIN, "P", p, "R", rh)
        water_per_dry_kg = HAPropsSI("W", "T", t + KELVIN, "P", p, "R", rh)
        humid.append(
            {
                "pressure_pa": p, "temp_c": t, "humidity": rh,
                "density": float((1.0 + water_per_dry_kg) / volume_per_dry_kg),
                "vapour_pa": float(HAPropsSI("P_w", "T", t + KELVIN, "P", p, "R", rh)),
            }
        )

    heights = [0.0, 250.0, 500.0, 1000.0, 1600.0, 2500.0, 4000.0, 6000.0, 8500.0]
    standard = []
    for h in heights:
        # ambiance takes geometric heights; the crate's are geopotential, as the standard's tables begin
        at = ambiance.Atmosphere(ambiance.Atmosphere.geop2geom_height(h))
        standard.append({"altitude_m": h, "pressure_pa": float(at.pressure[0]), "density": float(at.density[0])})

    units = [
        ("pressure", "psi", constants.psi / 1e3),
        ("pressure", "inHg", constants.torr * constants.inch * 1e3 / 1e3),
        ("pressure", "mmHg", constants.torr / 1e3),
        ("pressure", "bar", constants.bar / 1e3),
        ("volume", "in3", constants.inch**3 * 1e6),
        ("length", "in", constants.inch * 1e3),
        ("height", "ft", constants.foot),
        ("mass", "lb", constants.pound),
        ("speed", "mph", constants.mph * 3.6),
        ("speed", "kn", constants.knot * 3.6),
        ("power", "hp", constants.hp / 1e3),
        ("power", "PS", 75.0 * constants.g / 1e3),
        ("acceleration", "g", constants.g),
        ("specific consumption", "lb/hph", constants.pound * 1e3 / (constants.hp / 1e3)),
    ]

    pistons = []
    for stroke, rod, rpm in [(65.5, 120.0, 8200.0), (45.0, 95.0, 14000.0), (98.0, 160.0, 5500.0)]:
        r, omega = stroke / 2e3, 2.0 * math.pi * rpm / 60.0
        length = rod / 1e3

        def depth(t):
            """How far the piston is below its top, m."""
            angle = omega * t
            return r + length - r * np.cos(angle) - np.sqrt(length**2 - (r * np.sin(angle)) ** 2)

        step = 1e-3 / omega
        peak = float((depth(step) - 2.0 * depth(0.0) + depth(-step)) / step**2)
        turn = np.linspace(0.0, 2.0 * math.pi / omega, 200_001)
        mean = float(np.abs(np.diff(depth(turn))).sum() / turn[-1])
        pistons.append({"stroke_mm": stroke, "rod_mm": rod, "rpm": rpm, "mean_m_s": mean, "peak_m_s2": peak})

    # 40 CFR 86.529-98: F = A + C V^2, N and km/h; read (V). 300 kg at 100 km/h comes to 8.23 kW.
    road_table = [
        {"mass_kg": m, "a_n": a, "c_n_kph2": c, "kw_at_100": (a + c * 1e4) * 100.0 / 3.6 / 1e3}
        for m, a, c in [(200.0, 8.69, 0.0252), (250.0, 13.06, 0.0266), (300.0, 17.43, 0.0279), (340.0, 20.92, 0.0290)]
    ]
    printed("J 40 CFR 86.529-98, 300 kg at 100 km/h, kW", "8.23", road_table[2]["kw_at_100"])
    road = []
    for kph, a, text in [(50.0, 0.0, "1.42"), (90.0, 0.0, "5.79"), (130.0, 0.0, "15.72"), (100.0, 2.0, "25.2")]:
        v = kph / 3.6
        kw = (300.0 * 9.81 * 0.015 + 0.5 * 1.2 * 0.5 * v * v + 1.05 * 300.0 * a) * v / 1e3
        road.append({"speed_kph": kph, "acceleration_m_s2": a, "kw_printed": printed(f"J {kph:.0f} km/h", text, kw),
                     "decimals": -Decimal(text).as_tuple().exponent, "kw": kw})

    return {
        "source": "exhaust: cantera equilibrium of gri30's CO2, CO, H2O, H2, O2, N2 at the temperature where "
        "CO H2O/(CO2 H2) = 3.5, dry %; printed_exhaust, example: project notes, C; humid: CoolProp HAPropsSI "
        "(ASHRAE RP-1485); standard: ambiance (ICAO 1993, the same as ISO 2533) at geopotential heights; units: "
        "scipy.constants; pistons: the slider-crank's travel differentiated by numpy; road_table: 40 CFR "
        "86.529-98, V; road: 300 kg, cda .5, crr .015, 1.2 kg/m3, 9.81 m/s2, k_rot 1.05, C",
        "versions": {**VERSIONS, **{name: metadata.version(name) for name in ("CoolProp", "ambiance")}},
        "frozen_k": kelvin,
        "exhaust": exhaust,
        "printed_exhaust": printed_exhaust,
        "example": example,
        "humid": humid,
        "standard": standard,
        "units": [{"quantity": q, "unit": u, "native": float(v)} for q, u, v in units],
        "pistons": pistons,
        "road_table": road_table,
        "road": road,
    }


# --------------------------------------------------------------------------- 13 power


def make_power():
    """Smoothed speed and slope of a pull, and a pull whose power and resistance are known."""
    rng = rng_for("power.json")
    dt, half = 0.05, 8
    time = np.round(np.arange(60) * dt, 6)
    speed = np.round(18.0 + 3.2 * time - 0.35 * time**2 + 0.4 * np.sin(2.0 * time) + rng.normal(0, 0.05, 60), 3)
    window = 2 * half + 1
    even = {
        "time_s": floats(time),
        "values": floats(speed),
        "half_s": half * dt,
        "value": floats(signal.savgol_filter(speed, window, 2)[half:-half]),
        "slope": floats(signal.savgol_filter(speed, window, 2, deriv=1, delta=dt)[half:-half]),
    }
    scattered = np.round(np.cumsum(rng.uniform(0.02, 0.09, 60)), 4)
    noisy = np.round(18.0 + 3.2 * scattered - 0.35 * scattered**2 + rng.normal(0, 0.05, 60), 3)
    reach = 0.4001
    uneven = {"time_s": floats(scattered), "values": floats(noisy), "half_s": reach, "at": [], "value": [], "slope": []}
    for at in range(60):
        if scattered[at] - scattered[0] < reach or scattered[-1] - scattered[at] < reach:
            continue
        near = np.abs(scattered - scattered[at]) <= reach
        c2, c1, c0 = np.polyfit(scattered[near] - scattered[at], noisy[near], 2)
        uneven["at"].append(at)
        uneven["value"].append(float(c0))
        uneven["slope"].append(float(c1))

    # 40 CFR 86.529-98: F = A + C V^2, N and km/h; read (V). Constant power at the wheel, solved by scipy.
    pulls = []
    for mass, a_n, c_n in [(200.0, 8.69, 0.0252), (250.0, 13.06, 0.0266), (300.0, 17.43, 0.0279), (340.0, 20.92, 0.0290)]:
        kw, k_rot = 30.0, 1.05

        def acceleration(_, v, a_n=a_n, c_n=c_n, mass=mass):
            return (kw * 1e3 / v - a_n - c_n * (3.6 * v) ** 2) / (k_rot * mass)

        at = np.round(np.arange(0.0, 8.0, dt), 6)
        solved = integrate.solve_ivp(acceleration, (0.0, 8.0), [18.0], t_eval=at, rtol=1e-10, atol=1e-10)
        pulls.append({"mass_kg": mass, "a_n": a_n, "c_n_kph2": c_n, "k_rot": k_rot, "wheel_kw": kw,
                      "time_s": floats(at), "speed_kph": [round(3.6 * float(v), 4) for v in solved.y[0]]})
    return {
        "source": "even: scipy.signal.savgol_filter, parabola; uneven: numpy.polyfit of the samples within half_s; pulls: "
        "resistance of 40 CFR 86.529-98 (V), motion by scipy.integrate.solve_ivp",
        "versions": VERSIONS,
        "even": even,
        "uneven": uneven,
        "pulls": pulls,
    }


# --------------------------------------------------------------------------- main


FILES = {
    "bilinear.json": make_bilinear,
    "weighted_mean.json": make_weighted_mean,
    "huber.json": make_huber,
    "stoichiometry.json": make_stoichiometry,
    "air.json": make_air,
    "fuel_sums.json": make_fuel_sums,
    "first_order_lag.json": make_first_order_lag,
    "surface.json": make_surface,
    "steady_state.json": make_steady_state,
    "lambda_delay.json": make_lambda_delay,
    "workshop_sums.json": make_workshop_sums,
    "tip_in.json": make_tip_in,
    "power.json": make_power,
}


def main(arguments):
    if arguments not in ([], ["--check"]):
        sys.exit("usage: make_reference.py [--check]")
    checking = arguments == ["--check"]
    stale = []
    for name, make in FILES.items():
        data = make()
        text = render(data) + "\n"
        assert json.loads(text) == data, f"{name} does not read back as it was written"
        path = HERE / name
        if not checking:
            path.write_text(text, encoding="utf-8", newline="\n")
        elif not path.exists() or not alike(json.loads(path.read_text(encoding="utf-8")), data):
            stale.append(name)
        print(f"{name}: {len(text.encode())} bytes")

    print()
    unexplained = 0
    for label, text, computed, agrees in PRINTED:
        reason = "" if agrees else KNOWN_DIFFERENCES.get(label)
        unexplained += reason is None
        mark = "ok  " if agrees else "DIFF"
        print(f"{mark} {label}: printed {text}, computed {computed!r}" + (f" ({reason})" if reason else ""))
    print(f"\n{len(PRINTED)} printed values, {unexplained} differ unexplained; stale files: {', '.join(stale) or 'none'}")
    return 1 if unexplained or stale else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
