"""True and mean estimated variance of the score of Gray's test where the last tick exhausts both groups.

    python3 make_gray_exhausted_exact.py

Needs Python 3 alone. Sums over every outcome of two groups of a size: on tick 1 each ends by cause 1 or 2 with probability 0.2 and
0.3, on tick 2 everybody left by cause 1. Printed: the variance of the score, the mean of the estimated variance with the factors
for ties held at 0 or above, the same with them left below 0, and the probability that the latter is below 0. The two ticks are
written out here; the numbers are quoted in tests/it/stats_competing.rs and src/stats/gray.rs.
"""

from math import factorial


def outcomes(size):
    """Counts (cause 1, cause 2, left) with their probability."""
    for one in range(size + 1):
        for two in range(size + 1 - one):
            left = size - one - two
            ways = factorial(size) // (factorial(one) * factorial(two) * factorial(left))
            yield (one, two, left), ways * 0.2**one * 0.3**two * 0.5**left


def score_and_variances(size, groups):
    """Of the first group. On tick 1 both have S = 1, so h = size and m = 2·size."""
    ended = [group[0] for group in groups]
    incidence = [one / size for one in ended]
    first = sum(ended) / (2 * size)
    score = ended[0] - first * size
    survival = [group[2] / size for group in groups]
    # On tick 2 n/S is the size again, for a group with anybody left.
    present = [r for r in range(2) if groups[r][2] > 0]
    last = sum(groups[r][2] for r in present)
    bounded = free = 0.0
    slope = [0.0, 0.0]
    if present:
        share = {r: size * (1 - incidence[r]) for r in present}
        if 0 in present:
            score += groups[0][2] - last * share[0] / sum(share.values())
        if len(present) == 2:
            half = size / 2
            rise = last / (2 * size)
            for r in range(2):
                m = survival[r] * 2 * size
                factor = 1 - (last - 1) / (m - 1) if last > 1 else 1.0
                term = half**2 * rise / size
                bounded += term * max(factor, 0.0)
                free += term * factor
            # What of the second tick depends on the first, with signs for the score of the first group.
            risen = rise / (1 - first)
            slope = [half * risen, -half * risen]
    for r, own in enumerate((size / 2, -size / 2)):
        x = (1 - first) / survival[r] if survival[r] > 0 else 0.0
        d, e = sum(ended), groups[r][1]
        if d > 0:
            term = (own + (1 - x) * slope[r]) ** 2 * first / size * (1 - (d - 1) / (2 * size - 1))
            bounded, free = bounded + term, free + term
        if e > 0:
            term = (x * slope[r] / size) ** 2 * e * (1 - (e - 1) / (size - 1))
            bounded, free = bounded + term, free + term
    return score, bounded, free


for size in (6, 15):
    true = held = below = negative = 0.0
    for first, part in outcomes(size):
        for second, other in outcomes(size):
            score, bounded, free = score_and_variances(size, (first, second))
            weight = part * other
            true += weight * score**2
            held += weight * bounded
            below += weight * free
            negative += weight * (free < -1e-12)
    print(f"{size} a side: {true:.8f} {held:.8f} {below:.8f} {negative:.6f}")
