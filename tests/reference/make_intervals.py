"""Reference values for interval-censored times, written to intervals.json beside this script.

Needs Python 3 with numpy, scipy and mpmath. The nonparametric estimate is found by general-purpose optimisation, not by the method of the
crate: the self-consistency iteration accelerated by a barrier Newton method on all innermost intervals (dense linear algebra), then
polished on the support in 50-digit arithmetic. Data are drawn with fixed seeds. Time is whole ticks; an interval (l, r] with l = r is
exact, r = null is open; e is a delayed entry.
"""
import json
import sys

import mpmath
import numpy as np
import scipy

OPEN = 10**9


def key_left(l, r):
    return 2 * l if l == r else 2 * l + 1


def innermost(rows):
    """By definition: sort all ends; a left end followed at once by a right end."""
    ends = []
    for e, l, r in rows:
        ends.append((key_left(l, r), 0))
        ends.append((2 * r, 1))
        if e > 0:
            ends.append((2 * e, 1))
    ends.sort()
    found = []
    for (a, kind), (b, other) in zip(ends, ends[1:]):
        if kind == 0 and other == 1:
            found.append((a, b))
    return sorted(set(found))


def matrices(rows, inner):
    inside = np.array([[1.0 if key_left(l, r) <= a and b <= 2 * r else 0.0 for a, b in inner] for e, l, r in rows])
    after = np.array([[1.0 if a > 2 * e else 0.0 for a, b in inner] for e, l, r in rows])
    late = np.array([e > 0 for e, l, r in rows])
    return inside, after, late


def polish(p, A, B, late, support):
    """Newton in 50 digits on a support."""
    mpmath.mp.dps = 50
    S = len(support)
    q = mpmath.matrix([mpmath.mpf(float(p[j])) for j in support])
    n = len(A)
    rowsA = [[k for k, j in enumerate(support) if A[i, j]] for i in range(n)]
    rowsB = [[k for k, j in enumerate(support) if B[i, j]] for i in range(n) if late[i]]
    for _ in range(12):
        g = mpmath.zeros(S + 1, 1)
        H = mpmath.zeros(S + 1, S + 1)
        for row, sign in [(r, 1) for r in rowsA] + [(r, -1) for r in rowsB]:
            P = mpmath.fsum(q[k] for k in row)
            for k in row:
                g[k] += sign / P
                for l in row:
                    H[k, l] += sign / P**2
        for k in range(S):
            H[k, S] = H[S, k] = 1
        d = mpmath.lu_solve(H, g)
        q = mpmath.matrix([q[k] + d[k] for k in range(S)])
        q = q / mpmath.fsum(q)
        if max(abs(d[k]) for k in range(S)) < mpmath.mpf(10) ** -30:
            break
    return q, rowsA, rowsB


def solve(rows):
    inner = innermost(rows)
    A, B, late = matrices(rows, inner)
    m = len(inner)
    n = len(rows)

    def gradient(p):
        g = A.T @ (1 / (A @ p))
        if late.any():
            g = g - B[late].T @ (1 / (B[late] @ p))
        return g

    net = n - late.sum()
    p = np.full(m, 1 / m)
    # Barrier Newton on p > 0, sum 1, with a falling barrier; step by halving. With delayed entries the curvature of the concave part
    # alone, whose steps always climb.
    for mu in [1.0, 1e-2, 1e-4, 1e-6, 1e-8, 1e-10, 1e-12]:
        for _ in range(400 if late.any() else 60):
            P = A @ p
            g = gradient(p) + mu / p
            H = A.T @ (A / P[:, None] ** 2) + np.diag(mu / p**2)
            K = np.block([[H, np.ones((m, 1))], [np.ones((1, m)), np.zeros((1, 1))]])
            d = np.linalg.solve(K, np.append(g, 0.0))[:m]
            limit = np.min(np.where(d < 0, -p / np.where(d < 0, d, -1), np.inf))
            step = min(1.0, 0.95 * limit)

            def value(q):
                v = np.log(A @ q).sum() + mu * np.log(q).sum()
                return v - np.log(B[late] @ q).sum() if late.any() else v

            base = value(p)
            while step > 1e-14 and not value(p + step * d) >= base - 1e-13 * abs(base):
                step /= 2
            q = p + step * d
            q = q / q.sum()
            done = np.max(np.abs(q - p)) < 1e-15
            p = q
            if done:
                break
    g = gradient(p)
    support = [j for j in range(m) if p[j] > 1e-6 or (p[j] > 1e-9 and g[j] > net - 1e-7 * n)]
    while True:
        q, rowsA, rowsB = polish(p, A, B, late, support)
        if all(x > 0 for x in q):
            break
        # A mass that the curvature would push below 0 is none; the gap checks the choice in the end.
        support.pop(min(range(len(support)), key=lambda k: q[k]))
    full = np.zeros(m)
    for k, j in enumerate(support):
        full[j] = float(q[k])
    gap = float(np.max(gradient(full) - net) / n)
    assert gap < 1e-11, gap
    ll = mpmath.fsum(mpmath.log(mpmath.fsum(q[k] for k in row)) for row in rowsA)
    ll -= mpmath.fsum(mpmath.log(mpmath.fsum(q[k] for k in row)) for row in rowsB)
    masses = [[a // 2, None if b == 2 * OPEN else b // 2, a % 2 == 0, float(x)] for (a, b), x in
              ((inner[j], q[k]) for k, j in enumerate(support))]
    return dict(innermost=m, masses=masses, ln_likelihood=float(ll), gap=gap), (inner, support, q)


def scores(rows, fit):
    """Scores by their definitions in 50 digits."""
    inner, support, q = fit
    points = [inner[j] for j in support]
    S = [mpmath.mpf(1)]
    for x in q:
        S.append(S[-1] - x)
    S[-1] = mpmath.mpf(0)
    hazard = [mpmath.mpf(0)]
    for k, x in enumerate(q):
        hazard.append(hazard[-1] - x / S[k])

    def before(place):  # masses wholly before this place
        return sum(1 for a, b in points if b < place)

    out = []
    for e, l, r in rows:
        lo = before(key_left(l, r))
        hi = sum(1 for a, b in points if b <= 2 * r)
        en = sum(1 for a, b in points if b <= 2 * e) if e > 0 else 0
        one = {}
        for name, a in [("log_rank", hazard), ("proportional_hazards", [mpmath.log(s) if s > 0 else mpmath.mpf(0) for s in S])]:
            one[name] = (S[lo] * a[lo] - S[hi] * a[hi]) / (S[lo] - S[hi]) - a[en]
        one["wilcoxon"] = S[lo] + S[hi] - S[en]
        out.append(one)
    return out


def quadratic(U, V):
    U, V = np.array(U, float), np.array(V, float)
    return float(U @ np.linalg.pinv(V, rcond=1e-10) @ U)


def tests(rows, groups, clusters, fit):
    k = max(groups) + 1
    n = len(rows)
    out = {}
    for name in ["log_rank", "proportional_hazards", "wilcoxon"]:
        c = np.array([float(s[name]) for s in scores(rows, fit)])
        z = np.array([[1.0 if g == j else 0.0 for j in range(k)] for g in groups])
        U = z.T @ (c - c.mean())
        zc = z - z.mean(axis=0)
        V = np.sum((c - c.mean()) ** 2) / (n - 1) * (zc.T @ zc)
        chi = quadratic(U, V)
        u = np.zeros((max(clusters) + 1, k))
        for i in range(n):
            u[clusters[i]] += (c[i] - c.mean()) * zc[i]
        out[name] = dict(score_sums=[float(x) for x in z.T @ c], chi_square=chi,
                         p=float(scipy.stats.chi2.sf(chi, k - 1)),
                         robust_chi_square=quadratic(U, u.T @ u))
    return out


def draw(seed, n, late=False, exact=0.0, coarse=1):
    rng = np.random.default_rng(seed)
    rows = []
    while len(rows) < n:
        t = rng.weibull(1.4) * 60
        e = int(rng.integers(1, 25)) if late and rng.random() < 0.5 else 0
        if t <= e:
            continue
        if rng.random() < exact:
            t = max(e + 1, int(np.ceil(t)))
            rows.append((e, int(t), int(t)))
            continue
        l = e
        r = OPEN
        end = rng.integers(20, 110)
        while True:
            step = int(rng.integers(4, 20)) // coarse * coarse + coarse
            if l + step > end:
                break
            if t <= l + step:
                r = l + step
                break
            l += step
        rows.append((e, l, r))
    groups = [int(x) for x in rng.integers(0, 3, n)]
    clusters = [int(x) for x in rng.integers(0, n // 3, n)]
    return rows, groups, clusters


def main():
    cases = []
    for name, seed, n, options in [
        ("intervals", 1, 60, {}),
        ("many_intervals", 2, 250, {}),
        ("coarse_recalls", 3, 150, dict(coarse=6)),
        ("some_exact", 4, 120, dict(exact=0.3)),
        ("few", 5, 12, {}),
        ("delayed_entries", 6, 120, dict(late=True)),
        ("delayed_entries_some_exact", 7, 150, dict(late=True, exact=0.3)),
    ]:
        rows, groups, clusters = draw(seed, n, **options)
        found, fit = solve(rows)
        print(name, found["innermost"], len(found["masses"]), found["ln_likelihood"], found["gap"], file=sys.stderr)
        cases.append(dict(name=name, rows=[[e, l, None if r == OPEN else r, c, g] for (e, l, r), c, g in zip(rows, clusters, groups)],
                          tests=tests(rows, groups, clusters, fit), **found))
    json.dump(dict(made_with=f"python {sys.version.split()[0]}, numpy {np.__version__}, scipy {scipy.__version__}, mpmath {mpmath.__version__}",
                   columns=["entry", "left", "right", "cluster", "group"],
                   mass_columns=["left", "right", "exact", "mass"], cases=cases),
              open(__file__.rsplit("/", 1)[0] + "/intervals.json", "w"))


import scipy.stats  # noqa: E402

main()
