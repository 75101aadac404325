"""Statistics by scipy and numpy: intervals, probabilities, bootstrap, least squares.

Reads a question as JSON from stdin and writes the answer as JSON to stdout.
"""
import json
import sys

import numpy as np
from scipy import stats


def intervals(x, y):
    x, y = np.array(x), np.array(y)
    one = stats.ttest_1samp(x, 0.0).confidence_interval(0.95)
    pooled = stats.ttest_ind(x, y).confidence_interval(0.99)
    welch = stats.ttest_ind(x, y, equal_var=False)
    ci = welch.confidence_interval(0.95)
    return {
        "one_low": one.low, "one_high": one.high, "pooled_low": pooled.low, "pooled_high": pooled.high,
        "welch_low": ci.low, "welch_high": ci.high, "welch_df": welch.df, "welch_p": welch.pvalue,
    }


def jackknife(samples, statistic):
    """Acceleration for several samples (Efron and Tibshirani, An Introduction to the Bootstrap, 14.3 and 14.10)."""
    cubes = squares = 0.0
    for k, sample in enumerate(samples):
        left_out = []
        for i in range(len(sample)):
            parts = list(samples)
            parts[k] = np.delete(sample, i)
            left_out.append(statistic(*parts))
        u = (len(sample) - 1) * (np.mean(left_out) - np.array(left_out))
        cubes += np.sum(u**3) / len(sample) ** 3
        squares += np.sum(u**2) / len(sample) ** 2
    return cubes / (6 * squares**1.5)


def bootstrap(samples, statistic):
    samples = [np.array(s) for s in samples]
    result = stats.bootstrap(
        samples, statistic, method="BCa", n_resamples=20_000, confidence_level=0.95, vectorized=True,
        rng=np.random.default_rng(5),
    )
    drawn, estimate = result.bootstrap_distribution, statistic(*samples)
    share = (np.mean(drawn < estimate) + np.mean(drawn <= estimate)) / 2
    ci = result.confidence_interval
    return {
        "low": ci.low, "high": ci.high, "bias": stats.norm.ppf(share), "acceleration": jackknife(samples, statistic),
    }


def bootstraps(x, y):
    return {
        "one": bootstrap([x], lambda a, axis=-1: np.mean(a, axis)),
        "two": bootstrap([x, y], lambda a, b, axis=-1: np.mean(a, axis) - np.mean(b, axis)),
    }


def least_squares(columns, y):
    matrix = np.column_stack(columns)
    b, *_ = np.linalg.lstsq(matrix, y, rcond=None)
    residual = y - matrix @ b
    df = len(y) - matrix.shape[1]
    variance = residual @ residual / df
    se = np.sqrt(variance * np.linalg.inv(matrix.T @ matrix)[0, 0])
    t = stats.t.ppf(0.975, df)
    return b, residual @ residual, {
        "effect": b[0], "standard_error": se, "degrees_of_freedom": df, "low": b[0] - t * se, "high": b[0] + t * se,
    }


def models(runs):
    y = np.array([r[0] for r in runs])
    baseline = np.array([float(r[1]) for r in runs])
    block = np.array([r[2] for r in runs])
    x = np.array([r[3] for r in runs])
    dummies = [(block == k).astype(float) for k in sorted(set(block))]
    _, one_effect, blocked = least_squares([baseline, *dummies], y)
    cells = [d * s for d in dummies for s in (baseline, 1 - baseline)]
    _, own_effects, _ = least_squares(cells, y)
    between, within = len(dummies) - 1, len(y) - len(cells)
    # The spread of repeated runs of a block and condition is that of the model with an effect of each block's own; with the
    # additive model's inverse it gives the error of the one effect.
    matrix = np.column_stack([baseline, *dummies])
    se = np.sqrt(own_effects / within * np.linalg.inv(matrix.T @ matrix)[0, 0])
    t = stats.t.ppf(0.975, within)
    blocked |= {
        "standard_error": se, "degrees_of_freedom": within,
        "low": blocked["effect"] - t * se, "high": blocked["effect"] + t * se,
    }
    blocked["f"] = (one_effect - own_effects) / between / (own_effects / within)
    blocked["p"] = stats.f.sf(blocked["f"], between, within)
    b, _, both = least_squares([baseline, *dummies, x], y)
    both["slope"] = b[-1]
    b, _, covariate = least_squares([baseline, np.ones_like(y), x], y)
    covariate["slope"] = b[-1]
    return {"blocked": blocked, "blocked_covariate": both, "covariate": covariate}


question = json.load(sys.stdin)
answer = {}
if "intervals" in question:
    answer["intervals"] = [intervals(*case) for case in question["intervals"]]
    answer["quantiles"] = [stats.t.ppf(*case) for case in question["quantiles"]]
    answer["fs"] = [stats.f.sf(*case) for case in question["fs"]]
if "bootstraps" in question:
    answer["bootstraps"] = [bootstraps(*case) for case in question["bootstraps"]]
if "models" in question:
    answer["models"] = models(question["models"])
json.dump(answer, sys.stdout, default=float)
