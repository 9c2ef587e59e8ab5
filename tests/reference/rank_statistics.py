# /// script
# requires-python = ">=3.11"
# dependencies = ["numpy==2.4.6", "scipy==1.17.1"]
# ///
"""Makes the table that the rank statistics are checked against.

    python -m venv /tmp/venv && /tmp/venv/bin/pip install numpy==2.4.6 scipy==1.17.1
    /tmp/venv/bin/python tests/reference/rank_statistics.py --out analysis/tests-data/rank_statistics.json

30 random data sets, sizes 3 to 60, unequal, most with ties. Where SciPy has the statistic it
is SciPy's. The same versions give the same bytes.
"""

import argparse
import json
import math

import numpy as np
import scipy
from scipy import integrate, stats


def digits(value):
    """Thirteen significant digits: enough to check 1e-10, and the same on most machines."""
    return float(f"{value:.13g}")


def shift_interval(before, after, confidence):
    """Order statistics of the written-out differences, as R's wilcox.test picks them."""
    differences = np.sort(np.subtract.outer(after, before).ravel())
    m, n = len(before), len(after)
    # Number of dealings with each U, by the recursion on the largest value.
    ways = np.zeros((m + 1, n + 1, m * n + 1))
    ways[0, :, 0] = 1
    ways[:, 0, 0] = 1
    for i in range(1, m + 1):
        for j in range(1, n + 1):
            ways[i, j, j:] += ways[i - 1, j, : m * n + 1 - j]
            ways[i, j] += ways[i, j - 1]
    cumulative = np.cumsum(ways[m, n]) / math.comb(m + n, n)
    quantile = max(int(np.argmax(cumulative >= (1 - confidence) / 2)), 1)
    return (
        differences[quantile - 1],
        differences[m * n - quantile],
        1 - 2 * cumulative[quantile - 1],
    )


def data_set(random, index):
    m, n = int(random.integers(3, 61)), int(random.integers(3, 61))
    if index % 3 == 0:  # small enough to list every dealing
        m, n = int(random.integers(3, 9)), int(random.integers(3, 8))
    shape = ["normal", "heavy", "skewed"][index % 3]
    draw = {
        "normal": lambda k: random.normal(0, 1, k),
        "heavy": lambda k: random.standard_t(2, k),
        "skewed": lambda k: random.exponential(1, k),
    }[shape]
    before = 10 + draw(m)
    after = 10 + random.choice([0.0, -0.5, 1.0]) + draw(n)
    decimals = [0, 1, 6][index % 7 % 3]  # ties by rounding
    return np.round(before, decimals), np.round(after, decimals)


def expected(random, before, after):
    tied = len(np.unique(np.concatenate([before, after]))) < len(before) + len(after)
    mann_whitney = lambda **kw: stats.mannwhitneyu(after, before, alternative="two-sided", **kw)
    pairs = min(len(before), len(after))
    differences = after[:pairs] - before[:pairs]
    low, high, confidence = shift_interval(before, after, 0.95)
    x = np.round(random.normal(0, 3, pairs), 1)
    theil = stats.theilslopes(differences, x, 0.95)
    table = {
        "u": mann_whitney(method="asymptotic").statistic,
        "p_normal": mann_whitney(method="asymptotic", use_continuity=False).pvalue,
        "p_exact_untied": None if tied else mann_whitney(method="exact").pvalue,
        "shift": np.median(np.subtract.outer(after, before)),
        "shift_low": low,
        "shift_high": high,
        "shift_confidence": confidence,
        "median": np.median(before),
        "quartile": np.quantile(before, 0.25),
        "mad": stats.median_abs_deviation(before),
        "slope": theil.slope,
        "slope_low": theil.low_slope,
        "slope_high": theil.high_slope,
    }
    numbers = {k: None if v is None or math.isnan(v) else digits(v) for k, v in table.items()}
    return {
        "before": before.tolist(),
        "after": after.tolist(),
        "x": x.tolist(),
        "expected": numbers,
    }


def student_t():
    rows = []
    for df in (1.0, 2.0, 2.7, 4.0, 9.5, 33.0, 250.0):
        for t in (0.3, 2.0, 5.5, 12.0):
            rows.append({"df": df, "t": t, "p": digits(2 * stats.t.sf(t, df))})
    quantiles = [
        {"df": df, "alpha": alpha, "t": digits(stats.t.isf(alpha / 2, df))}
        for df in (1.0, 2.0, 3.3, 4.0, 8.0, 60.0)
        for alpha in (0.1, 0.05, 0.0041, 1e-5)
    ]
    powers = []
    for df in (1.0, 2.0, 4.0, 7.5, 30.0):
        for alpha in (0.05, 0.01):
            critical = stats.t.isf(alpha / 2, df)
            for effect in (0.5, 2.0, 4.0, 8.0):
                # The noncentral t distribution, integrated: SciPy's own fails far out.
                value = integrate.quad(
                    lambda s: (
                        stats.norm.sf(critical * s - effect) + stats.norm.sf(critical * s + effect)
                    )
                    * stats.chi.pdf(s * math.sqrt(df), df)
                    * math.sqrt(df),
                    0,
                    np.inf,
                    epsabs=1e-12,
                )[0]
                powers.append(
                    {"df": df, "alpha": alpha, "effect": effect, "power": digits(value)}
                )
    return {"p": rows, "quantiles": quantiles, "powers": powers}


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", required=True)
    out = parser.parse_args().out
    random = np.random.default_rng(20240611)
    sets = []
    while len(sets) < 30:
        before, after = data_set(random, len(sets))
        pairs = min(len(before), len(after))
        if np.any(after[:pairs] != before[:pairs]):
            sets.append(expected(random, before, after))
    table = {
        "made_with": f"numpy {np.__version__}, scipy {scipy.__version__}",
        "sets": sets,
        "student_t": student_t(),
    }
    with open(out, "w", encoding="utf-8") as file:
        json.dump(table, file, separators=(",", ":"), allow_nan=False)
        file.write("\n")


if __name__ == "__main__":
    main()
