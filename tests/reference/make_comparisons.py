"""Reference values for the tests that compare groups, written to comparisons.json beside this file.

Straightforward code, independent of the crate: for each tick every record is asked whether it is at risk and whether it fails,
exact fractions where the weights are rational, 50 digits where they are not; covariances and cluster sums by their definition.
R survival's survdiff (strata, rho) and lifelines' multivariate_logrank_test are run on the same rows where they have the same
test, and kept beside.

    python3 make_comparisons.py

needs numpy, scipy, mpmath, lifelines, and R with survival as Rscript.
"""

import json
import pathlib
import subprocess
import tempfile
from fractions import Fraction

import lifelines
import mpmath
import numpy as np
import scipy
from lifelines.statistics import multivariate_logrank_test
from mpmath import mp, mpf
from scipy.integrate import quad
from scipy.special import ndtr
from scipy.stats import multivariate_normal

mp.dps = 50
FAILED, COMPETING, CENSORED = 0, 1, 2
random = np.random.default_rng(20_240_611)


def number(x):
    return mpf(x.numerator) / x.denominator if isinstance(x, Fraction) else mpf(x)


def weights_of(name, rows):
    """rows: (n, d) of one stratum; the weight of each."""
    s, shrunk, out = Fraction(1), Fraction(1), []
    for n, d in rows:
        shrunk *= 1 - d / (n + 1)
        if name == "log_rank":
            w = Fraction(1)
        elif name == "gehan":
            w = n
        elif name == "tarone_ware":
            w = mp.sqrt(number(n))
        elif name == "peto_peto":
            w = shrunk
        elif name == "modified_peto_peto":
            w = shrunk * n / (n + 1)
        else:
            rho, gamma = name
            w = mp.power(number(s), rho) * mp.power(number(1 - s), gamma) if (rho % 1 or gamma % 1) else s ** int(rho) * (1 - s) ** int(gamma)
        out.append(w)
        s *= 1 - d / n
    return out


def ln_p(chi, df):
    return mp.log(mp.gammainc(mpf(df) / 2, chi / 2, mp.inf, regularized=True))


def form(u, v):
    return (u.T * mp.lu_solve(v, u))[0]


def test(rows, groups, name, stratified):
    """rows: (entry, exit, ending, cluster, group, stratum, weight)."""
    strata = sorted({r[5] for r in rows}) if stratified else [None]
    u = [mpf(0)] * groups
    observed, expected = [Fraction(0)] * groups, [Fraction(0)] * groups
    v = mp.zeros(groups, groups)
    clusters = {}
    for stratum in strata:
        part = [r for r in rows if stratum is None or r[5] == stratum]
        at_risk = lambda r, t: (r[0] == 0 or r[0] < t) and t <= r[1]
        fails = lambda r, t: r[2] == FAILED and r[1] == t
        ticks = sorted({r[1] for r in part if r[2] == FAILED})
        total = []
        for t in ticks:
            total.append((sum((r[6] for r in part if at_risk(r, t)), Fraction(0)), sum((r[6] for r in part if fails(r, t)), Fraction(0))))
        weights = weights_of(name, total)
        for t, (n, d), w in zip(ticks, total, weights):
            w = number(w)
            share = [sum((r[6] for r in part if at_risk(r, t) and r[4] == g), Fraction(0)) / n for g in range(groups)]
            failed = [sum((r[6] for r in part if fails(r, t) and r[4] == g), Fraction(0)) for g in range(groups)]
            # Failures that weigh less than 1 together have no ties to correct for; (n - d)/(n - 1) would exceed 1.
            spread = Fraction(0) if n == d else d * (n - d) / (n - 1) if d >= 1 else d
            for g in range(groups):
                observed[g] += failed[g]
                expected[g] += d * share[g]
                u[g] += w * number(failed[g] - d * share[g])
                for h in range(groups):
                    v[g, h] += w * w * number(spread * share[g] * ((g == h) - share[h]))
            for r in part:
                if at_risk(r, t):
                    residual = w * number(r[6] * (int(fails(r, t)) - d / n))
                    cell = clusters.setdefault(r[3], [mpf(0)] * groups)
                    for g in range(groups):
                        cell[g] += residual * number(int(r[4] == g) - share[g])
    robust = mp.zeros(groups, groups)
    for cell in clusters.values():
        for g in range(groups):
            for h in range(groups):
                robust[g, h] += cell[g] * cell[h]
    total = [sum(c[g] for c in clusters.values()) for g in range(groups)]
    assert all(abs(a - b) < mpf(10) ** -30 for a, b in zip(total, u))
    out = {"observed": [float(x) for x in observed], "expected": [float(x) for x in expected], "difference": [float(x) for x in u]}
    scores = list(range(1, groups + 1))
    for kind, matrix in [("model_based", v), ("cluster_robust", robust)]:
        few = groups - 1
        chi = form(mp.matrix(u[:few]), matrix[:few, :few])
        z = sum(s * x for s, x in zip(scores, u)) / mp.sqrt(sum(a * b * matrix[i, j] for i, a in enumerate(scores) for j, b in enumerate(scores)))
        entry = {
            "covariance": [[float(matrix[i, j]) for j in range(groups)] for i in range(groups)],
            "chi_square": float(chi), "ln_p_value": float(ln_p(chi, few)), "trend_z": float(z), "trend_ln_p_value": float(ln_p(z * z, 1)),
        }
        if kind == "cluster_robust":
            c = sum(1 for cell in clusters.values() if max(abs(x) for x in cell) > mpf(10) ** -30)
            f = (c - few) * chi / (few * (c - chi))
            entry["informative_clusters"] = c
            entry["f_statistic"] = float(f)
            rest = 1 - chi / c
            entry["f_ln_p_value"] = float(mp.log(mp.betainc(mpf(c - few) / 2, mpf(few) / 2, 0, rest, regularized=True)))
        out[kind] = entry
    return out, clusters, u


def generated(count, groups, strata, clusters, last, late, weighted):
    rows = []
    for _ in range(count):
        group = int(random.integers(groups))
        entry = int(random.integers(1, last // 2)) if late and random.random() < 0.4 else 0
        length = int(min(last, 1 + random.exponential(last / (2.0 + group))))
        exit_ = entry + length if entry else max(0, length - 1)
        ending = int(random.choice([FAILED, FAILED, FAILED, CENSORED, CENSORED, COMPETING]))
        weight = Fraction(int(random.integers(1, 40)), 16) if weighted else Fraction(1)
        rows.append((entry, exit_, ending, int(random.integers(clusters)), group, int(random.integers(strata)), weight))
    return rows


def survdiff(rows, stratified, rho):
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder) / "rows.csv"
        path.write_text("exit,failed,group,stratum\n" + "".join(f"{r[1]},{int(r[2] == FAILED)},{r[4]},{r[5]}\n" for r in rows))
        script = (
            f"library(survival); d <- read.csv('{path}'); f <- survdiff(Surv(exit, failed) ~ group"
            f"{' + strata(stratum)' if stratified else ''}, data = d, rho = {rho}); cat(sprintf('%.17g', f$chisq))"
        )
        return float(subprocess.run(["Rscript", "-e", script], check=True, capture_output=True, text=True).stdout)


LIFELINES = {"log_rank": None, "gehan": "wilcoxon", "tarone_ware": "tarone-ware", "peto_peto": "peto"}
NAMES = ["log_rank", "gehan", "tarone_ware", "peto_peto", "modified_peto_peto", (1, 0), (0, 1), (1, 1), (0.5, 0.5), (0.3, 2)]
cases = []
for title, arguments in [
    ("four groups, ties, three strata", dict(count=120, groups=4, strata=3, clusters=30, last=12, late=False, weighted=False)),
    ("three groups, late entries, two strata", dict(count=90, groups=3, strata=2, clusters=25, last=30, late=True, weighted=False)),
    ("two groups, late entries, case weights", dict(count=70, groups=2, strata=2, clusters=15, last=20, late=True, weighted=True)),
    ("two groups, few ties, many strata", dict(count=60, groups=2, strata=12, clusters=8, last=200, late=False, weighted=False)),
]:
    rows = generated(**arguments)
    tests = []
    for stratified in [False, True]:
        for name in NAMES:
            values, _, _ = test(rows, arguments["groups"], name, stratified)
            values.update(weighting=name, stratified=stratified)
            if not arguments["late"] and not arguments["weighted"]:
                rho = {"log_rank": 0, (1, 0): 1}.get(name)
                if rho is not None:
                    values["survdiff"] = survdiff(rows, stratified, rho)
                if not stratified and name in LIFELINES:
                    options = {"weightings": LIFELINES[name]} if LIFELINES[name] else {}
                    values["lifelines"] = float(multivariate_logrank_test([r[1] for r in rows], [r[4] for r in rows], [r[2] == FAILED for r in rows], **options).test_statistic)
            tests.append(values)
    cases.append({"title": title, "groups": arguments["groups"], "strata": arguments["strata"], "rows": [[*r[:6], float(r[6])] for r in rows], "tests": tests})


# The largest of correlated normal numbers: P(not all within c).
def one_factor(loadings, c):
    """∫ φ(y)·(1 − Π P(|Z_l| ≤ c | y)) dy: every term above 0, so the far tail keeps its digits."""
    def f(y):
        outside = [ndtr((l * y - c) / np.sqrt(1 - l * l)) + ndtr((-c - l * y) / np.sqrt(1 - l * l)) for l in loadings]
        return np.exp(-y * y / 2) / np.sqrt(2 * np.pi) * -np.expm1(sum(np.log1p(-min(o, 1 - 1e-16)) for o in outside))
    cuts = sorted({0.0, *[s * (c / abs(l) + k * np.sqrt(1 - l * l)) for l in loadings if l for s in (-1, 1) for k in (-8, -3, 0, 3, 8)], -c - 12.0, c + 12.0})
    cuts = [x for x in cuts if abs(x) <= c + 12]
    return sum(quad(f, a, b, epsabs=0, epsrel=1e-13, limit=200)[0] for a, b in zip(cuts, cuts[1:]))


def one_factor_matrix(loadings):
    return [[1.0 if i == j else float(mpf(a) * mpf(b)) for j, b in enumerate(loadings)] for i, a in enumerate(loadings)]


def in_three(rho, c):
    """Σ over m of 2·∫ φ(x) P(the earlier ones within c | Z_m = x) from c, adaptively."""
    phi = lambda x: np.exp(-x * x / 2) / np.sqrt(2 * np.pi)
    between = lambda mean, sd: ndtr((c - mean) / sd) - ndtr((-c - mean) / sd)
    def two(mean, cov):
        s0 = np.sqrt(cov[0, 0]); slope = cov[0, 1] / cov[0, 0]; rest = np.sqrt(cov[1, 1] - slope * cov[0, 1])
        f = lambda y: phi((y - mean[0]) / s0) / s0 * between(mean[1] + slope * (y - mean[0]), rest)
        cuts = [p for p in [mean[0] + (s * c - mean[1]) / slope for s in (-1, 1)] if -c < p < c]
        return quad(f, -c, c, points=cuts or None, epsabs=1e-15, epsrel=1e-13, limit=400)[0]
    total = 2 * ndtr(-c)
    total += 2 * quad(lambda x: phi(x) * between(rho[0, 1] * x, np.sqrt(1 - rho[0, 1] ** 2)), c, c + 12, epsabs=0, epsrel=1e-13, limit=400)[0]
    r = rho[:2, 2]
    cov = rho[:2, :2] - np.outer(r, r)
    total += 2 * quad(lambda x: phi(x) * two(r * x, cov), c, c + 12, epsabs=0, epsrel=1e-12, limit=400)[0]
    return total


maxima = []
for loadings in [(0.9,), (0.7, 0.9), (0.99, 0.999), (0.3, -0.8, 0.95), (0.9, 0.95, 0.99), (0.999, 0.9999, 0.99999), (0.5, 0.6, 0.7, 0.8), (0.95, -0.2, 0.99, 0.97), (0.999, 0.9999, 0.99, 0.99999), (0.0, 0.0, 0.0, 0.0)]:
    for c in [0.05, 0.8, 1.96, 2.5, 5.0, 9.0, 30.0]:
        maxima.append({"source": "one factor, scipy", "correlation": one_factor_matrix(loadings), "bound": c, "ln_p_value": float(np.log(one_factor(loadings, c)))})
for _ in range(4):
    a = random.normal(size=(3, 3)) + np.array([1.0, 0.5, 0.2])
    cov = a @ a.T
    rho = cov / np.sqrt(np.outer(np.diag(cov), np.diag(cov)))
    for c in [0.7, 1.96, 3.5]:
        maxima.append({"source": "adaptive nested integration, scipy", "correlation": [[1.0 if i == j else (rho[i, j] + rho[j, i]) / 2 for j in range(3)] for i in range(3)], "bound": c, "ln_p_value": float(np.log(in_three(rho, c)))})


def in_four(rho, c, points):
    """P(all four within c) by products of Gauss and Legendre's rule over three of them, the fourth in closed form."""
    x, w = np.polynomial.legendre.leggauss(points)
    x, w = x * c, w * c
    inverse = np.linalg.inv(rho[:3, :3])
    slope, rest = rho[3, :3] @ inverse, np.sqrt(rho[3, 3] - rho[3, :3] @ inverse @ rho[:3, 3])
    norm = 1 / np.sqrt((2 * np.pi) ** 3 * np.linalg.det(rho[:3, :3]))
    total = 0.0
    a, b = np.meshgrid(x, x, indexing="ij")
    for z, weight in zip(x, w):
        v = [z, a, b]
        q = sum(inverse[i, j] * v[i] * v[j] for i in range(3) for j in range(3))
        mean = slope[0] * z + slope[1] * a + slope[2] * b
        total += weight * (norm * np.exp(-q / 2) * (ndtr((c - mean) / rest) - ndtr((-c - mean) / rest)) * np.outer(w, w)).sum()
    return total


def in_three_dimensions(vectors, c):
    """P(all four within c) when they are made up of three independent ones, y: y2 within cuts, y3 in closed form."""
    basis = np.linalg.qr(np.array(vectors).T)[0]
    phi = lambda x: np.exp(-x * x / 2) / np.sqrt(2 * np.pi)
    v = vectors @ basis
    def inner(y1, y2):
        lo, hi = -np.inf, np.inf
        for a in v:
            m = a[0] * y1 + a[1] * y2
            ends = sorted([(-c - m) / a[2], (c - m) / a[2]])
            lo, hi = max(lo, ends[0]), min(hi, ends[1])
        return max(0.0, ndtr(hi) - ndtr(lo)) if hi > lo else 0.0
    def middle(y1):
        # Where two bounds of y3 cross the integrand has a kink.
        cuts = set()
        for i in range(4):
            for j in range(i):
                for si in (-1, 1):
                    for sj in (-1, 1):
                        slope = v[i][1] / v[i][2] - v[j][1] / v[j][2]
                        if abs(slope) > 1e-12:
                            cuts.add(((si * c - v[i][0] * y1) / v[i][2] - (sj * c - v[j][0] * y1) / v[j][2]) / slope)
        cuts = [-9.0, *sorted(x for x in cuts if abs(x) < 9), 9.0]
        x, w = np.polynomial.legendre.leggauss(24)
        total = 0.0
        for p, q in zip(cuts, cuts[1:]):
            ends = np.linspace(p, q, max(2, int(np.ceil((q - p) / 1.5)) + 1))
            for e, f in zip(ends, ends[1:]):
                total += sum(weight * phi(m) * inner(y1, m) for weight, m in zip(w * (f - e) / 2, (e + f) / 2 + x * (f - e) / 2))
        return total
    # The middle integral is smooth but for kinks of a higher order.
    return quad(lambda y1: phi(y1) * middle(y1), -9, 9, epsabs=1e-8, epsrel=0, limit=60)[0]


four = []
for k in range(4):
    size = 4 if k < 2 else 3
    a = random.normal(size=(4, size)) + np.array([1.0, 0.5, 0.2, 0.1])[:size]
    a /= np.linalg.norm(a, axis=1)[:, None]
    rho = a @ a.T
    rho = (rho + rho.T) / 2
    np.fill_diagonal(rho, 1.0)
    for c in [0.9, 1.96, 2.6]:
        entry = {"rank": size, "correlation": rho.tolist(), "bound": c}
        if size == 4:
            inside, coarser = in_four(rho, c, 160), in_four(rho, c, 120)
            assert abs(inside - coarser) < 1e-11, (rho, c, inside - coarser)
            entry["source"] = "products of Gauss and Legendre's rule, numpy"
        else:
            inside = in_three_dimensions(a, c)
            entry["source"] = "nested integration, scipy"
        lattice = multivariate_normal.cdf(np.full(4, c), np.zeros(4), rho, allow_singular=True, lower_limit=np.full(4, -c), maxpts=400_000, abseps=1e-7, releps=1e-7, rng=random)
        y = random.normal(size=(1_000_000, size)) @ a.T
        entry.update(p_value=float(1 - inside), lattice=float(1 - lattice), simulated=float((np.abs(y).max(axis=1) > c).mean()))
        four.append(entry)
        print(entry["rank"], c, entry["p_value"], entry["lattice"], entry["simulated"], flush=True)

versions = {"numpy": np.__version__, "scipy": scipy.__version__, "mpmath": mpmath.__version__, "lifelines": lifelines.__version__,
            "R": subprocess.run(["Rscript", "-e", "cat(R.version.string, 'survival', as.character(packageVersion('survival')))"], check=True, capture_output=True, text=True).stdout}
path = pathlib.Path(__file__).with_name("comparisons.json")
text = json.dumps({"versions": versions, "cases": cases, "maxima": maxima, "four": four}, indent=None, separators=(",", ":"))
path.write_text(text.replace('{"title"', '\n{"title"').replace('{"observed"', '\n{"observed"').replace('{"source"', '\n{"source"') + "\n")
