"""Reference values for logistic and multinomial regression, propensity weights, balance and weighted survival, written to
adjustment.json beside this file.

Logistic regression by statsmodels (cluster-robust without small-sample factors); multinomial regression by maximising its likelihood
from its definition (mpmath, Newton at 40 digits); Firth's penalty by its definition at 40 digits; weights, balance and weighted curves
from their definitions (numpy); the cluster-robust variance of a weighted curve by the derivative of ln S in each cluster's weight,
central differences at 40 digits. Independent of the crate.

    python3 make_adjustment.py

needs numpy, statsmodels, mpmath.
"""

import json
import pathlib

import mpmath
import numpy
import statsmodels
import statsmodels.api as sm
from mpmath import mp, mpf

mp.dps = 40
random = numpy.random.default_rng(20261125)
N = 90
cluster = random.integers(0, 30, N)
frail = random.normal(0, 0.6, 30)[cluster]
x = numpy.round(random.normal(0, 1, N) + frail, 2)
z = numpy.round(random.normal(50, 12, N), 1)
f = random.integers(0, 3, N)
weight = random.integers(1, 4, N) / 2
chance = 1 / (1 + numpy.exp(-(0.3 + 0.7 * x - 0.02 * (z - 50) + 0.5 * (f == 1) - 0.4 * (f == 2) + frail)))
outcome = (random.random(N) < chance).astype(int)
utility = numpy.stack([numpy.zeros(N), 0.2 + 0.5 * x, -0.3 - 0.6 * x + 0.02 * (z - 50) + 0.4 * (f == 1)], axis=1) + random.gumbel(size=(N, 3))
level = utility.argmax(axis=1)
time = numpy.minimum(numpy.ceil(random.exponential(30, N) * numpy.exp(-0.5 * x)), 60).astype(int)
failed = ((time < 60) & (random.random(N) < 0.7)).astype(int)
design = numpy.column_stack([numpy.ones(N), x, z, f == 1, f == 2]).astype(float)

result = {
    "software": f"statsmodels {statsmodels.__version__}, numpy {numpy.__version__}, mpmath {mpmath.__version__}",
    "cluster": cluster.tolist(), "x": x.tolist(), "z": z.tolist(), "f": f.tolist(), "weight": weight.tolist(),
    "outcome": outcome.tolist(), "level": level.tolist(), "time": time.tolist(), "failed": failed.tolist(),
}

# Logistic regression: the model by statsmodels with tight tolerances, its robust covariance by the same, without corrections. Case
# weights go in as frequencies there; its score residuals are then taken w times.
logistic = []
for weighted in (False, True):
    w = weight if weighted else numpy.ones(N)
    model = sm.GLM(outcome, design, family=sm.families.Binomial(), freq_weights=w)
    fit = model.fit(tol=1e-14, maxiter=100, tol_criterion="params")
    p = fit.fittedvalues
    u = (w * (outcome - p))[:, None] * design
    sums = numpy.stack([u[cluster == c].sum(axis=0) for c in range(30)])
    bread = numpy.linalg.inv((design * (w * p * (1 - p))[:, None]).T @ design)
    robust = bread @ (sums.T @ sums) @ bread
    if not weighted:
        direct = model.fit(tol=1e-14, maxiter=100, tol_criterion="params", cov_type="cluster", cov_kwds={"groups": cluster, "use_correction": False})
        assert numpy.allclose(direct.cov_params(), robust, rtol=1e-9)
    logistic.append({
        "weighted": weighted, "coefficient": fit.params.tolist(), "covariance": fit.cov_params().tolist(), "robust": robust.tolist(),
        "ln_likelihood": float((w * numpy.log(numpy.where(outcome == 1, p, 1 - p))).sum()),
        "ln_likelihood_of_constant": float((w * numpy.where(outcome == 1, numpy.log((w * outcome).sum() / w.sum()), numpy.log(1 - (w * outcome).sum() / w.sum()))).sum()),
    })
result["logistic"] = logistic


def chances(beta, row, k):
    e = [mpf(1)] + [mpmath.exp(sum(b * mpf(float(v)) for b, v in zip(beta[a * 5:(a + 1) * 5], row))) for a in range(k - 1)]
    s = sum(e)
    return [v / s for v in e]


def pieces(beta, y, w, k):
    """Log-likelihood, slope, information."""
    size = 5 * (k - 1)
    value, slope, info = mpf(0), mpmath.zeros(size, 1), mpmath.zeros(size, size)
    for i in range(N):
        row = [mpf(float(v)) for v in design[i]]
        p = chances(beta, design[i], k)
        weight_i = mpf(float(w[i]))
        value += weight_i * mpmath.log(p[y[i]])
        for a in range(k - 1):
            residual = weight_i * ((1 if y[i] == a + 1 else 0) - p[a + 1])
            for j in range(5):
                slope[a * 5 + j] += residual * row[j]
            for b in range(k - 1):
                v = weight_i * p[a + 1] * ((1 if a == b else 0) - p[b + 1])
                for j in range(5):
                    for l in range(5):
                        info[a * 5 + j, b * 5 + l] += v * row[j] * row[l]
    return value, slope, info


multinomial = []
for weighted in (False, True):
    w = weight if weighted else numpy.ones(N)
    beta = [mpf(0)] * 10
    for _ in range(30):
        value, slope, info = pieces(beta, level, w, 3)
        step = mpmath.lu_solve(info, slope)
        beta = [b + s for b, s in zip(beta, step)]
        if max(abs(s) for s in step) < mpf(10) ** -25:
            break
    value, slope, info = pieces(beta, level, w, 3)
    inverse = info ** -1
    p = numpy.array([[float(v) for v in chances(beta, design[i], 3)] for i in range(N)])
    sums = numpy.zeros((30, 10))
    for i in range(N):
        for a in range(2):
            sums[cluster[i], a * 5:(a + 1) * 5] += w[i] * ((level[i] == a + 1) - p[i, a + 1]) * design[i]
    bread = numpy.array([[float(inverse[i, j]) for j in range(10)] for i in range(10)])
    multinomial.append({
        "weighted": weighted, "coefficient": [float(b) for b in beta], "covariance": bread.tolist(),
        "robust": (bread @ (sums.T @ sums) @ bread).tolist(), "ln_likelihood": float(value), "propensity": p.tolist(),
    })
result["multinomial"] = multinomial

# Firth's penalty: nobody with the last level of f has the outcome. Rows of x, f2, outcome, weight; two parameters and a constant.
rows = [(float(x[i]), float(f[i] == 2), int(outcome[i] and f[i] != 2), float(weight[i])) for i in range(40)]


def penalised(beta):
    value, info = mpf(0), mpmath.zeros(3, 3)
    for a, b, y, w in rows:
        row = [mpf(1), mpf(a), mpf(b)]
        p = 1 / (1 + mpmath.exp(-sum(v * c for v, c in zip(beta, row))))
        value += mpf(w) * mpmath.log(p if y else 1 - p)
        for j in range(3):
            for l in range(3):
                info[j, l] += mpf(w) * p * (1 - p) * row[j] * row[l]
    return value + mpmath.log(mpmath.det(info)) / 2, info


STEP = mpf(10) ** -11


def slope_at(beta, k):
    up, down = list(beta), list(beta)
    up[k] += STEP
    down[k] -= STEP
    return (penalised(up)[0] - penalised(down)[0]) / (2 * STEP)


def solve(equations, start):
    at = [mpf(s) for s in start]
    for _ in range(80):
        now = equations(at)
        jacobian = mpmath.zeros(len(at), len(at))
        for j in range(len(at)):
            up = list(at)
            up[j] += STEP
            for i, v in enumerate(equations(up)):
                jacobian[i, j] = (v - now[i]) / STEP
        step = mpmath.lu_solve(jacobian, -mpmath.matrix(now))
        longest = max(abs(s) for s in step)
        at = [a + min(mpf(1), 1 / longest) * s for a, s in zip(at, step)]
        if longest < mpf(10) ** -14:
            return at
    raise ArithmeticError("not settled")


best = solve(lambda b: [slope_at(b, k) for k in range(3)], [0, 0, -1])
top, info = penalised(best)
covariance = info ** -1
reach = mpmath.sqrt(2) * mpmath.erfinv(mpf("0.95"))
limits, ratios = [], []
for k in (1, 2):
    others = [j for j in range(3) if j != k]

    def held_at(free, value):
        full = [mpf(0)] * 3
        full[k] = value
        for j, v in zip(others, free):
            full[j] = v
        return full

    held = solve(lambda b: [slope_at(held_at(b, mpf(0)), j) for j in others], [best[j] for j in others])
    ratios.append(2 * (top - penalised(held_at(held, mpf(0)))[0]))
    pair = []
    for sign in (-1, 1):
        # Along the profile in small steps: each limit is the start of the next, farther one.
        found, before = list(best), list(best)
        found[k] += sign * reach / 12 * mpmath.sqrt(covariance[k, k])
        for part in range(1, 13):
            r = reach * part / 12
            now = solve(lambda b: [penalised(b)[0] - (top - r ** 2 / 2)] + [slope_at(b, j) for j in others], found)
            found, before = [2 * a - b for a, b in zip(now, before)], now
        found = before
        assert sign * (found[k] - best[k]) > 0
        pair.append(float(found[k]))
    limits.append(pair)
result["firth"] = {
    "rows": rows, "coefficient": [float(b) for b in best], "covariance": [[float(covariance[i, j]) for j in range(3)] for i in range(3)],
    "ln_likelihood": float(top), "limits": limits, "likelihood_ratio": [float(r) for r in ratios],
}

# Weights of all kinds from the multinomial propensities (unweighted), with Kish's numbers; balance; weighted survival.
p = numpy.array(multinomial[0]["propensity"])
own = p[numpy.arange(N), level]
share = numpy.bincount(level, minlength=3) / N
weights = {
    "plain": 1 / own, "stabilised": share[level] / own, "overlap": 1 / (own * (1 / p).sum(axis=1)), "of_level": p[:, 1] / own,
}
result["weights"] = {name: w.tolist() for name, w in weights.items()}
result["effective"] = {name: [float(w[level == a].sum() ** 2 / (w[level == a] ** 2).sum()) for a in range(3)] for name, w in weights.items()}
balance = []
for values, number in [(x, True), (z, True)] + [((f == a).astype(float), False) for a in range(3)]:
    for a, b in [(0, 1), (0, 2), (1, 2)]:
        first, second = values[level == a], values[level == b]
        spread = [v.var(ddof=1) if number else v.mean() * (1 - v.mean()) for v in (first, second)]
        deviation = numpy.sqrt(sum(spread) / 2)
        w = weights["stabilised"]
        after = numpy.average(second, weights=w[level == b]) - numpy.average(first, weights=w[level == a])
        balance.append([float((second.mean() - first.mean()) / deviation), float(after / deviation)])
result["balance"] = balance


def survival(w, a, horizon):
    s = mpf(1)
    for t in sorted({int(time[i]) for i in range(N) if failed[i] and level[i] == a and time[i] <= horizon}):
        n = sum(w[i] for i in range(N) if level[i] == a and time[i] >= t)
        d = sum(w[i] for i in range(N) if level[i] == a and time[i] == t and failed[i])
        s *= 1 - d / n
    return s


def mean(w, a, horizon):
    area, s, last = mpf(0), mpf(1), 0
    for t in sorted({int(time[i]) for i in range(N) if failed[i] and level[i] == a and time[i] <= horizon}):
        area += s * (t - last)
        n = sum(w[i] for i in range(N) if level[i] == a and time[i] >= t)
        s *= 1 - sum(w[i] for i in range(N) if level[i] == a and time[i] == t and failed[i]) / n
        last = t
    return area + s * (horizon - last)


def robust_error(statistic):
    base = [mpf(float(v)) for v in weights["stabilised"]]
    total, h = mpf(0), mpf(10) ** -12
    for c in range(30):
        up = [w * (1 + h) if cluster[i] == c else w for i, w in enumerate(base)]
        down = [w * (1 - h) if cluster[i] == c else w for i, w in enumerate(base)]
        total += ((statistic(up) - statistic(down)) / (2 * h)) ** 2
    return float(mpmath.sqrt(total))


base = [mpf(float(v)) for v in weights["stabilised"]]
result["comparison"] = {
    "horizon": 30, "survival": [float(survival(base, a, 30)) for a in (0, 1)],
    "difference_error": robust_error(lambda w: survival(w, 1, 30) - survival(w, 0, 30)),
    "means": [float(mean(base, a, 30)) for a in (0, 1)],
    "mean_difference_error": robust_error(lambda w: mean(w, 1, 30) - mean(w, 0, 30)),
}
pathlib.Path(__file__).with_name("adjustment.json").write_text(json.dumps(result) + "\n")
