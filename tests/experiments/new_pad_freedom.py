"""How often the 90 % interval for a new pad of a new lot covers, by how much the lots' part counts.

    python tests/experiments/new_pad_freedom.py [STUDIES]

Lives are drawn as normal logarithms (no path, no reading error), so that only the interval is at question.
Chosen: 2 (`padlab.statistics.lifetimes.LOTS_COUNT`): 1 covers too little where lots differ, 3 too much where
they do not.
"""

import sys

import numpy as np
from scipy import special

DESIGNS = ((3, 2, 2), (4, 4, 4), (5, 1, 1), (2, 2), (3, 3, 3, 3, 3))
RATIOS = (0.0, 1.0, 2.0)
COUNTS = (1.0, 1.5, 2.0, 3.0)


def coverage(sizes, ratio, studies, seed=1):
    rng = np.random.default_rng(seed)
    m, total = len(sizes), sum(sizes)
    h = m / sum(1 / n for n in sizes)
    means, squares = [], np.zeros(studies)
    for n in sizes:
        y = rng.normal(0, ratio, (studies, 1)) + rng.normal(0, 1, (studies, n))
        means.append(y.mean(axis=1))
        squares += np.sum((y - means[-1][:, None]) ** 2, axis=1)
    means = np.array(means)
    lots = (1 + 1 / m) * means.var(axis=0, ddof=1)
    pads = (1 - 1 / h) * squares / (total - m)
    off = np.abs(rng.normal(0, np.hypot(1, ratio), studies) - means.mean(axis=0))
    found = []
    for count in COUNTS:
        freedom = (count * lots + pads) ** 2 / ((count * lots) ** 2 / (m - 1) + pads**2 / (total - m))
        found.append(np.mean(off < special.stdtrit(freedom, 0.95) * np.sqrt(lots + pads)))
    return found


if __name__ == "__main__":
    studies = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    print("pads a lot        lot:pad  " + "  ".join(f"x{c:3.1f}" for c in COUNTS))
    for sizes in DESIGNS:
        for ratio in RATIOS:
            row = "  ".join(f"{100 * c:4.1f}" for c in coverage(sizes, ratio, studies))
            print(f"{' '.join(map(str, sizes)):16}  {ratio:7.0f}  {row}")
