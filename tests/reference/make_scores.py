"""Reference values for tables, ranks and agreement, written to scores.json beside this file.

Independent of the crate. Exact probabilities: every table, choice or sign counted, in whole numbers and fractions (mpmath for roots
and for logarithms of very small ones). Others: scipy and statsmodels where they have the quantity, else the definition written out
another way (pairs one by one, complex-step derivatives, eigenvalues by numpy).

    python3 make_scores.py

needs numpy, scipy, statsmodels and mpmath; the versions are written into the file.
"""

import itertools
import json
import pathlib
import warnings
from fractions import Fraction
from math import comb, factorial, prod

import mpmath
import numpy as np
import scipy
import statsmodels
import statsmodels.api as sm
from mpmath import mp, mpf
from scipy import stats
from statsmodels.stats.contingency_tables import Table2x2, cochrans_q, mcnemar
from statsmodels.stats.inter_rater import cohens_kappa, fleiss_kappa
from statsmodels.stats.proportion import confint_proportions_2indep

mp.dps = 40
warnings.simplefilter("ignore")
rng = np.random.default_rng(20240611)


def ln(x):
    x = mpf(x.numerator) / x.denominator if isinstance(x, Fraction) else mpf(x)
    return float(mpmath.log(x))


def exact_2x2(t):
    (a, b), (c, d) = t
    r, k, n = a + b, a + c, a + b + c + d
    lo, hi = max(0, r + k - n), min(r, k)
    w = {x: comb(k, x) * comb(n - k, r - x) for x in range(lo, hi + 1)}
    total = sum(w.values())
    least = Fraction(sum(v for x, v in w.items() if x >= a), total)
    most = Fraction(sum(v for x, v in w.items() if x <= a), total)
    small = Fraction(sum(v for v in w.values() if v <= w[a]), total)
    here = Fraction(w[a], total)
    out = {"table": t, "ln_at_least": ln(least), "ln_at_most": ln(most), "ln_sum_of_small": ln(small),
           "ln_mid_p": ln(min(Fraction(1), 2 * min(least, most) - here))}

    def tail(beta, keep):
        big = max(ln(Fraction(v)) + x * float(beta) for x, v in w.items())
        e = {x: mpmath.exp(mpmath.log(v) + x * beta - big) for x, v in w.items()}
        return sum(e[x] for x in e if keep(x)) / sum(e.values())

    def mean(beta):
        big = max(ln(Fraction(v)) + x * float(beta) for x, v in w.items())
        e = {x: mpmath.exp(mpmath.log(v) + x * beta - big) for x, v in w.items()}
        return sum(x * e[x] for x in e) / sum(e.values())

    def root(f):
        lo_b, hi_b = mpf(-60), mpf(60)
        return float(mpmath.exp(mpmath.findroot(f, (lo_b, hi_b), solver="anderson", tol=1e-30, maxsteps=500)))

    out["odds_ratio"] = root(lambda z: mean(z) - a) if lo < a < hi else (0.0 if a == lo else None)
    out["lower"] = root(lambda z: tail(z, lambda x: x >= a) - mpf("0.025")) if a > lo else 0.0
    out["upper"] = root(lambda z: tail(z, lambda x: x <= a) - mpf("0.025")) if a < hi else None
    half = lambda z, keep: tail(z, keep) - tail(z, lambda x: x == a) / 2
    out["mid_p_lower"] = root(lambda z: half(z, lambda x: x >= a) - mpf("0.025")) if a > lo else 0.0
    out["mid_p_upper"] = root(lambda z: half(z, lambda x: x <= a) - mpf("0.025")) if a < hi else None
    return out


def columns(left, total):
    """All fillings of a column of `total` from what is left of each row."""
    if len(left) == 1:
        if total <= left[0]:
            yield (total,)
        return
    for x in range(min(left[0], total) + 1):
        for rest in columns(left[1:], total - x):
            yield (x, *rest)


def all_tables(rows, cols):
    if len(cols) == 1:
        yield (tuple(rows),)
        return
    for column in columns(rows, cols[0]):
        for rest in all_tables([r - x for r, x in zip(rows, column)], cols[1:]):
            yield (column, *rest)


def freeman_halton(t):
    rows, cols = [sum(r) for r in t], [sum(c) for c in zip(*t)]
    top = prod(map(factorial, rows)) * prod(map(factorial, cols))
    probability = lambda table: Fraction(top, factorial(sum(rows)) * prod(factorial(x) for c in table for x in c))
    seen = probability([list(c) for c in zip(*t)])
    p = total = Fraction(0)
    for table in all_tables(rows, cols):
        q = probability(table)
        total += q
        if q <= seen:
            p += q
    assert total == 1
    return ln(p)


def table(rows, cols, n, concentration=1.0):
    shares = rng.dirichlet([concentration] * (rows * cols))
    return rng.multinomial(n, shares).reshape(rows, cols).tolist()


def permutation(values, seen, weights=None):
    """Probabilities of a statistic among equally likely values, as fractions of whole numbers."""
    n = len(values)
    mean = Fraction(sum(values), n)
    return {
        "at_most": float(Fraction(sum(v <= seen for v in values), n)),
        "at_least": float(Fraction(sum(v >= seen for v in values), n)),
        "as_far": float(Fraction(sum(abs(v - mean) >= abs(seen - mean) for v in values), n)),
    }


def twice_ranks(values):
    return [sum(2 * (v < u) + (v == u) for v in values) + 1 for u in values]


def rank_sum(x, y):
    asymptotic = lambda c: stats.mannwhitneyu(x, y, alternative="two-sided", method="asymptotic", use_continuity=c)
    out = {"x": x, "y": y, "u": float(asymptotic(False).statistic), "p": float(asymptotic(False).pvalue),
           "p_corrected": float(asymptotic(True).pvalue)}
    if comb(len(x) + len(y), len(x)) < 400_000:
        ranks = twice_ranks(x + y)
        sums = [sum(chosen) for chosen in itertools.combinations(ranks, len(x))]
        out |= permutation(sums, sum(ranks[: len(x)]))
    bm = stats.brunnermunzel(y, x)
    if np.isfinite(bm.statistic):
        out |= {"bm": float(bm.statistic), "bm_p": float(bm.pvalue)}
    return out


def signed_rank(d):
    out = {"d": d}
    for zeros, name in (("wilcox", "dropped"), ("pratt", "ranked")):
        p = lambda c: float(stats.wilcoxon(d, zero_method=zeros, correction=c, method="asymptotic").pvalue)
        kept = [v for v in d if v] if zeros == "wilcox" else d
        ranks = [r for r, v in zip(twice_ranks([abs(v) for v in kept]), kept) if v]
        signs = [v > 0 for v in kept if v]
        sums = [sum(r for r, s in zip(ranks, choice) if s) for choice in itertools.product((0, 1), repeat=len(ranks))]
        seen = sum(r for r, s in zip(ranks, signs) if s)
        out[name] = {"p": p(False), "p_corrected": p(True), "w": seen / 2, **permutation(sums, seen)}
    return out


def trend(x, n, s):
    N, X = sum(n), sum(x)
    p = Fraction(X, N)
    mean = Fraction(sum(a * Fraction(b) for a, b in zip(n, s))) / N
    t = sum((a - m * p) * (Fraction(b) - mean) for a, m, b in zip(x, n, s))
    spread = sum(m * (Fraction(b) - mean) ** 2 for m, b in zip(n, s))
    chi = t * t / (p * (1 - p) * spread)
    out = {"x": x, "n": n, "s": s, "chi_squared": float(chi), "permutation": float(chi * (N - 1) / N), "slope": float(t / spread),
           "p": float(stats.chi2.sf(float(chi), 1))}
    ways = {}
    for choice in itertools.product(*[range(m + 1) for m in n]) if prod(m + 1 for m in n) < 300_000 else []:
        if sum(choice) == X:
            value = sum(c * Fraction(b) for c, b in zip(choice, s))
            ways[value] = ways.get(value, 0) + prod(comb(m, c) for m, c in zip(n, choice))
    if ways:
        total = sum(ways.values())
        seen = sum(c * Fraction(b) for c, b in zip(x, s))
        centre = sum(v * w for v, w in ways.items()) / total
        share = lambda keep: float(Fraction(sum(w for v, w in ways.items() if keep(v)), total))
        out |= {"at_most": share(lambda v: v <= seen), "at_least": share(lambda v: v >= seen),
                "as_far": share(lambda v: abs(v - centre) >= abs(seen - centre))}
    return out


def clustered(rows, cols, clusters, n, shared):
    """Codes whose columns depend on the cluster."""
    cluster = rng.integers(0, clusters, n)
    row = rng.integers(0, rows, n)
    lean = rng.normal(0, shared, clusters)
    column = np.clip(np.round(lean[cluster] + rng.normal(cols / 2 - 0.5, 0.8, n) + 0.2 * row), 0, cols - 1).astype(int)
    out = {"rows": row.tolist(), "columns": column.tolist(), "clusters": cluster.tolist(), "levels": [rows, cols]}
    m = len(set(cluster))
    factor = m / (m - 1)
    # Shares of the last column by row, and the trend over rows: least squares with variances by cluster, without a factor.
    y = (column == cols - 1).astype(float)
    fit = lambda x, keep=slice(None): sm.OLS(y[keep], x[keep]).fit(
        cov_type="cluster", cov_kwds={"groups": cluster[keep], "use_correction": False})
    own = row == 0
    m0 = len(set(cluster[own]))
    share = fit(np.ones((n, 1)), own)
    out["share"] = {"value": float(share.params[0]), "error": float(share.bse[0] * np.sqrt(m0 / (m0 - 1)))}
    two = row < 2
    m2 = len(set(cluster[two]))
    x = np.column_stack([np.ones(n), row == 0]).astype(float)
    difference = fit(x, two)
    out["difference"] = {"value": float(difference.params[1]), "error": float(difference.bse[1] * np.sqrt(m2 / (m2 - 1)))}
    # ln of the ratio of the two shares: a Poisson regression has the same scores.
    poisson = sm.GLM(y[two], x[two], family=sm.families.Poisson()).fit(
        tol=1e-14, cov_type="cluster", cov_kwds={"groups": cluster[two], "use_correction": False})
    out["ratio"] = {"ln": float(poisson.params[1]), "error": float(poisson.bse[1] * np.sqrt(m2 / (m2 - 1)))}
    slope = fit(sm.add_constant(row.astype(float)))
    u = np.zeros(clusters)
    np.add.at(u, cluster, (row - row.mean()) * (y - y.mean()))
    out["trend"] = {"slope": float(slope.params[1]), "error": float(slope.bse[1] * np.sqrt(factor)),
                    "score": float(u.sum() ** 2 / (u**2).sum())}
    # Superiority of the first row over the second: complex-step derivative of the weighted share of pairs by the weight of a cluster.
    def theta(weight):
        first, second = np.flatnonzero(row == 0), np.flatnonzero(row == 1)
        wins = (column[first][:, None] > column[second]) + 0.5 * (column[first][:, None] == column[second])
        a, b = weight[cluster[first]], weight[cluster[second]]
        return a @ wins @ b / (a.sum() * b.sum())
    influence = []
    for c in sorted(set(cluster[two])):
        weight = np.ones(clusters, complex)
        weight[c] += 1e-30j
        influence.append(theta(weight).imag / 1e-30)
    out["superiority"] = {"value": float(theta(np.ones(clusters))),
                          "error": float(np.sqrt(m2 / (m2 - 1) * np.sum(np.square(influence))))}
    # Rao and Scott: covariance of all cells by cluster totals, then by the derivative of h; eigenvalues.
    cells = rows * cols
    z = np.zeros((clusters, cells))
    np.add.at(z, (cluster, row * cols + column), 1)
    p = z.sum(0) / n
    residual = (z - z.sum(1, keepdims=True) * p)[z.sum(1) > 0] / n
    v = factor * residual.T @ residual
    P = p.reshape(rows, cols)
    h = lambda q: (q.reshape(rows, cols) - q.reshape(rows, cols).sum(1)[:, None] * q.reshape(rows, cols).sum(0))[:-1, :-1].ravel()
    H = np.array([h(p + 1e-30j * e).imag / 1e-30 for e in np.eye(cells)]).T
    omega = lambda q: np.diag(q[:-1]) - np.outer(q[:-1], q[:-1])
    Omega = np.kron(omega(P.sum(1)), omega(P.sum(0)))
    delta = np.linalg.eigvals(n * np.linalg.solve(Omega, H @ v @ H.T)).real
    x2 = float(n * h(p) @ np.linalg.solve(Omega, h(p)))
    k, trace = len(delta), delta.sum()
    nu = trace**2 / (delta**2).sum()
    out["rao_scott"] = {"x2": x2, "mean": float(trace / k), "f": x2 / float(trace), "nu": float(nu),
                        "f_p": float(stats.f.sf(x2 / trace, nu, nu * (m - 1))),
                        "second_p": float(stats.chi2.sf(x2 / (trace / k * (1 + k / nu - 1)), nu)),
                        "first_p": float(stats.chi2.sf(x2 * k / trace, k))}
    # Rao and Scott 1992.
    xs, ns = [], []
    for g in range(rows):
        f = fit(np.ones((n, 1)), row == g)
        mg, ng, pg = len(set(cluster[row == g])), (row == g).sum(), f.params[0]
        d = f.bse[0] ** 2 * mg / (mg - 1) / (pg * (1 - pg) / ng)
        xs.append(y[row == g].sum() / d)
        ns.append(ng / d)
    xs, ns = np.array(xs), np.array(ns)
    pooled = xs.sum() / ns.sum()
    out["homogeneity"] = float(((xs - ns * pooled) ** 2 / (ns * pooled * (1 - pooled))).sum())
    return out


def kappa_of(counts, kind):
    return cohens_kappa(counts, wt=kind, return_results=True)


def kappas(t):
    out = {"table": t}
    for kind, name in ((None, "unweighted"), ("linear", "linear"), ("quadratic", "quadratic")):
        k = kappa_of(np.array(t), kind)
        out[name] = {"kappa": float(k.kappa), "error": float(k.std_kappa), "null": float(k.std_kappa0)}
    return out


def clustered_kappa(categories, clusters, n):
    cluster = rng.integers(0, clusters, n)
    truth = rng.normal(0, 1, clusters)[cluster] + rng.normal(0, 0.5, n)
    score = lambda: np.clip(np.round(truth + rng.normal(0, 0.4, n) + categories / 2 - 0.5), 0, categories - 1).astype(int)
    a, b = score(), score()
    out = {"first": a.tolist(), "second": b.tolist(), "clusters": cluster.tolist(), "categories": categories}
    for kind, name in ((None, "unweighted"), ("linear", "linear"), ("quadratic", "quadratic")):
        def value(keep):
            counts = np.zeros((categories, categories))
            np.add.at(counts, (a[keep], b[keep]), 1)
            return float(kappa_of(counts, kind).kappa)
        present = sorted(set(cluster))
        without = np.array([value(cluster != c) for c in present])
        m = len(present)
        out[name] = {"kappa": value(cluster >= 0), "error": float(np.sqrt((m - 1) / m * ((without - without.mean()) ** 2).sum()))}
    return out


def krippendorff(examiners, units, categories, missing):
    truth = rng.integers(0, categories, units)
    scores = np.clip(truth + rng.integers(-1, 2, (examiners, units)) * (rng.random((examiners, units)) < 0.5), 0, categories - 1)
    scores = np.where(rng.random((examiners, units)) < missing, -1, scores)
    # Pairs one by one.
    pairs = []
    for unit in scores.T:
        given = [int(v) for v in unit if v >= 0]
        for i, j in itertools.permutations(range(len(given)), 2):
            pairs.append((given[i], given[j], Fraction(1, len(given) - 1)))
    n = {c: sum(w for a, _, w in pairs if a == c) for c in range(categories)}
    total = sum(n.values())
    apart = {
        "nominal": lambda a, b: int(a != b),
        "interval": lambda a, b: (a - b) ** 2,
        "ordinal": lambda a, b: (sum(n[g] for g in range(min(a, b), max(a, b) + 1)) - (n[a] + n[b]) / 2) ** 2,
    }
    out = {"scores": scores.tolist(), "categories": categories}
    for name, d in apart.items():
        observed = sum(w * d(a, b) for a, b, w in pairs) / total
        expected = sum(n[a] * n[b] * d(a, b) for a in n for b in n) / (total * (total - 1))
        out[name] = float(1 - observed / expected)
    return out


def independence(t):
    t = np.array(t)
    used = t[t.sum(1) > 0][:, t.sum(0) > 0]
    chi = stats.chi2_contingency(used, correction=False)
    g = stats.chi2_contingency(used, correction=False, lambda_="log-likelihood")
    out = {"table": t.tolist(), "pearson": float(chi.statistic), "p": float(chi.pvalue), "g": float(g.statistic), "df": int(chi.dof)}
    if used.shape == (2, 2):
        out["corrected"] = float(stats.chi2_contingency(used, correction=True).statistic)
    return out


def contrast(t):
    (a, b), (c, d) = t
    out = {"table": t, "newcombe": [float(v) for v in confint_proportions_2indep(a, a + b, c, c + d, method="newcomb")]}
    if min(a, b, c, d) > 0:
        two = Table2x2(np.array(t))
        out["odds_ratio"] = [float(two.oddsratio), *map(float, two.oddsratio_confint())]
        out["risk_ratio"] = [float(two.riskratio), *map(float, two.riskratio_confint())]
    return out


ordinal = lambda n, k: rng.integers(1, k + 1, n).tolist()
result = {
    "versions": {"scipy": scipy.__version__, "statsmodels": statsmodels.__version__, "numpy": np.__version__, "mpmath": mpmath.__version__},
    "fisher": [exact_2x2(t) for t in [[[3, 1], [1, 3]], [[0, 7], [5, 6]], [[7, 0], [5, 6]], [[1, 30], [12, 25]], [[40, 3], [5, 60]],
               [[2, 300], [5, 280]], [[150, 160], [140, 155]], [[400, 10], [12, 390]], [[900, 3], [2, 850]]]]
              + [exact_2x2(table(2, 2, 40)) for _ in range(3)],
    "freeman_halton": [{"table": t, "ln_p": freeman_halton(t)} for t in
                       [[[3, 1, 0], [1, 2, 3]], [[5, 0, 0, 1], [0, 4, 1, 0], [1, 0, 3, 1]], [[6, 0], [0, 5], [4, 1], [2, 2]],
                        [[9, 0, 0], [0, 9, 0], [0, 0, 9]], [[2, 2, 2], [2, 2, 2]], [[1, 0, 2, 0, 1], [0, 3, 0, 1, 0]]]
                       + [table(3, 4, 16) for _ in range(3)] + [table(2, 6, 24, 0.5) for _ in range(3)] + [table(4, 3, 18, 0.6)]],
    "independence": [independence(table(r, c, n, 0.7)) for r, c, n in
                     [(2, 2, 30), (2, 2, 400), (3, 4, 60), (5, 4, 300), (4, 6, 40), (2, 5, 25), (3, 3, 100_000)]],
    "contrast": [contrast(t) for t in [[[56, 14], [48, 32]], [[9, 1], [3, 7]], [[10, 0], [0, 20]], [[0, 10], [0, 20]], [[5, 56], [0, 29]],
                 [[120, 3], [95, 17]]]],
    "rank_sum": [rank_sum(ordinal(7, 4), ordinal(8, 5)), rank_sum(ordinal(5, 3), ordinal(9, 4)), rank_sum(ordinal(40, 5), ordinal(60, 5)),
                 rank_sum(rng.normal(size=8).tolist(), rng.normal(0.7, size=6).tolist()),
                 rank_sum([1, 2, 2, 2, 3, 1, 2], [2, 3, 3, 4, 4, 3, 5, 5]),
                 rank_sum([1, 1, 2, 2, 2, 3, 1, 4, 2, 1], [2, 3, 3, 4, 2, 4, 3, 3, 1, 4, 5])],
    "kruskal_wallis": [{"samples": s, "h": float(stats.kruskal(*s).statistic), "p": float(stats.kruskal(*s).pvalue)} for s in
                       [[ordinal(6, 4), ordinal(9, 5), ordinal(7, 3)], [ordinal(30, 5) for _ in range(5)],
                        [rng.normal(size=5).tolist(), rng.normal(size=9).tolist()]]],
    "signed_rank": [signed_rank(d) for d in [[1, -2, 3, 0, 2, 2, -1, 4], [0, 0, 1, 1, -1, 2, 2, 3, 3, -1], [5, 4, 3, 2, 1],
                    rng.integers(-3, 5, 14).tolist(), rng.normal(0.3, size=12).tolist()]],
    "friedman": [{"blocks": b, "chi_squared": float(stats.friedmanchisquare(*zip(*b)).statistic)} for b in
                 [[ordinal(4, 5) for _ in range(9)], [ordinal(3, 3) for _ in range(30)], [rng.normal(size=5).tolist() for _ in range(6)]]],
    "cochran_q": [{"rows": r, "q": float(cochrans_q(np.array(r)).statistic)} for r in
                  [rng.integers(0, 2, (12, 3)).tolist(), rng.integers(0, 2, (40, 5)).tolist()]],
    "mcnemar": [{"table": [[a, b], [c, d]],
                 "chi_squared": float(mcnemar([[a, b], [c, d]], exact=False, correction=False).statistic),
                 "ln_exact": ln(min(Fraction(1), Fraction(2 * sum(comb(b + c, k) for k in range(min(b, c) + 1)), 2 ** (b + c)))),
                 "ln_mid_p": ln(min(Fraction(1), Fraction(2 * sum(comb(b + c, k) for k in range(min(b, c) + 1)) - comb(b + c, b),
                                                          2 ** (b + c))))}
                for a, b, c, d in [(10, 2, 9, 15), (794, 150, 86, 570), (3, 0, 6, 1), (5, 4, 4, 9), (0, 1, 0, 0), (7, 1400, 3, 11)]],
    "trend": [trend(*t) for t in [([1, 3, 6], [8, 9, 8], [0, 1, 2]), ([0, 1, 1, 4], [7, 6, 5, 6], [0, 0.5, 1.5, 4]),
              ([3, 2, 0, 1, 0], [6, 5, 4, 6, 5], [1, 2, 3, 4, 5]), ([12, 40, 33], [90, 80, 75], [0, 1, 3])]],
    "clustered": [clustered(3, 4, 30, 150, 0.8), clustered(2, 2, 12, 60, 1.2), clustered(4, 5, 80, 400, 0.5)],
    "kappa": [kappas(table(k, k, n)) for k, n in [(2, 40), (3, 60), (5, 200)]] + [kappas([[10, 0, 2], [0, 0, 0], [3, 0, 8]])],
    "clustered_kappa": [clustered_kappa(3, 20, 90), clustered_kappa(5, 60, 200)],
    "krippendorff": [krippendorff(3, 20, 4, 0.2), krippendorff(5, 12, 3, 0.4), krippendorff(2, 40, 5, 0.0)],
    "fleiss": [{"counts": c, "kappa": float(fleiss_kappa(np.array(c)))} for c in
               [rng.multinomial(6, [0.5, 0.3, 0.2], 15).tolist(), rng.multinomial(3, [0.2] * 5, 25).tolist()]],
}
text = json.dumps(result, indent=None, separators=(",", ":")).replace('],"', '],\n"').replace('},{', '},\n{')
pathlib.Path(__file__).with_name("scores.json").write_text(text + "\n")
