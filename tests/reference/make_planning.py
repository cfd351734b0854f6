"""Reference values for plans, written to planning.json beside this file.

Shares that fail: the double integral over entry and time, by mpmath's quadrature, for exponential and Weibull times. Correlations
of a shared gamma frailty: straight from the definition at 60 digits.

    python3 make_planning.py

needs mpmath; its version is written into the file.
"""

import json
import pathlib

import mpmath
from mpmath import mp, mpf, quad

mp.dps = 30


def failing(accrual, further, loss, rate, shape):
    accrual, further, loss, rate, shape = map(mpf, (accrual, further, loss, rate, shape))

    def density(u):
        return shape * rate**shape * u ** (shape - 1) * mp.e ** (-((rate * u) ** shape) - loss * u)

    def seen(available):
        return quad(density, [0, available / 16, available])

    if accrual == 0:
        return seen(further)
    return quad(seen, [further, further + accrual]) / accrual


def mean_time(accrual, further, loss, rate):
    accrual, further, x = mpf(accrual), mpf(further), mpf(loss) + mpf(rate)

    def seen(available):
        return quad(lambda u: mp.e ** (-x * u), [0, available])

    if accrual == 0:
        return seen(further)
    return quad(seen, [further, further + accrual]) / accrual


def correlation(survival, variance):
    mp.dps = 60
    s, f = mpf(survival), mpf(variance)
    joint = (2 * s ** (-f) - 1) ** (-1 / f)
    value = (joint - s**2) / (s * (1 - s))
    mp.dps = 30
    return float(value)


shares = []
for accrual, further, loss, rate, shape in [
    (0, 5, 0, 0.04, 1),
    (3, 5, 0.04, 0.05, 1),
    (2, 0, 0.0, 0.2, 1),
    (4, 8, 0.1, 0.001, 1),
    (1e-6, 3, 0.02, 0.1, 1),
    (3, 5, 0.04, 0.052, 1.52),
    (5, 1, 0.0, 0.1, 2.5),
]:
    row = {"accrual": accrual, "further": further, "loss": loss, "rate": rate, "shape": shape}
    row["share"] = float(failing(accrual, further, loss, rate, shape))
    if shape == 1:
        row["mean_time"] = float(mean_time(accrual, further, loss, rate))
    shares.append(row)

correlations = [
    {"survival": s, "variance": f, "correlation": correlation(s, f)}
    for s in (0.05, 0.5, 0.9, 0.999)
    for f in (0.001, 0.5, 1.0, 3.0, 40.0)
]

out = {"made_with": f"mpmath {mpmath.__version__}", "failing_share": shares, "frailty_correlation": correlations}
path = pathlib.Path(__file__).with_name("planning.json")
path.write_text(json.dumps(out, indent=1) + "\n")
