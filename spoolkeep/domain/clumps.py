"""The shape of a sum of draws: clumps while they are few, a gamma once they are many.

The forecast reads it. It must not know history beyond the draws it is given.
"""

import numpy as np
import numpy.typing as npt

Amounts = npt.NDArray[np.float64]

GRID = 256
_FEW_DRAWS = 12.0
"""Above so many draws in the horizon a gamma is as good, and cheaper."""
_ATOM = 0.2
"""An outcome of this chance and more stands as it is; a lesser one is spread over its step."""
_LATTICE, _WHOLE = 0.95, 0.01
_BINOMIAL, _POISSON = 0.45, 1e-4
_DAILY = 0.4
"""Above this chance of a draw a day, a day's total is taken as several jobs of the least size."""


def gamma_quantiles(mean: Amounts, variance: Amounts, z: Amounts) -> Amounts:
    """Give gamma quantiles, (items, quantiles), at the normal deviates `z`.

    Source: Wilson and Hilferty, PNAS 17 (1931), 684-688.
    """
    m = np.maximum(mean, 1e-12)
    c = np.minimum(variance / (9.0 * m * m), 1e6)[:, None]
    return np.asarray(m[:, None] * np.maximum(1.0 - c + z[None, :] * np.sqrt(c), 0.0) ** 3)


def heavier(z: Amounts, excess: float) -> Amounts:
    """Give normal deviates with heavier tails and a narrower middle, of the same variance, for an excess kurtosis.

    Source: Cornish and Fisher, Revue de l'Institut International de Statistique 5 (1938), the term of kurtosis (from
    memory).
    """
    return np.asarray(z + excess / 24.0 * (z**3 - 3.0 * z))


def clumped_quantiles(
    sizes: tuple[npt.NDArray[np.int64], Amounts], mean: Amounts, variance: Amounts, *, taus: Amounts, horizon: int
) -> tuple[Amounts, npt.NDArray[np.bool_]]:
    """Give quantiles of a sum of random many draws, (items, quantiles), and for which items they hold, (items,).

    `sizes` are past draws: the item of each and its grams, at least one an item. The number of draws is negative
    binomial, or binomial where it varies less than by chance, so that mean and variance are those wanted; its
    generating function is taken at the transform of the sizes and transformed back on a grid of 256 steps.
    Source: compound sums by the discrete Fourier transform, Klugman, Panjer and Willmot, Loss Models (from memory).
    """
    item, grams = sizes
    items = len(mean)
    step, lattice = _steps(item, grams, mean, variance)
    share = _on_grid(item, grams / step[item], lattice, items)
    along = np.arange(GRID)
    wanted, spread = mean / step, variance / step**2
    often = wanted / (share * along).sum(axis=1) / horizon > _DAILY
    share = _atoms(share, spread / wanted, lattice & often)
    first, second = (share * along).sum(axis=1), (share * along**2).sum(axis=1)
    draws = wanted / first
    extra = (spread - draws * second) / wanted**2
    holds = extra * draws > -_BINOMIAL
    extra = np.clip(extra, -np.minimum(_BINOMIAL / np.maximum(draws, 1e-9), 1.0), 20.0)
    extra = np.where(np.abs(extra) < _POISSON, _POISSON, extra)
    return step[:, None] * _inverted(_summed(share, draws, extra), taus), holds


def few(mean: Amounts, draw: Amounts) -> npt.NDArray[np.bool_]:
    """Tell which items have so few draws in the horizon that their clumps show, (items,)."""
    return (mean > 0) & (mean < _FEW_DRAWS * draw)


def _steps(
    item: npt.NDArray[np.int64], grams: Amounts, mean: Amounts, variance: Amounts
) -> tuple[Amounts, npt.NDArray[np.bool_]]:
    """Give each item's step in grams: its least draw where all others are multiples of it, else a part of the range."""
    items = len(mean)
    least, most = np.full(items, np.inf), np.zeros(items)
    np.minimum.at(least, item, grams)
    np.maximum.at(most, item, grams)
    count = np.bincount(item, minlength=items)
    multiple = grams / least[item]
    whole = np.bincount(item, np.abs(multiple - np.rint(multiple)) < _WHOLE, items) / count
    reach = np.maximum(mean + 10 * np.sqrt(variance) + 4 * np.bincount(item, grams, items) / count, 1.3 * most)
    lattice = (whole > _LATTICE) & (reach < least * GRID)
    return np.where(lattice, least, reach / GRID), lattice


def _on_grid(item: npt.NDArray[np.int64], steps: Amounts, lattice: npt.NDArray[np.bool_], items: int) -> Amounts:
    """Give the share of draws by size, (items, GRID); a size between two steps is shared so that the mean stays."""
    at = np.minimum(np.where(lattice[item], np.maximum(np.rint(steps), 1.0), steps), GRID - 2.0)
    low = at.astype(np.int64)
    share = np.bincount(item * GRID + low, 1.0 - (at - low), items * GRID)
    share += np.bincount(item * GRID + low + 1, at - low, items * GRID)
    whole = share.reshape(items, GRID)
    return np.asarray(whole / whole.sum(axis=1, keepdims=True))


def _atoms(share: Amounts, want: Amounts, may: npt.NDArray[np.bool_]) -> Amounts:
    """Break part of the sizes into single steps, so that the spread over the mean can be as small as is wanted."""
    along = np.arange(GRID)
    first, second = (share * along).sum(axis=1), (share * along**2).sum(axis=1)
    have = second / first
    broken = np.clip((have - want) / np.maximum(have - 1.0, 1e-9), 0.0, 1.0) * may
    mixed = (1.0 - broken)[:, None] * share / first[:, None]
    mixed[:, 1] += broken
    return np.asarray(mixed / mixed.sum(axis=1, keepdims=True))


def _summed(share: Amounts, draws: Amounts, extra: Amounts) -> Amounts:
    """Give the chance of each sum on the grid, (items, GRID)."""
    turned = np.fft.rfft(share, axis=1)
    summed = np.exp(-np.log1p((extra * draws)[:, None] * (1.0 - turned)) / extra[:, None])
    chance = np.clip(np.fft.irfft(summed, GRID, axis=1), 0.0, None)
    return np.asarray(chance / chance.sum(axis=1, keepdims=True))


def _inverted(chance: Amounts, taus: Amounts) -> Amounts:
    """Give quantiles in steps: the first sum that reaches each, lesser outcomes spread over their step."""
    below = np.cumsum(chance, axis=1)
    row = np.arange(len(chance))[:, None]
    at = np.stack([(below < t - 1e-9).sum(axis=1) for t in taus], axis=1)
    at = np.minimum(at, GRID - 1)
    here = chance[row, at]
    within = np.clip((taus[None, :] - (below[row, at] - here)) / np.maximum(here, 1e-12), 0.0, 1.0)
    return np.asarray(np.maximum(at + np.clip(1.0 - here / _ATOM, 0.0, 1.0) * (within - 0.5), 0.0))
