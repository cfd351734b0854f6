"""Reference values for rates, their ratios and exact probabilities, written to rates.json beside this file.

Independent of the crate: tails by mpmath at 40 digits, roots by its secant method, binomial and Poisson probabilities summed one
by one. The cluster-robust variances are those of a Poisson regression with the logarithm of person-time as offset, fitted by
statsmodels with variances by cluster and without a small-sample factor.

    python3 make_rates.py

needs numpy, scipy, mpmath and statsmodels; the versions are written into the file.
"""

import json
import pathlib

import mpmath
import numpy as np
import scipy
import statsmodels
import statsmodels.api as sm
from mpmath import findroot, gammainc, log, mp, mpf
from scipy.stats import beta as beta_distribution
from scipy.stats import chi2
from scipy.stats import t as student

mp.dps = 40
LEVELS = [0.5, 0.9, 0.95, 0.99, 0.999]


def root(function, start):
    # In ln of the unknown, from close by.
    found = findroot(lambda u: function(mp.e**u), (log(mpf(start)), log(mpf(start)) + mpf("1e-4")), tol=1e-60, maxsteps=200)
    return mp.e**found


def lower_gamma(a, x):
    return gammainc(a, 0, x, regularized=True)


def upper_gamma(a, x):
    return gammainc(a, x, regularized=True)


def part(a, b, x, rest):
    """I_x(a, b) by a series of positive terms; rest = 1 − x."""
    a, b, x, rest = mpf(a), mpf(b), mpf(x), mpf(rest)
    if x > 0.9:
        # The series is slow there; the complement keeps digits enough unless it is nearly all.
        complement = part(b, a, rest, x)
        if complement < 0.999:
            return 1 - complement
    term = total = mpf(1)
    n = 0
    while term > total * mpf("1e-42"):
        term *= (a + b + n) / (a + 1 + n) * x
        total += term
        n += 1
    ln_beta = mpmath.loggamma(a) + mpmath.loggamma(b) - mpmath.loggamma(a + b)
    return mp.e ** (a * log(x) + b * log(rest) - ln_beta) / a * total


def lower_at(a, b, u):
    return part(a, b, 1 / (1 + mp.e**-u), 1 / (1 + mp.e**u))


def upper_at(a, b, u):
    return part(b, a, 1 / (1 + mp.e**u), 1 / (1 + mp.e**-u))


def itself(x, mu):
    return mp.e ** (x * log(mu) - mu - mpmath.loggamma(x + 1))


def poisson():
    rows = []
    for x in [0, 1, 2, 3, 4, 5, 7, 10, 20, 41, 100, 500, 3000]:
        for level in LEVELS:
            tail = (1 - mpf(level)) / 2
            guess_upper = chi2.ppf(1 - float(tail), 2 * x + 2) / 2
            guess_lower = chi2.ppf(float(tail), 2 * x) / 2 if x else None
            exact = [mpf(0), -log(tail)]
            mid_p = [mpf(0), -log(2 * tail)]
            if x:
                exact = [
                    root(lambda mu: log(lower_gamma(x, mu) / tail), guess_lower),
                    root(lambda mu: log(upper_gamma(x + 1, mu) / tail), guess_upper),
                ]
                mid_p = [
                    root(lambda mu: log((lower_gamma(x + 1, mu) + itself(x, mu) / 2) / tail), guess_lower),
                    root(lambda mu: log((upper_gamma(x, mu) + itself(x, mu) / 2) / tail), guess_upper),
                ]
            rows.append({"count": x, "level": level, "exact": list(map(float, exact)), "mid_p": list(map(float, mid_p))})
    return rows


def incomplete_beta():
    rows = []
    for a, b, x in [
        (1, 1, 0.3), (2, 5, 0.1), (0.5, 3, 0.7), (0.3, 0.2, 0.5), (12, 24, 0.21), (41, 16, 0.6), (200, 700, 0.2), (200, 700, 0.9),
        (5000, 5000, 0.5), (5000, 5000, 0.47), (9000, 1000, 0.87), (3, 10000, 0.001), (60, 0.5, 0.4), (2, 3, 1e-30),
    ]:
        lower = part(a, b, mpf(x), 1 - mpf(x))
        upper = part(b, a, 1 - mpf(x), mpf(x))
        rows.append({"a": a, "b": b, "x": x, "ln_lower": float(log(lower)), "ln_upper": float(log(upper))})
    return rows


def halving(rising, near):
    """The root of a rising function close to `near`, by false position between two sides (Illinois)."""
    low, high = near - mpf("1e-3"), near + mpf("1e-3")
    at_low, at_high = rising(low), rising(high)
    assert at_low < 0 < at_high
    for _ in range(60):
        middle = (low * at_high - high * at_low) / (at_high - at_low)
        at_middle = rising(middle)
        if at_middle < 0:
            low, at_low, at_high = middle, at_middle, at_high / 2
        else:
            high, at_high, at_low = middle, at_middle, at_low / 2
        if high - low < mpf("1e-25") or abs(at_middle) < mpf("1e-34"):
            break
    return middle


def beta_quantiles():
    rows = []
    for a, b in [(1, 1), (1, 6), (11, 24), (12, 23), (41, 16), (0.5, 2), (300, 20), (2000, 5000)]:
        for tail in [0.25, 0.025, 0.0005, 1e-6]:
            # Starts in log odds from scipy's quantiles, by the side that keeps its digits.
            z, w = beta_distribution.ppf(tail, a, b), beta_distribution.ppf(tail, b, a)
            low, high = log(mpf(z)) - mpmath.log1p(-mpf(z)), mpmath.log1p(-mpf(w)) - log(mpf(w))
            lower = halving(lambda u: lower_at(a, b, u) - mpf(tail), low)
            upper = halving(lambda u: mpf(tail) - upper_at(a, b, u), high)
            rows.append({"a": a, "b": b, "tail": tail,
                         "lower": float(1 / (1 + mp.e**-lower)), "upper": float(1 / (1 + mp.e**-upper)),
                         "lower_ln_odds": float(lower), "upper_ln_odds": float(upper)})
    return rows


def student_tail(t, nu):
    t, nu = mpf(t), mpf(nu)
    # The series is slow where t is small; there the complement keeps digits enough.
    if t < 6:
        return 1 - part(mpf("0.5"), nu / 2, t * t / (nu + t * t), nu / (nu + t * t))
    return part(nu / 2, mpf("0.5"), nu / (nu + t * t), t * t / (nu + t * t))


def students():
    tails = [{"t": t, "degrees_of_freedom": nu, "ln_p": float(log(student_tail(t, nu)))}
             for nu in [1, 2, 7, 30, 199, 5000] for t in [1e-6, 0.3, 1.7, 4.5, 40.0, 1e4]]
    quantiles = []
    for nu in [1, 2, 3, 9, 19, 49, 199, 20000]:
        for tail in [0.25, 0.025, 0.005, 1e-6]:
            found = root(lambda t: log(student_tail(t, nu) / (2 * mpf(tail))), student.isf(tail, nu))
            quantiles.append({"tail": tail, "degrees_of_freedom": nu, "t": float(found)})
    return {"tails": tails, "quantiles": quantiles}


def three_ways(probabilities, x):
    """probabilities: of each count from 0 on."""
    at_most, at_least = mp.fsum(probabilities[: x + 1]), mp.fsum(probabilities[x:])
    bound = probabilities[x] * (1 + mpf("1e-9"))
    small = mp.fsum(p for p in probabilities if p <= bound)
    tail = min(at_most, at_least)
    capped = lambda p: float(log(min(p, 1)))
    return {"ln_sum_of_small": capped(small), "ln_twice_smaller_tail": capped(2 * tail),
            "ln_mid_p": capped(2 * (tail - probabilities[x] / 2))}


def ratios():
    rows = []
    for x1, t1, x2, t2 in [
        (11, 800, 23, 3011), (3, 100, 9, 110), (0, 50, 5, 60), (41, 28010, 15, 19017), (5, 60, 0, 50), (1, 10, 1, 10), (4, 10, 4, 10),
        (10, 100, 12, 90), (250, 1000, 180, 1000), (900, 1000, 300, 2000), (3000, 100, 3000, 101), (2, 7, 30, 7), (1200, 10, 10, 10),
    ]:
        n, p = x1 + x2, mpf(t1) / (t1 + t2)
        probabilities = [mpmath.binomial(n, k) * p**k * (1 - p) ** (n - k) for k in range(n + 1)]
        row = {"failures": [x1, x2], "time": [t1, t2], **three_ways(probabilities, x1)}
        limits = [0.0, None]
        for place, (a, b, wanted) in enumerate([(x1, x2 + 1, x1 > 0), (x1 + 1, x2, x2 > 0)]):
            if not wanted:
                continue
            start = beta_distribution.ppf([0.025, 0.975][place], a, b)
            ln_odds = float(log(mpf(start) / (1 - mpf(start))))
            tail_at = lower_at if place == 0 else upper_at
            found = findroot(lambda u: log(tail_at(a, b, u) / ((1 - mpf(0.95)) / 2)), (ln_odds, ln_odds + 1e-5), tol=1e-60, maxsteps=200)
            limits[place] = float(mp.e**found * mpf(t2) / t1)
        rows.append({**row, "lower": limits[0], "upper": limits[1]})
    return rows


def observed():
    rows = []
    for x, mean in [(0, 2.5), (3, 3.0), (1, 7.25), (12, 6.0), (6, 12.0), (40, 25.5), (200, 260.25), (500, 100.0), (1, 800.0), (7, 8.0)]:
        mu = mpf(mean)
        top = int(mean + 60 * (mean + 60) ** 0.5) + 4 * x + 100
        probabilities = [mp.e ** (k * log(mu) - mu - mpmath.loggamma(k + 1)) for k in range(top)]
        rows.append({"observed": x, "expected": mean, **three_ways(probabilities, x)})
    return rows


def clustered():
    """Restorations of 30 patients in two groups, by whole days, with case weights; rates a year."""
    random = np.random.default_rng(20240917)
    rows = []
    for cluster in range(30):
        frailty = random.gamma(1.0, 1.0)
        for _ in range(random.integers(1, 6)):
            entry = int(random.integers(1, 200)) if random.random() < 0.3 else 0
            failed_at = random.exponential(3000 / frailty)
            seen_until = random.uniform(300, 3000)
            exit_ = entry + 1 + int(min(failed_at, seen_until))
            rows.append([entry, exit_, int(failed_at < seen_until), cluster, int(random.random() < 0.5),
                         float(random.choice([1.0, 1.0, 2.0, 0.5]))])
    data = np.array(rows)
    entry, exit_, failed, cluster, group, weight = data.T
    out = {"columns": "entry, exit, failed, cluster, group, weight", "rows": rows}
    for name, w in [("unweighted", np.ones(len(rows))), ("weighted", weight)]:
        # Weighted person-time and weighted failures are the sums of a Poisson regression with these weights.
        design = np.ones((len(rows), 1))
        options = {"cov_type": "cluster", "cov_kwds": {"groups": cluster.astype(int), "use_correction": False}}
        fit = sm.GLM(failed * w, design, family=sm.families.Poisson(), offset=np.log((exit_ - entry) / 365.25 * w)).fit(
            tol=1e-14, maxiter=200, **options)
        both = sm.GLM(failed * w, np.column_stack([design, group == 0]), family=sm.families.Poisson(),
                      offset=np.log((exit_ - entry) / 365.25 * w)).fit(tol=1e-14, maxiter=200, **options)
        clusters = len(set(cluster))
        smaller = min(len(set(cluster[group == g])) for g in (0, 1))
        reach, reach_of_ratio = student.isf(0.025, clusters - 1), student.isf(0.025, smaller - 1)
        ln_rate, deviation = float(fit.params[0]), float(fit.bse[0])
        ln_ratio, ratio_deviation = float(both.params[1]), float(both.bse[1])
        out[name] = {
            "rate": float(np.exp(ln_rate)), "ln_rate_deviation": deviation,
            "rate_limits": [float(np.exp(ln_rate + sign * reach * deviation)) for sign in (-1, 1)],
            "ratio": float(np.exp(ln_ratio)), "ln_ratio_deviation": ratio_deviation,
            "ratio_limits": [float(np.exp(ln_ratio + sign * reach_of_ratio * ratio_deviation)) for sign in (-1, 1)],
            "ratio_degrees_of_freedom": smaller - 1,
            "ratio_ln_p": float(log(student_tail(ln_ratio / ratio_deviation, smaller - 1))),
        }
    return out


def main():
    versions = {"numpy": np.__version__, "scipy": scipy.__version__, "mpmath": mpmath.__version__, "statsmodels": statsmodels.__version__}
    values = {"made_by": "make_rates.py", "versions": versions, "poisson": poisson(), "incomplete_beta": incomplete_beta(),
              "beta_quantiles": beta_quantiles(), "student": students(), "ratios": ratios(), "observed": observed(),
              "clustered": clustered()}
    path = pathlib.Path(__file__).with_name("rates.json")
    path.write_text(json.dumps(values, indent=None, separators=(",", ":")).replace("},{", "},\n{") + "\n")


main()
