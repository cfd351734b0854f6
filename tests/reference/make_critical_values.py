"""Writes critical_values.json: critical values of Hall-Wellner and equal-precision bands, found by other means.

Equal precision: eigenvalues of the killed Ornstein-Uhlenbeck process are the roots of Kummer's function
M(-lambda/2, 1/2, e^2/2), in 40-digit numbers. Hall-Wellner: the double integral over both ends of the bridge with the kernel by
reflection, by a product rule of 120 points each way. Both probabilities are compared with simulated paths before anything is written.

    python3 make_critical_values.py

needs mpmath and numpy.
"""

import json
import math
import pathlib

import numpy as np
from mpmath import mp, mpf, exp, findroot, hyp1f1, log, pi, quad, sqrt

mp.dps = 40


def density(x, variance=mpf(1)):
    return exp(-x * x / (2 * variance)) / sqrt(2 * pi * variance)


def equal_precision(e, time):
    """P(|X| <= e over the time); even eigenfunctions M(-lambda/2, 1/2, x^2/2)."""
    total = mpf(0)
    k = 0
    while True:
        # The k-th even eigenvalue lies near that of a box, ((2k+1)pi/2e)^2 plus the mean of the potential.
        def end(lam):
            return hyp1f1(-lam / 2, mpf(1) / 2, e * e / 2)

        step = (pi / (2 * e)) ** 2
        if k == 0:
            low = mpf(0)
        else:
            low = last + step / 100
        value, high = end(low), low
        while True:
            high = high + step / 4
            if end(high) * value < 0:
                break
        lam = findroot(end, (high - step / 4, high), solver="anderson", tol=1e-30)
        f = lambda x: hyp1f1(-lam / 2, mpf(1) / 2, x * x / 2)
        pieces = [e * i / 4 for i in range(5)]
        # The integral of f times the density follows from the equation: 2 f'(e) density(e) / -lambda.
        slope = -2 * lam / 2 * e * hyp1f1(1 - lam / 2, mpf(3) / 2, e * e / 2)
        first = -2 * slope * density(e) / lam
        norm = 2 * quad(lambda x: f(x) ** 2 * density(x), pieces)
        term = first * first / norm * exp(-lam * time)
        total += term
        last = lam
        k += 1
        if term < 1e-14:
            return total


def hall_wellner(h, a, b):
    nodes, weights = np.polynomial.legendre.leggauss(120)
    h, t = float(h), float(b - a)
    x = nodes * h
    w = weights * h
    phi = lambda z, v: np.exp(-z * z / (2 * v)) / math.sqrt(2 * math.pi * v)
    X, Y = np.meshgrid(x, x, indexing="ij")
    k = sum(phi(Y - X + 4 * j * h, t) - phi(2 * h - X - Y + 4 * j * h, t) for j in range(-4, 5))
    return math.sqrt(2 * math.pi) * float((w * phi(x, a)) @ k @ (w * phi(x, 1 - b)))


def root(probability, level, low, high, tolerance):
    f = lambda x: probability(x) - level
    at_low, at_high = f(low), f(high)
    assert at_low < 0 < at_high, (low, at_low, high, at_high)
    side = 0
    for _ in range(100):
        x = (low * at_high - high * at_low) / (at_high - at_low)
        at_x = f(x)
        if abs(at_x) < tolerance:
            return x
        if at_x < 0:
            low, at_low = x, at_x
            if side == -1:
                at_high /= 2
            side = -1
        else:
            high, at_high = x, at_x
            if side == 1:
                at_low /= 2
            side = 1
    return x


def simulate(ep, hw, a, b, paths=40_000, steps=1500):
    """Parts of simulated bridges within both bands over a..b. Time runs evenly on the scale of the equal-precision process; the
    boundary is moved in by 0.5826 of the step's standard deviation (Broadie, Glasserman & Kou 1997), which mends most of what
    looking only at steps misses."""
    rng = np.random.default_rng(7)
    time = 0.5 * math.log(b * (1 - a) / (a * (1 - b)))
    dt = time / steps
    x = rng.standard_normal(paths)
    inside_ep, inside_hw = np.ones(paths, bool), np.ones(paths, bool)
    decay, spread = math.exp(-dt), math.sqrt(1 - math.exp(-2 * dt))
    shift = 0.5826 * math.sqrt(2 * dt)
    odds = a / (1 - a)
    for k in range(steps + 1):
        s = odds * math.exp(2 * dt * k)
        u = s / (1 + s)
        width = hw / math.sqrt(u * (1 - u))
        inside_ep &= np.abs(x) <= ep - shift
        inside_hw &= np.abs(x) <= width - shift
        x = decay * x + spread * rng.standard_normal(paths)
    return inside_ep.mean(), inside_hw.mean()


RANGES = [(0.1, 0.9, 0.95), (0.1, 0.5, 0.95), (0.02, 0.98, 0.9), (0.3, 0.6, 0.99), (0.05, 0.4, 0.95)]


def main():
    hall, equal = [], []
    for a, b, level in RANGES:
        time = log(mpf(b) * (1 - mpf(a)) / (mpf(a) * (1 - mpf(b)))) / 2
        e = root(lambda x: equal_precision(x, time), mpf(level), mpf("2.2"), mpf("4.2"), mpf("1e-13"))
        middle = min(max(0.5, a), b)
        z = 1.2 * math.sqrt(middle * (1 - middle))
        h = root(lambda x: hall_wellner(x, a, b), level, z, 4 * z, 1e-13)
        inside = simulate(float(e), h, a, b)
        print(a, b, level, float(e), h, inside)
        error = 4 * math.sqrt(level * (1 - level) / 40_000) + 0.001
        assert all(abs(part - level) < error for part in inside), (inside, level)
        equal.append([a, b, level, float(e)])
        hall.append([a, b, level, h])
    # The whole range: Kolmogorov's distribution.
    for level in (0.9, 0.95, 0.99):
        f = lambda x: 1 - 2 * sum((-1) ** (k - 1) * exp(-2 * k * k * x * x) for k in range(1, 30))
        hall.append([0, 1, level, float(root(f, mpf(level), mpf(1), mpf(3), mpf("1e-20")))])
    about = "Made by make_critical_values.py (mpmath, numpy). A row: first and last point of the range on 0..1, level, value."
    text = json.dumps({"about": about, "hall_wellner": hall, "equal_precision": equal})
    pathlib.Path(__file__).with_name("critical_values.json").write_text(text + "\n")


if __name__ == "__main__":
    main()
