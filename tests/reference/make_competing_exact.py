"""Exact reference values for competing causes, written to competing_exact.json beside this file.

Straightforward code, independent of the crate: exact fractions for incidences, hazards and the explicit sum over all ticks of each
observation's influence, summed by cluster; for the regression the weights of those that ended by another cause from the definition
of both product limits (not censored, already entered), and Newton's iteration with plain sums over everybody on every tick.

    python3 make_competing_exact.py

needs numpy.
"""

import json
import pathlib
import random
from fractions import Fraction

import numpy as np


def at_risk(row, tick):
    return (row["entry"] == 0 or row["entry"] < tick) and tick <= row["exit"]


def path(rows, cause):
    """For each tick with endings until all have ended: (tick, n, d, d_k, S before, F after), exact."""
    survival, incidence, steps = Fraction(1), Fraction(0), []
    for tick in sorted({row["exit"] for row in rows if row["cause"] > 0}):
        n = sum(row["weight"] for row in rows if at_risk(row, tick))
        d = sum(row["weight"] for row in rows if row["exit"] == tick and row["cause"] > 0)
        own = sum(row["weight"] for row in rows if row["exit"] == tick and row["cause"] == cause)
        incidence += survival * own / n
        steps.append((tick, n, d, own, survival, incidence))
        survival *= (n - d) / n
        if n == d:
            break
    return steps


def incidence(rows, cause, horizon):
    steps = [step for step in path(rows, cause) if step[0] <= horizon]
    f = steps[-1][5] if steps else Fraction(0)
    multinomial = Fraction(0)
    clusters = {}
    for tick, n, d, own, s, here in steps:
        rise = f - here
        multinomial += s * s * own * (n - own) / n**3 - 2 * rise * s * own / n**2
        if n > d:
            multinomial += rise * rise * d / (n * (n - d))
        for row in rows:
            if not at_risk(row, tick):
                continue
            ended = row["exit"] == tick and row["cause"] > 0
            by_cause = ended and row["cause"] == cause
            influence = s * (by_cause - own / n) / n
            if n > d:
                influence -= rise * (ended - d / n) / (n - d)
            clusters[row["cluster"]] = clusters.get(row["cluster"], 0) + row["weight"] * influence
    return f, multinomial, sum(value * value for value in clusters.values())


def hazard(rows, cause, horizon):
    total, clusters = Fraction(0), {}
    for tick in sorted({row["exit"] for row in rows if row["cause"] == cause and row["exit"] <= horizon}):
        n = sum(row["weight"] for row in rows if at_risk(row, tick))
        d = sum(row["weight"] for row in rows if row["exit"] == tick and row["cause"] == cause)
        total += d / n
        for row in rows:
            if at_risk(row, tick):
                influence = ((row["exit"] == tick and row["cause"] == cause) - d / n) / n
                clusters[row["cluster"]] = clusters.get(row["cluster"], 0) + row["weight"] * influence
    return total, sum(value * value for value in clusters.values())


def regression(rows, cause, endings_first, by_stratum):
    """Coefficients for x0 and x1, and ln of the partial likelihood."""
    last = max(row["exit"] for row in rows)
    omega = {}
    for stratum in {row["stratum"] if by_stratum else 0 for row in rows}:
        members = [row for row in rows if not by_stratum or row["stratum"] == stratum]
        uncensored, entered_factor = Fraction(1), Fraction(1)
        for tick in range(last + 1):
            omega[stratum, tick] = uncensored * entered_factor
            n = sum(row["weight"] for row in members if at_risk(row, tick))
            d = sum(row["weight"] for row in members if row["exit"] == tick and row["cause"] > 0)
            c = sum(row["weight"] for row in members if row["exit"] == tick and row["cause"] == 0)
            e = sum(row["weight"] for row in members if row["entry"] == tick and tick > 0)
            after = n - d - c + e
            exposed = n - d if endings_first else n
            if c:
                uncensored *= (exposed - c) / exposed
            if e:
                entered_factor /= 1 - Fraction(e) / after
    z = np.array([[row["x0"], row["x1"]] for row in rows])
    ticks = sorted({row["exit"] for row in rows if row["cause"] == cause})
    weight = {}
    for tick in ticks:
        line = []
        for row in rows:
            stratum = row["stratum"] if by_stratum else 0
            if at_risk(row, tick):
                line.append(float(row["weight"]))
            elif row["exit"] < tick and row["cause"] not in (0, cause):
                line.append(float(row["weight"] * omega[stratum, tick] / omega[stratum, row["exit"]]))
            else:
                line.append(0.0)
        weight[tick] = np.array(line)
    beta = np.zeros(2)
    for _ in range(50):
        score, information, likelihood = np.zeros(2), np.zeros((2, 2)), 0.0
        for tick in ticks:
            risk = weight[tick] * np.exp(z @ beta)
            mean = risk @ z / risk.sum()
            spread = (z * risk[:, None]).T @ z / risk.sum() - np.outer(mean, mean)
            for row, values in zip(rows, z):
                if row["exit"] == tick and row["cause"] == cause:
                    w = float(row["weight"])
                    score += w * (values - mean)
                    information += w * spread
                    likelihood += w * (values @ beta - np.log(risk.sum()))
        step = np.linalg.solve(information, score)
        beta = beta + step
        if abs(step).max() < 1e-15:
            break
    return beta, likelihood, np.linalg.inv(information)


def draw(seed, count, late, weighted):
    rng = random.Random(seed)
    rows = []
    for i in range(count):
        # Some are there from the origin to the end, so that no risk set empties.
        length = 30 if i < 6 else rng.randint(1, 20)
        entry = rng.randint(1, 12) if late and i >= 12 and rng.random() < 0.4 else 0
        rows.append({
            "entry": entry, "exit": entry + length, "cause": 0 if i < 6 else rng.choice([0, 1, 1, 2, 3]),
            "cluster": rng.randrange(15), "weight": Fraction(rng.choice([1, 2, 3, 5]), 4) if weighted else Fraction(1),
            "stratum": i % 2, "x0": round(rng.gauss(0, 1), 2), "x1": float(rng.random() < 0.5),
        })
    return rows


def case(rows):
    horizons = [0, 3, 7, 12, 19, 30]
    out = {key: [float(row[key]) for row in rows] for key in rows[0]}
    out["horizons"] = horizons
    out["incidence"] = [[[float(v) for v in incidence(rows, cause, h)] for h in horizons] for cause in (1, 2, 3)]
    out["hazard"] = [[float(v) for v in hazard(rows, 1, h)] for h in horizons]
    out["regression"] = []
    for endings_first in (False, True):
        for by_stratum in (False, True):
            beta, likelihood, inverse = regression(rows, 1, endings_first, by_stratum)
            out["regression"].append({
                "endings_first": endings_first, "by_stratum": by_stratum, "coefficients": list(beta),
                "log_likelihood": likelihood, "inverse_information": [list(line) for line in inverse]})
    return out


result = {
    "made_with": f"numpy {np.__version__}",
    "cases": {"plain": case(draw(1, 60, False, False)), "late": case(draw(2, 70, True, False)),
              "late_weighted": case(draw(3, 70, True, True))},
}
target = pathlib.Path(__file__).with_name("competing_exact.json")
target.write_text(json.dumps(result, indent=None, separators=(",", ":")) + "\n")
