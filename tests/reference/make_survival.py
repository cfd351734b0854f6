"""Reference values for the survival estimators, written to survival.json beside this file.

Straightforward code, independent of the crate: exact fractions for curves and Greenwood sums, the explicit sum over all days
for each observation's influence, numpy for linear algebra, scipy for tails and quantiles. Where lifelines has the same
estimator, the two are compared before anything is written.

    python3 make_survival.py

needs numpy, scipy, mpmath and lifelines.
"""

import json
import math
import pathlib
from fractions import Fraction

import numpy as np
from lifelines import KaplanMeierFitter
from lifelines.statistics import multivariate_logrank_test
from lifelines.utils import restricted_mean_survival_time
from mpmath import mp, mpf, gammainc, log
from scipy.stats import chi2, norm

FAILED, COMPETING, CENSORED = 0, 1, 2
LEVEL = 0.95
mp.dps = 50


def at_risk(row, day):
    entry, exit_, *_ = row
    return (entry == 0 or entry < day) and day <= exit_


def failed_on(row, day):
    return row[2] == FAILED and row[1] == day


def steps_of(rows):
    """(day, at risk, failed, S, Greenwood sum or None) as exact numbers, on each day with failures until S is 0."""
    steps, s, v = [], Fraction(1), Fraction(0)
    for day in sorted({row[1] for row in rows if row[2] == FAILED}):
        n = sum(at_risk(row, day) for row in rows)
        d = sum(failed_on(row, day) for row in rows)
        s *= Fraction(n - d, n)
        if n == d:
            steps.append((day, n, d, s, None))
            break
        v += Fraction(d, n * (n - d))
        steps.append((day, n, d, s, v))
    return steps


def robust(rows, steps, weight, until):
    """Σ over clusters of (Σ over days of weight·(dN − Y·d/n)/(n − d))², exact, summed over every day and observation."""
    by_cluster = {}
    for row in rows:
        total = Fraction(0)
        for j, (day, n, d, _, v) in enumerate(steps):
            if day > until or v is None:
                continue
            total += weight[j] * (int(failed_on(row, day)) - int(at_risk(row, day)) * Fraction(d, n)) / (n - d)
        by_cluster[row[3]] = by_cluster.get(row[3], Fraction(0)) + total
    return sum(total * total for total in by_cluster.values()) if len(by_cluster) > 1 else None


def limits(s, sigma):
    """Three intervals of S from the standard deviation of ln S."""
    z = norm.isf((1 - LEVEL) / 2)
    bound = lambda x: min(1.0, max(0.0, x))
    loglog = lambda sign: math.exp(-math.exp(math.log(-math.log(s)) + sign * z * sigma / math.log(s)))
    return {
        "complementary_log_log": sorted([bound(loglog(1)), bound(loglog(-1))]),
        "log": [bound(math.exp(math.log(s) - z * sigma)), bound(math.exp(math.log(s) + z * sigma))],
        "plain": [bound(s - z * s * sigma), bound(s + z * s * sigma)],
    }


def quantile(steps, variances, method):
    """First days on which S, the lower and the upper limit are at or below one half."""
    value = next((st[0] for st in steps if st[3] <= Fraction(1, 2)), None)
    lower = upper = None
    for st, v in zip(steps, variances):
        if v is None:
            break
        low, high = limits(float(st[3]), math.sqrt(v))[method]
        if lower is None and low <= 0.5:
            lower = st[0]
        if upper is None and high <= 0.5:
            upper = st[0]
    return [value, lower, upper]


def restricted_mean(rows, steps, horizon):
    area_from = lambda start, s: sum(s_ * (right - left) for left, right, s_ in pieces(steps, start, s, horizon))
    # A failure on day 0 lowers the curve from the first moment on.
    total = area_from(0, next((st[3] for st in steps if st[0] == 0), Fraction(1)))
    used = [st for st in steps if st[0] <= horizon]
    areas = [area_from(st[0], st[3]) for st in used]
    model = sum(a * a * Fraction(st[2], st[1] * (st[1] - st[2])) for a, st in zip(areas, used) if st[4] is not None)
    return total, model, robust(rows, used, areas, horizon)


def pieces(steps, start, s, horizon):
    left, level = start, s
    for day, _, _, after, _ in steps:
        if day <= start or day > horizon:
            continue
        yield left, day, level
        left, level = day, after
    yield left, horizon, level


def curve(rows):
    steps = steps_of(rows)
    last = max(row[1] for row in rows)
    ones = [Fraction(1)] * len(steps)
    clustered = [None if st[4] is None else robust(rows, steps, ones, st[0]) for st in steps]
    number = lambda x: None if x is None else float(x)
    horizon = (2 * last) // 3
    mean, model, cluster = restricted_mean(rows, steps, horizon)
    check_with_lifelines(rows, steps, horizon, mean)
    defined = [(st, v, c) for st, v, c in zip(steps, [st[4] for st in steps], clustered) if v is not None]
    return {
        "steps": [[st[0], st[1], st[2], number(st[3]), number(st[4]), number(c)] for st, c in zip(steps, clustered)],
        "limits_model_based": [limits(float(st[3]), math.sqrt(v)) for st, v, _ in defined],
        "limits_cluster_robust": [limits(float(st[3]), math.sqrt(c)) for st, _, c in defined],
        "median": {
            f"{method}_{name}": quantile(steps, variances, method)
            for method in ["complementary_log_log", "log", "plain"]
            for name, variances in [("model_based", [st[4] for st in steps]), ("cluster_robust", clustered)]
        },
        "restricted_mean": [horizon, number(mean), math.sqrt(model), math.sqrt(cluster)],
    }


def check_with_lifelines(rows, steps, horizon, mean):
    """lifelines takes a late entry on day e to be at risk after e, as here."""
    fitter = KaplanMeierFitter()
    late = any(row[0] > 0 for row in rows)
    fitter.fit([row[1] for row in rows], [row[2] == FAILED for row in rows], entry=[row[0] for row in rows] if late else None)
    for day, _, _, s, _ in steps:
        theirs = float(fitter.predict(day))
        assert abs(theirs - float(s)) < 1e-9, (day, theirs, float(s))
    if not late:
        theirs = restricted_mean_survival_time(fitter, t=horizon)
        assert abs(theirs - float(mean)) < 1e-6 * float(mean), (theirs, float(mean))


def log_rank(rows, levels):
    days = sorted({row[1] for row in rows if row[2] == FAILED})
    size = len(levels)
    table = []
    for day in days:
        ng = [sum(at_risk(row, day) and row[4] == g for row in rows) for g in levels]
        table.append((day, ng, sum(ng), sum(failed_on(row, day) for row in rows)))
    observed = [sum(row[2] == FAILED and row[4] == g for row in rows) for g in levels]
    expected = [float(sum(Fraction(d * ng[g], n) for _, ng, n, d in table)) for g in range(size)]
    v = np.zeros((size, size))
    for _, ng, n, d in table:
        if n > 1:
            for g in range(size):
                for h in range(size):
                    v[g, h] += d * (n - d) / (n - 1) * (ng[g] / n) * ((g == h) - ng[h] / n)
    scores = {}
    for row in rows:
        u = np.zeros(size)
        for day, ng, n, d in table:
            for g in range(size):
                residual = int(failed_on(row, day)) - int(at_risk(row, day)) * d / n
                u[g] += residual * (int(row[4] == levels[g]) - ng[g] / n)
        scores[row[3]] = scores.get(row[3], np.zeros(size)) + u
    w = sum(np.outer(u, u) for u in scores.values())
    difference = np.array(observed) - np.array(expected)

    def test(matrix):
        statistic = float(difference[1:] @ np.linalg.solve(matrix[1:, 1:], difference[1:]))
        tail = gammainc(mpf(size - 1) / 2, mpf(statistic) / 2, mp.inf, regularized=True)
        assert abs(float(tail) / chi2.sf(statistic, size - 1) - 1) < 1e-9
        return [statistic, size - 1, float(tail), float(log(tail))]

    if all(row[0] == 0 for row in rows):
        theirs = multivariate_logrank_test([r[1] for r in rows], [r[4] for r in rows], [r[2] == FAILED for r in rows])
        assert abs(theirs.test_statistic / test(v)[0] - 1) < 1e-8, (theirs.test_statistic, test(v)[0])
    return {"observed": observed, "expected": expected, "model_based": test(v), "cluster_robust": test(w)}


def listed(groups, scale=1):
    """Rows from lists such as "6, 6+": each time times the scale, "+" censored; invented clusters of three across groups."""
    rows = []
    for group, text in enumerate(groups):
        for i, item in enumerate(text.split(",")):
            item = item.strip()
            time = Fraction(item.rstrip("+")) * scale
            assert time.denominator == 1
            rows.append([0, int(time), CENSORED if item.endswith("+") else FAILED, (i * 5 + group) % 13, group])
    return rows


def invented(seed, patients, groups, longest):
    """Clusters with a frailty of their own, late entries, ties and competing endings."""
    rng = np.random.default_rng(seed)
    rows = []
    for patient in range(patients):
        frailty = rng.gamma(1.5, 1 / 1.5)
        for _ in range(rng.integers(1, 6)):
            group = int(rng.integers(groups))
            life = rng.exponential(longest / (frailty * (0.6 + 0.4 * group)))
            life = max(0, 7 * round(life / 7)) if rng.random() < 0.7 else round(life)
            end = int(rng.integers(longest // 4, longest))
            entry = int(rng.integers(1, longest // 3)) if rng.random() < 0.3 else 0
            exit_, ending = (life, FAILED) if life <= end else (end, CENSORED)
            if ending == FAILED and rng.random() < 0.15:
                ending = COMPETING
            if entry > 0 and exit_ <= entry:
                continue
            rows.append([entry, int(exit_), ending, patient, group])
    return rows


FREIREICH = [
    "6, 6, 6, 6+, 7, 9+, 10, 10+, 11+, 13, 16, 17+, 19+, 20+, 22, 23, 25+, 32+, 32+, 34+, 35+",
    "1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23",
]
LEUKAEMIA = ["9, 13, 13+, 18, 23, 28+, 31, 34, 45+, 48, 161+", "5, 5, 8, 8, 12, 16+, 23, 27, 30, 33, 43, 45"]
DIALYSIS = [
    "1.5, 2.5+, 2.5+, 3.5, 3.5+, 3.5+, 3.5+, 4.5, 4.5, 4.5+, 5.5, 5.5+, 6.5+, 6.5+, 7.5+, 7.5+, 7.5+, 7.5+, 8.5, 8.5, 8.5+, "
    "9.5, 9.5+, 10.5, 10.5+, 11.5, 11.5+, 12.5+, 12.5+, 13.5+, 14.5+, 14.5+, 15.5, 16.5, 18.5, 21.5+, 21.5+, 22.5+, 22.5+, "
    "23.5, 25.5+, 26.5, 27.5+",
    "0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 0.5+, 1.5+, 1.5+, 1.5+, 1.5+, 2.5, "
    "2.5, 2.5+, 2.5+, 2.5+, 2.5+, 2.5+, 3.5, 3.5+, 3.5+, 3.5+, 3.5+, 3.5+, 4.5+, 4.5+, 4.5+, 5.5+, 5.5+, 5.5+, 5.5+, 5.5+, "
    "6.5, 6.5+, 7.5+, 7.5+, 7.5+, 8.5+, 8.5+, 8.5+, 9.5+, 9.5+, 10.5+, 10.5+, 10.5+, 11.5+, 11.5+, 12.5+, 12.5+, 12.5+, "
    "12.5+, 14.5+, 14.5+, 15.5, 16.5+, 16.5+, 18.5+, 19.5+, 19.5+, 19.5+, 20.5+, 22.5+, 24.5+, 25.5+, 26.5+, 26.5+, 28.5+",
]
LARYNX = [
    "0.6, 1.3, 2.4, 2.5+, 3.2, 3.2+, 3.3, 3.3+, 3.5, 3.5, 4, 4, 4.3, 4.5+, 4.5+, 5.3, 5.5+, 5.9+, 5.9+, 6, 6.1+, 6.2+, 6.4, "
    "6.5, 6.5+, 6.7+, 7+, 7.4, 7.4+, 8.1+, 8.1+, 9.6+, 10.7+",
    "0.2, 1.8, 2, 2.2+, 2.6+, 3.3+, 3.6, 3.6+, 4, 4.3+, 4.3+, 5+, 6.2, 7, 7.5+, 7.6+, 9.3+",
    "0.3, 0.3, 0.5, 0.7, 0.8, 1, 1.3, 1.6, 1.8, 1.9, 1.9, 3.2, 3.5, 3.7+, 4.5+, 4.8+, 4.8+, 5, 5+, 5.1+, 6.3, 6.4, 6.5+, "
    "7.8, 8+, 9.3+, 10.1+",
    "0.1, 0.3, 0.4, 0.8, 0.8, 1, 1.5, 2, 2.3, 2.9+, 3.6, 3.8, 4.3+",
]

SETS = [
    ("ten rows", "by hand", listed(["2, 4, 4+, 6, 9+", "3+, 4, 7, 7, 10+"])),
    ("freireich", "Freireich et al., Blood 1963;21:699-716; weeks; 6-MP, placebo", listed(FREIREICH)),
    ("leukaemia", "Miller RG, Survival Analysis, 1981; weeks; maintained, not maintained", listed(LEUKAEMIA)),
    ("dialysis", "Klein & Moeschberger, Survival Analysis, example 7.2; half months; surgical, percutaneous", listed(DIALYSIS, 2)),
    ("larynx", "Klein & Moeschberger, Survival Analysis, example 7.6; tenths of years; stages 1 to 4", listed(LARYNX, 10)),
    ("invented small", "numpy default_rng(11)", invented(11, 20, 2, 400)),
    ("invented middle", "numpy default_rng(12)", invented(12, 60, 3, 1500)),
    ("invented large", "numpy default_rng(13)", invented(13, 150, 4, 900)),
]


def main():
    sets = []
    for name, source, rows in SETS:
        levels = sorted({row[4] for row in rows})
        assert levels == list(range(len(levels)))
        sets.append({
            "name": name,
            "source": source,
            "rows": rows,
            "pooled": curve(rows),
            "groups": [curve([row for row in rows if row[4] == g]) for g in levels],
            "log_rank": log_rank(rows, levels),
        })
    about = "Made by make_survival.py. A row: entry, exit, ending (0 failed, 1 competing, 2 censored), cluster, group. "
    about += "A step: day, at risk, failed, survival, Greenwood sum, cluster-robust variance of ln survival. A median: value, "
    about += "lower, upper. A restricted mean: horizon, mean, model-based and robust standard errors. "
    about += "A test: statistic, degrees of freedom, p, ln p."
    lines = ",\n".join("  " + json.dumps(one) for one in sets)
    path = pathlib.Path(__file__).with_name("survival.json")
    path.write_text('{"about": ' + json.dumps(about) + ', "sets": [\n' + lines + "\n]}\n")


if __name__ == "__main__":
    main()
