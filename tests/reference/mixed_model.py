# /// script
# requires-python = ">=3.11"
# dependencies = ["numpy==2.4.6", "scipy==1.17.1", "pandas==3.1.1", "statsmodels==0.15.0"]
# ///
"""Makes the table that the two-level model is checked against.

    python -m venv /tmp/venv && /tmp/venv/bin/pip install numpy==2.4.6 scipy==1.17.1 \
        pandas==3.1.1 statsmodels==0.15.0
    /tmp/venv/bin/python tests/reference/mixed_model.py --out analysis/tests-data/mixed_model.json

24 random data sets of clusters in two sets, balanced and not, with and without covariates.
Variances and coefficients are those of statsmodels' MixedLM (REML). Its standard errors come from
a numerical Hessian that mixes in the variances; so standard errors, degrees of freedom and the
scale between clusters, which it lacks, are computed here with dense matrices straight from their
definitions: the gradient and the expected information numerically, the within-cluster regression
with one dummy column a cluster.
"""

import argparse
import json
import warnings

import numpy as np
import statsmodels
import statsmodels.api as sm


def digits(value):
    """Ten significant digits: beyond what the optimiser settles."""
    return float(f"{value:.10g}")


def design(y, columns, cluster):
    x = np.column_stack([np.ones(len(y)), *columns])
    z = (cluster[:, None] == np.unique(cluster)[None, :]).astype(float)
    return x, z


def covariance(x, z, between, within):
    v = within * np.eye(len(x)) + between * z @ z.T
    return np.linalg.inv(x.T @ np.linalg.solve(v, x))


def satterthwaite(x, z, between, within):
    """2 v² / (g' I^-1 g) for every coefficient (Giesbrecht & Burns 1985)."""
    v = within * np.eye(len(x)) + between * z @ z.T
    vi = np.linalg.inv(v)
    p = vi - vi @ x @ np.linalg.inv(x.T @ vi @ x) @ x.T @ vi
    parts = [z @ z.T, np.eye(len(x))]
    information = np.array([[np.trace(p @ a @ p @ b) / 2 for b in parts] for a in parts])
    steps = 1e-5 * within

    def at(db, de):
        return np.diag(covariance(x, z, between + db, within + de))

    # One-sided, since the variance between clusters may be zero: second order.
    v0 = at(0, 0)
    g_b = (-3 * v0 + 4 * at(steps, 0) - at(2 * steps, 0)) / (2 * steps)
    g_e = (at(0, steps) - at(0, -steps)) / (2 * steps)
    result = []
    for k in range(x.shape[1]):
        g = np.array([g_b[k], g_e[k]])
        result.append(2 * v0[k] ** 2 / (g @ np.linalg.solve(information, g)))
    return result


def between_scale(y, x, z, between, within):
    """(RSS - RSS within) / its degrees of freedom, in the scale of sigma_e²."""
    v = np.eye(len(x)) + between / within * z @ z.T
    vi = np.linalg.inv(v)
    beta = np.linalg.solve(x.T @ vi @ x, x.T @ vi @ y)
    rss = (y - x @ beta) @ vi @ (y - x @ beta)
    full = np.column_stack([x, z])
    fitted = full @ np.linalg.lstsq(full, y, rcond=None)[0]
    rank = np.linalg.matrix_rank(full)
    df = rank - x.shape[1]
    return (rss - np.sum((y - fitted) ** 2)) / df, df


def data_set(random, index):
    clusters = [4, 6, 7, 9][index % 4]
    sizes = np.full(clusters, 6) if index % 2 == 0 else random.integers(2, 13, clusters)
    cluster = np.repeat(np.arange(clusters), sizes)
    after = (cluster >= clusters // 2).astype(float)
    columns = [after]
    if index % 3 != 0:
        columns.append(random.normal(0, 1, len(cluster)))
    if index % 3 == 2:  # mostly between clusters, as a temperature is
        level = random.normal(0, 1, clusters)[cluster]
        columns.append(level + 0.2 * random.normal(0, 1, len(cluster)))
    spread = [0.0, 0.5, 1.5][index // 2 % 3]
    y = 100 - 3 * after + spread * random.normal(0, 1, clusters)[cluster]
    y = y + random.normal(0, 1, len(cluster))
    for k, column in enumerate(columns[1:]):
        y = y + (1 + k) * column
    return np.round(y, 4), [np.round(c, 4) for c in columns], cluster


def expected(y, columns, cluster):
    x, z = design(y, columns, cluster)
    ordinary = sm.OLS(y, x).fit()
    best = None
    # The two of its optimisers that need no gradient; the others fail where a variance nears zero.
    for method in ("powell", "nm"):
        fit = sm.MixedLM(y, x, cluster).fit(reml=True, method=method, maxiter=5000)
        if best is None or fit.llf > best.llf:
            best = fit
    if best.cov_re[0, 0] < 1e-4 * best.scale:
        # On the boundary the model is ordinary regression.
        between, within = 0.0, float(ordinary.scale)
        coefficients = ordinary.params
    else:
        between, within = float(best.cov_re[0, 0]), float(best.scale)
        coefficients = best.fe_params
    errors = np.sqrt(np.diag(covariance(x, z, between, within)))
    scale, df = between_scale(y, x, z, between, within)
    return {
        "intercept": digits(coefficients[0]),
        "coefficients": [digits(v) for v in coefficients[1:]],
        "standard_errors": [digits(v) for v in errors[1:]],
        "between_variance": digits(between),
        "within_variance": digits(within),
        "degrees_of_freedom": [digits(v) for v in satterthwaite(x, z, between, within)[1:]],
        "between_scale": digits(scale),
        "between_df": int(df),
    }


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", required=True)
    out = parser.parse_args().out
    warnings.simplefilter("ignore")
    random = np.random.default_rng(20240612)
    sets = []
    for index in range(24):
        y, columns, cluster = data_set(random, index)
        sets.append(
            {
                "y": y.tolist(),
                "columns": [c.tolist() for c in columns],
                "cluster": cluster.tolist(),
                "expected": expected(y, columns, cluster),
            }
        )
    made_with = f"numpy {np.__version__}, statsmodels {statsmodels.__version__}"
    table = {"made_with": made_with, "sets": sets}
    with open(out, "w", encoding="utf-8") as file:
        json.dump(table, file, separators=(",", ":"), allow_nan=False)
        file.write("\n")


if __name__ == "__main__":
    main()
