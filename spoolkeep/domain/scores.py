"""How good told quantiles were, once what they told of has come.

The track record and the benchmarks call it. It must not know items.
"""

import numpy as np
import numpy.typing as npt

Amounts = npt.NDArray[np.float64]


def quantile_loss(told: Amounts, came: Amounts, taus: Amounts) -> float:
    """Give the weighted quantile loss of `told`, (pairs, chances), for what came, (pairs,); 0 where nothing came.

    The mean over chances of twice the pinball losses, over the sum of what came. Source: Gneiting and Raftery, JASA 102
    (2007), 359-378; weighted as in Alexandrov et al., GluonTS, JMLR 21 (2020), 116.
    """
    over = came[:, None] - told
    pinball = np.maximum(taus * over, (taus - 1.0) * over)
    whole = float(np.abs(came).sum())
    return float(2.0 * pinball.sum(axis=0).mean() / whole) if whole else 0.0


def covered(low: Amounts, high: Amounts, came: Amounts) -> float:
    """Give the share of what came, (pairs,), that lay between `low` and `high`, both included; 0 of none."""
    return float(((came >= low - 1e-9) & (came <= high + 1e-9)).mean()) if len(came) else 0.0


def bias(told: Amounts, came: Amounts) -> float | None:
    """Give how much more was told than came, as a share of what came; None where nothing came."""
    whole = float(came.sum())
    return float((told - came).sum()) / whole if whole > 0 else None
