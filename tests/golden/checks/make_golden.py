"""Golden values of the time to activation and of the regression, from reference libraries.

    pip install lifelines==0.30.3 scikit-learn==1.9.1 numpy==2.4.6
    python make_golden.py > golden.json

Times lie in (least, most]; lifelines takes closed intervals, so the open left end is moved
by a thousandth of a night, which changes no order.
"""
import json
import sys

import lifelines
import numpy as np
import sklearn
from lifelines.fitters.npmle import npmle
from sklearn.linear_model import PoissonRegressor

rng = np.random.default_rng(20260501)


def turnbull(n, visits, hazard):
    spells = []
    for _ in range(n):
        true = rng.exponential(1 / hazard)
        days = np.cumsum(rng.integers(visits[0], visits[1], 6)).astype(float)
        after = days[days < true]
        by = days[days >= true]
        spells.append((float(after[-1]) if len(after) else 0.0, float(by[0]) if len(by) else None))
    spells = [s for s in spells if s[0] > 0 or s[1] is not None]
    left = np.array([s[0] + 1e-3 for s in spells])
    right = np.array([np.inf if s[1] is None else s[1] for s in spells])
    shares, intervals = npmle(left, right, tol=1e-12, max_iter=1_000_000, optimize=False)
    masses = [
        {"after": round(float(i.left), 2), "by": None if np.isinf(i.right) else float(i.right), "share": float(p)}
        for p, i in zip(shares, intervals)
    ]
    return {"spells": spells, "masses": masses}


def regression(n, beta, ridge):
    x = rng.uniform(0, 1, (n, len(beta)))
    nights = rng.integers(60, 400, n).astype(float)
    y = rng.poisson(nights * 0.01 * np.exp((x - 0.5) @ np.array(beta))).astype(float)
    z = (x - x.mean(0)) / x.std(0)
    model = PoissonRegressor(alpha=ridge * y.sum() / nights.sum(), tol=1e-12, max_iter=100_000, solver="newton-cholesky")
    model.fit(z, y / nights, sample_weight=nights)
    return {
        "parts": x.round(17).tolist(),
        "nights": nights.tolist(),
        "activations": y.tolist(),
        "ridge": ridge,
        "log_rate": float(model.intercept_),
        "effects": model.coef_.tolist(),
    }


json.dump(
    {
        "made_by": f"lifelines {lifelines.__version__}, scikit-learn {sklearn.__version__}, numpy {np.__version__}",
        "turnbull": [turnbull(12, (20, 35), 0.02), turnbull(40, (14, 30), 0.015), turnbull(60, (28, 29), 0.01)],
        "regression": [regression(30, [1.5, -0.5, 0.0], 0.1), regression(60, [1.0, 0.5], 1.0)],
    },
    sys.stdout,
    indent=1,
)
