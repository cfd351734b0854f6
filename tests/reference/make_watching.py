"""Reference values for watching over time and for funnels, written to watching.json beside this file.

Series and paths: plain loops over days. Run lengths and false alarms of sums of a Poisson process: the delay equations of the
expected time, or of the chance of no alarm, stepped on a grid (second order). Run lengths of single outcomes: the exact Markov chain
of Brook and Evans (Biometrika 1972;59:539-549) where both steps are whole multiples of one length. Limits: scipy's whole-number
quantiles, and roots by mpmath between them.

    python3 make_watching.py

needs numpy, scipy and mpmath; the versions are written into the file.
"""

import json
import math
import pathlib
import random

import mpmath
import numpy as np
import scipy
from mpmath import mp, mpf
from scipy.stats import binom, poisson

mp.dps = 40
rng = random.Random(20)


def make_series():
    # Survival 0.95 at day 20, 0.9 at 50, 0.7 at 120; hazard straight between.
    knots = [(0, 0.0), (20, -math.log(0.95)), (50, -math.log(0.9)), (120, -math.log(0.7))]

    def daily(age):
        for (a, ha), (b, hb) in zip(knots, knots[1:]):
            if a < age <= b:
                return (hb - ha) / (b - a)
        return 0.0

    rows = []
    for _ in range(60):
        origin = rng.randrange(0, 100)
        entry = rng.choice([0, 0, 0, rng.randrange(1, 30)])
        exit_ = entry + rng.randrange(1, 100)
        rows.append([origin, entry, exit_, rng.random() < 0.4, rng.randrange(0, 25)])
    rows.append([7, 0, 0, True, 3])
    first, last = 15, 140
    expected = [0.0] * (last - first + 1)
    observed = [0] * (last - first + 1)
    for origin, entry, exit_, failed, _ in rows:
        for age in range(entry + 1 if entry > 0 else 0, exit_ + 1):
            day = origin + age
            if first <= day <= last and age <= 120:
                expected[day - first] += daily(age)
                if age == exit_ and failed:
                    observed[day - first] += 1
    return {"rows": rows, "first": first, "last": last, "observed": observed, "expected": expected}


def make_path(series, ratio, limit, again):
    sums, signals, c, beyond = [], [], 0.0, False
    for day, (d, e) in enumerate(zip(series["observed"], series["expected"])):
        waited = max(0.0, c - (ratio - 1) * e)
        c = max(0.0, waited + math.log(ratio) * d) if d else waited
        top = max(waited, c)
        signal = top > limit and not beyond
        sums.append(top if signal else c)
        if signal:
            signals.append(day)
            if again:
                c = 0.0
        beyond = top > limit and not again
    return {"ratio": ratio, "limit": limit, "again": again, "sums": sums, "signals": signals}


def run_length_up(ratio, multiple, n=20000):
    """Looking for more; the limit is `multiple` times ln ratio (a multiple of 1/n of it)."""
    jump, fall = math.log(ratio), ratio - 1
    step = jump / n
    size = round(multiple * n)
    a, b = np.zeros(size + 1), np.zeros(size + 1)  # index: distance below the limit in steps
    b[0] = 1.0
    # fall * L' = 1 - L + L(c + jump); with x = h - c: -fall dL/dx = 1 - L + L(x - jump). Trapezium, implicit in L.
    w = step / (2 * fall)
    for i in range(1, size + 1):
        for v, one in ((a, 1.0), (b, 0.0)):
            back = v[i - n] if i - n >= 0 else 0.0
            # Just beyond the limit the alarm has gone off, so the jump at i == n counts for the step that starts there.
            back0 = v[i - 1 - n] if i - 1 - n >= 0 else 0.0
            if i == n:
                back = 0.0
            v[i] = (v[i - 1] * (1 + w) - w * (2 * one + back + back0)) / (1 - w)
    top = size - n
    a_top, b_top = (a[top], b[top]) if top >= 0 else (0.0, 0.0)
    # L(0) = 1 + L(jump)
    k = (1 + a_top - a[size]) / (b[size] - b_top)
    return float(a[size] + k * b[size])


def run_length_down(ratio, multiple, n=20000):
    jump, rise = -math.log(ratio), 1 - ratio
    step = jump / n
    size = round(multiple * n)
    # rise * L' = L - L(max(0, c - jump)) - 1, L(h) = 0. L = k - A: rise * A' = A - A(back) + 1, A(0) = 0.
    a = np.zeros(size + 1)
    w = step / (2 * rise)
    for i in range(1, size + 1):
        back, back0 = a[max(0, i - n)], a[max(0, i - 1 - n)]
        a[i] = (a[i - 1] * (1 + w) - w * (back + back0) + 2 * w) / (1 - w)
    return float(a[size])


def false_alarm(ratio, multiple, expected, n=400):
    jump, fall = math.log(ratio), ratio - 1
    cell = jump / n
    dt = cell / fall
    size = int(math.floor(multiple * n + 1e-9))
    steps = round(expected / dt)
    dt = expected / steps
    stay = np.ones(size + 1)
    keep = math.exp(-dt)
    for _ in range(steps):
        down = np.maximum(np.arange(size + 1) - 1, 0)
        shifted = stay[down]
        up_old = np.zeros(size + 1)
        ok = down + n <= size
        up_old[ok] = stay[(down + n)[ok]]
        new = np.empty(size + 1)
        for block in range(size // n, -1, -1):
            lo, hi = block * n, min(size + 1, (block + 1) * n)
            up = np.zeros(hi - lo)
            reach = np.arange(lo, hi) + n
            inside = reach <= size
            up[inside] = new[reach[inside]]
            new[lo:hi] = keep * shifted[lo:hi] + dt / 2 * (up + keep * up_old[lo:hi])
        stay = new
    return float(1 - stay[0])


def lattice_run_length(q, m, size):
    """Odds ratio q^(m+1) and chance p with steps +m and -1 times ln q; the limit lies half a step above `size` steps."""
    ratio = q ** (m + 1)
    p = (q - 1) / (ratio - 1)
    matrix = np.zeros((size + 1, size + 1))
    for i in range(size + 1):
        if i + m <= size:
            matrix[i, i + m] += p
        matrix[i, max(0, i - 1)] += 1 - p
    length = np.linalg.solve(np.eye(size + 1) - matrix, np.ones(size + 1))
    return {"odds_ratio": ratio, "chance": p, "limit": (size + 0.5) * math.log(q), "run_length": float(length[0])}


def root(function, lower, upper):
    for _ in range(140):
        middle = (lower + upper) / 2
        if function(middle) > 0:
            lower = middle
        else:
            upper = middle
    return (lower + upper) / 2


def at_least(k, e):
    return mpmath.gammainc(k, 0, e, regularized=True)


def poisson_limits(expected, level):
    tail = (1 - mpf(level)) / 2
    e = mpf(expected)
    row = {"expected": expected, "level": level}
    row["whole"] = [int(poisson.ppf(float(tail), expected)), int(poisson.ppf(1 - float(tail), expected))]
    row["upper"] = float(root(lambda k: at_least(k, e) - tail, mpf("1e-6"), e * 4 + 40) / e)
    if mp.e**-e <= tail:
        row["lower"] = float(root(lambda k: tail - (1 - at_least(k + 1, e)), mpf(0), e) / e)
    return row


def part(a, b, x):
    return mpmath.betainc(a, b, 0, x, regularized=True)


def binomial_limits(share, whole, level):
    tail = (1 - mpf(level)) / 2
    p, n = mpf(share), mpf(whole)
    row = {"share": share, "whole": whole, "level": level}
    row["counts"] = [int(binom.ppf(float(tail), whole, share)), int(binom.ppf(1 - float(tail), whole, share))]
    if p**n <= tail:
        row["upper"] = float(root(lambda k: part(k, n - k + 1, p) - tail, mpf("1e-6"), n) / n)
    if (1 - p) ** n <= tail:
        row["lower"] = float(root(lambda k: tail - part(n - k, k + 1, 1 - p), mpf(0), n * p) / n)
    return row


def make_units():
    units = []
    for _ in range(14):
        frailty = rng.choice([0.4, 1.0, 1.0, 1.5, 2.2])
        cells = []
        for _ in range(rng.randrange(12, 30)):
            size = rng.randrange(1, 5)
            bad = rng.random() < 0.3
            for _ in range(size):
                days = rng.randrange(300, 2000)
                cells.append([len(cells) and cells[-1][0] + (1 if _ == 0 else 0), days, rng.random() < (0.25 if bad else 0.03) * frailty])
        units.append(cells)
    daily = 0.04 / 365.25
    squares = variance = 0.0
    residuals = []
    for cells in units:
        observed = sum(cell[2] for cell in cells)
        expected = sum(daily * cell[1] for cell in cells)
        by = {}
        for cluster, days, failed in cells:
            by.setdefault(cluster, [0, 0.0])
            by[cluster][0] += failed
            by[cluster][1] += daily * days
        ratio = observed / expected
        squares += sum((d - ratio * e) ** 2 for d, e in by.values()) * len(by) / (len(by) - 1)
        variance += observed
        residuals.append(2 * (math.sqrt(observed) - math.sqrt(expected)))
    z = scipy.stats.mstats.winsorize(np.array(residuals), limits=(0.1, 0.1))
    return {"units": units, "within": squares / variance, "between": float(np.mean(np.asarray(z) ** 2))}


series = make_series()
out = {
    "made_with": f"numpy {np.__version__}, scipy {scipy.__version__}, mpmath {mpmath.__version__}",
    "series": series,
    "paths": [make_path(series, *how) for how in [(2.0, 1.5, True), (2.0, 1.5, False), (0.5, 1.0, True), (1.3, 9.0, True)]],
    "run_length": [
        {"ratio": 2.0, "limit": 3.5 * math.log(2), "run_length": run_length_up(2.0, 3.5)},
        {"ratio": 2.0, "limit": 5.25 * math.log(2), "run_length": run_length_up(2.0, 5.25)},
        {"ratio": 1.5, "limit": 6.5 * math.log(1.5), "run_length": run_length_up(1.5, 6.5)},
        {"ratio": 0.5, "limit": 2.5 * math.log(2), "run_length": run_length_down(0.5, 2.5)},
    ],
    "false_alarm": [
        {"ratio": 2.0, "limit": m * math.log(2), "expected": e, "chance": false_alarm(2.0, m, e)}
        for m, e in [(3.5, 10.0), (4.5, 30.0), (5.5, 30.0)]
    ],
    "binary_run_length": [lattice_run_length(1.05, 9, 40), lattice_run_length(1.02, 30, 120)],
    "poisson_limits": [poisson_limits(e, level) for e in (0.3, 2.0, 4.0, 17.3, 120.0, 3000.0) for level in (0.95, 0.998)],
    "binomial_limits": [
        binomial_limits(p, n, level) for p, n in ((0.1, 20), (0.3, 30), (0.92, 250), (0.5, 7), (0.02, 5000)) for level in (0.95, 0.998)
    ],
    "units": make_units(),
}
print(out["run_length"], out["false_alarm"], out["binary_run_length"], out["units"]["within"], out["units"]["between"])
pathlib.Path(__file__).with_name("watching.json").write_text(json.dumps(out, separators=(",", ":")) + "\n")
