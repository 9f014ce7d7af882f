"""Before-after, control-impact: the ratio of rate ratios with its bias-corrected and
accelerated bootstrap interval over outings, by scipy. Writes control_impact.json."""
import json
import platform

import numpy as np
import scipy
from scipy.stats import bootstrap

rng = np.random.default_rng(20)


def outings(count, treated, untreated):
    """Sign and km on treated, then on untreated ground; sign comes in clumps."""
    km = rng.uniform(2, 9, (count, 2)).round(1)
    clump = rng.gamma(2.0, 0.5, (count, 1))
    sign = rng.poisson(km * clump * [treated, untreated])
    return np.column_stack([sign[:, 0], km[:, 0], sign[:, 1], km[:, 1]]).astype(float)


before, after = outings(14, 1.2, 1.0), outings(11, 0.5, 0.9)


def log_ratio(b, a):
    def of(rows):
        s = rows.sum(axis=0)
        return np.log(s[0] / s[1]) - np.log(s[2] / s[3])
    return of(after[a]) - of(before[b])


found = bootstrap((np.arange(len(before)), np.arange(len(after))), log_ratio, vectorized=False,
                  n_resamples=99_999, method="BCa", rng=np.random.default_rng(1))
json.dump({
    "versions": {"python": platform.python_version(), "numpy": np.__version__, "scipy": scipy.__version__},
    "before": before.tolist(), "after": after.tolist(),
    "log_ratio": float(log_ratio(np.arange(len(before)), np.arange(len(after)))),
    "interval_95": np.exp([found.confidence_interval.low, found.confidence_interval.high]).tolist(),
}, open("control_impact.json", "w"), indent=1)
