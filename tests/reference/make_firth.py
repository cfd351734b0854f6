"""Reference values for the penalised (Firth) proportional hazards regression, written to firth.json beside this file.

By the explicit definition at 40 digits: the partial likelihood with its information summed over risk sets, half the logarithm of
its determinant added, maximised by Newton's method with central differences. Independent of the crate.

    python3 make_firth.py

needs mpmath.
"""

import json
import pathlib

import mpmath
from mpmath import mp, mpf

mp.dps = 40
STEP = mpf(10) ** -11
# Entry, exit, failed, x, z, weight: nobody with x = 1 fails.
ROWS = [
    (0, 2, 1, 0, 1.5, 1), (0, 2, 1, 0, 0.2, 2), (0, 3, 0, 1, 0.7, 1), (0, 4, 1, 0, -0.3, 1), (1, 4, 1, 0, 1.1, 1),
    (0, 5, 0, 1, 0.4, 1), (2, 6, 1, 0, 2.0, 1), (0, 6, 0, 0, -1.2, 3), (0, 7, 1, 0, 0.1, 1), (3, 7, 0, 1, 1.8, 1),
    (0, 8, 0, 1, -0.6, 1), (0, 9, 1, 0, 0.9, 1), (4, 9, 1, 0, -0.8, 1), (0, 10, 0, 0, 0.3, 1), (0, 12, 0, 1, -0.1, 2),
]


def penalised(beta, efron, weighted):
    rows = [(e, t, d, [mpf(x), mpf(str(z))], mpf(w) if weighted else mpf(1)) for e, t, d, x, z, w in ROWS]
    value, info = mpf(0), mpmath.zeros(2, 2)
    for tick in sorted({t for _, t, d, _, _ in rows if d}):
        at_risk = [r for r in rows if r[1] >= tick and (r[0] == 0 or r[0] < tick)]
        failed = [r for r in at_risk if r[1] == tick and r[2]]
        mean = sum(r[4] for r in failed) / len(failed)
        value += sum(r[4] * (r[3][0] * beta[0] + r[3][1] * beta[1]) for r in failed)
        for l in range(len(failed)):
            f = mpf(l) / len(failed) if efron else mpf(0)
            e = [r[4] * mpmath.exp(r[3][0] * beta[0] + r[3][1] * beta[1]) * (1 - f if r in failed else 1) for r in at_risk]
            s0 = sum(e)
            m = [sum(w * r[3][k] for w, r in zip(e, at_risk)) / s0 for k in range(2)]
            value -= mean * mpmath.log(s0)
            for j in range(2):
                for k in range(2):
                    info[j, k] += mean * (sum(w * r[3][j] * r[3][k] for w, r in zip(e, at_risk)) / s0 - m[j] * m[k])
    return value + mpmath.log(mpmath.det(info)) / 2, info


def slope(beta, k, *how):
    up, down = list(beta), list(beta)
    up[k] += STEP
    down[k] -= STEP
    return (penalised(up, *how)[0] - penalised(down, *how)[0]) / (2 * STEP)


def solve(equations, start):
    x = [mpf(s) for s in start]
    for _ in range(60):
        now = equations(x)
        jacobian = mpmath.zeros(len(x), len(x))
        for j in range(len(x)):
            up = list(x)
            up[j] += STEP
            for i, value in enumerate(equations(up)):
                jacobian[i, j] = (value - now[i]) / STEP
        step = mpmath.lu_solve(jacobian, -mpmath.matrix(now))
        longest = max(abs(s) for s in step)
        part = min(mpf(1), 1 / longest)
        x = [a + part * s for a, s in zip(x, step)]
        if longest < mpf(10) ** -14:
            return x
    raise ArithmeticError("not settled")


cases = []
for efron in (True, False):
    for weighted in (False, True):
        how = (efron, weighted)
        best = solve(lambda b: [slope(b, 0, *how), slope(b, 1, *how)], [-1, 0])
        top, info = penalised(best, *how)
        covariance = info ** -1
        reach = mpmath.sqrt(2) * mpmath.erfinv(mpf("0.95"))
        limits, tests = [], []
        for k in range(2):
            other = 1 - k
            held = solve(lambda b: [slope([b[0] if i == other else mpf(0) for i in range(2)], other, *how)], [best[other]])
            at = [held[0] if i == other else mpf(0) for i in range(2)]
            tests.append(2 * (top - penalised(at, *how)[0]))
            pair = []
            for sign in (-1, 1):
                start = list(best)
                start[k] += sign * reach * mpmath.sqrt(covariance[k, k])
                found = solve(lambda b: [penalised(b, *how)[0] - (top - reach ** 2 / 2), slope(b, other, *how)], start)
                assert sign * (found[k] - best[k]) > 0
                pair.append(found[k])
            limits.append(pair)
        cases.append({
            "ties": "efron" if efron else "breslow", "weighted": weighted, "coefficient": [float(b) for b in best],
            "covariance": [float(covariance[i, j]) for i in range(2) for j in range(2)], "ln_likelihood": float(top),
            "ln_likelihood_at_zero": float(penalised([mpf(0), mpf(0)], *how)[0]),
            "limits": [[float(v) for v in pair] for pair in limits], "likelihood_ratio": [float(t) for t in tests],
        })
result = {"software": f"mpmath {mpmath.__version__}, explicit definition", "rows": ROWS, "cases": cases}
pathlib.Path(__file__).with_name("firth.json").write_text(json.dumps(result, indent=1) + "\n")
