"""Reference values for parametric regression with delayed entries, written to parametric_exact.json beside this file.

    python3 make_parametric_exact.py > parametric_exact.json

needs Python 3 with mpmath. The log-likelihood is written down from its definition, with differences of survival taken as they stand, and
climbed by Newton's method with derivatives by differences, all at 100 digits; the maximum is good to more than 30.
"""

import json

import mpmath
from mpmath import erfc, exp, log, matrix, mpf, npdf, sqrt

mpmath.mp.dps = 100

# entry, lower, upper (null: not known), weight, cluster, x, z
ROWS = [
    (0, 2.5, 2.5, 1, 0, 0.2, 0), (0, 4, None, 1, 0, -1.1, 1), (0, 0, 3, 2, 1, 1.4, 0), (0, 5, 5.001, 1, 1, 0.3, 1),
    (1, 6, 9, 0.5, 2, -0.7, 0), (2, 7.25, 7.25, 1, 2, 0.9, 1), (3, 12, None, 1.5, 3, -0.2, 0), (0, 9, 15, 1, 3, 0.6, 1),
    (0, 20, None, 1, 4, -1.6, 0), (5, 5, 8, 1, 4, 0.1, 1), (0, 1.5, 1.5, 1, 5, 1.9, 0), (0, 11, 11, 3, 5, -0.4, 1),
    (0.5, 3, 30, 1, 6, 0.0, 0), (0, 0, 6, 1, 6, 0.8, 1), (4, 14, 14, 1, 7, -0.9, 0), (0, 25, None, 2, 7, -1.2, 1),
    (0, 8, 10, 1, 8, 0.5, 0), (2, 16, 22, 1, 8, -0.3, 1), (0, 3.75, 3.75, 1, 9, 1.1, 1), (6, 18, None, 1, 9, -0.8, 0),
]


def survival(family, z):
    if family in ("exponential", "weibull"):
        return exp(-exp(z))
    return 1 / (1 + exp(z)) if family == "log_logistic" else erfc(z / sqrt(mpf(2))) / 2


def density(family, z):
    if family in ("exponential", "weibull"):
        return exp(z - exp(z))
    return exp(z) / (1 + exp(z)) ** 2 if family == "log_logistic" else npdf(z)


def terms(family, p):
    """The weighted term of each row at p = (mu, beta of x, beta of z, ln sigma)."""
    sigma = exp(p[3]) if len(p) > 3 else mpf(1)
    found = []
    for entry, lower, upper, weight, _, x, z in ROWS:
        eta = p[0] + mpf(str(x)) * p[1] + z * p[2]
        at = lambda t: (log(mpf(str(t))) - eta) / sigma
        s = lambda t: survival(family, at(t)) if t else mpf(1)
        if upper is None:
            term = log(s(lower))
        elif upper == lower:
            term = log(density(family, at(lower)) / sigma / mpf(str(lower)))
        else:
            term = log(s(lower) - s(upper))
        found.append(mpf(str(weight)) * (term - log(s(entry))))
    return found


def scores(family, p):
    h = mpf(10) ** -30
    columns = []
    for k in range(len(p)):
        up, down = list(p), list(p)
        up[k] += h
        down[k] -= h
        columns.append([(a - b) / (2 * h) for a, b in zip(terms(family, up), terms(family, down))])
    return list(zip(*columns))


def slope(family, p):
    return [sum(column) for column in zip(*scores(family, p))]


def information(family, p):
    h = mpf(10) ** -22
    rows = []
    for k in range(len(p)):
        up, down = list(p), list(p)
        up[k] += h
        down[k] -= h
        rows.append([-(a - b) / (2 * h) for a, b in zip(slope(family, up), slope(family, down))])
    return matrix(rows)


cases = []
for family in ("exponential", "weibull", "log_logistic", "log_normal"):
    p = [mpf("2.3"), mpf("-0.4"), mpf(0)] + ([] if family == "exponential" else [mpf("-0.3")])
    for _ in range(60):
        g = slope(family, p)
        step = mpmath.lu_solve(information(family, p), matrix(g))
        longest = max(abs(s) for s in step)
        factor = min(mpf(1), mpf("0.3") / longest)
        if sum(a * b for a, b in zip(g, step)) < 0:
            factor = -factor  # not concave here: the other way is uphill
        p = [a + factor * s for a, s in zip(p, step)]
        if longest < mpf(10) ** -38:
            break
    else:
        raise SystemExit(family + " did not settle")
    inverse = information(family, p) ** -1
    by_cluster = {}
    for row, score in zip(ROWS, scores(family, p)):
        home = by_cluster.setdefault(row[4], [mpf(0)] * len(p))
        by_cluster[row[4]] = [a + b for a, b in zip(home, score)]
    middle = matrix(len(p), len(p))
    for u in by_cluster.values():
        middle += matrix(u) * matrix(u).T
    robust = inverse * middle * inverse
    flat = lambda m: [float(m[i, j]) for i in range(len(p)) for j in range(len(p))]
    cases.append({
        "family": family, "estimates": [float(v) for v in p], "to_30_digits": [mpmath.nstr(v, 30) for v in p],
        "ln_likelihood": float(sum(terms(family, p))), "covariance": flat(inverse), "robust_covariance": flat(robust),
    })

print(json.dumps({"software": "mpmath " + mpmath.__version__, "rows": ROWS, "cases": cases}, indent=1))
