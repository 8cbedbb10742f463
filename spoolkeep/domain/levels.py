"""How much of each item is drawn on an average day: discounted means of several memories, weighed by how each did.

The forecast reads it. Demand over exposure is a gamma-Poisson level that forgets by half each half-life; which memory
to trust is learned from past forecasts, of all items together and of each. It must not know a clock.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Amounts = npt.NDArray[np.float64]

HALF_LIVES = (7.0, 14.0, 28.0, 56.0, 112.0, 224.0, 1e9)
"""Days; the last never forgets. Source: our own choice, each twice the one before."""
OWN_PAST_DAYS = 2.0
"""Days of exposure that all of an item's past is worth beside what a short memory holds. Source: our own choice."""
_LEAST_BLOCKS, _MOST_BLOCKS = 16, 220
_LEAST_ORIGINS = 3
_SHORT, _LONG = 2, 4
_MOST_GROWTH = 0.7
"""A doubling, or a halving."""
_MOST_A_DAY = 0.01
_POOL_HALF_LIFE = 365.0
_OWN_HALF_LIFE = 60.0
_OWN_SHARE = 1.0
_ROUNDS = 10
_TREND_DOUBT = 2.0
"""Log likelihood by which the trend must do better first. Source: our own choice, one more thing to learn."""
_CORRELATED = 0.25
"""Items err together: n of them count as n ** 0.75. Source: our own choice."""
_DISPERSION_DRAWS = 60.0
_RATIO_ORIGINS = 60.0
_LARGE_SHAPE = 4.0
_LEAST_ERRORS = 100
_MOST_HEAVY = 4.0


@dataclass(frozen=True)
class Blocks:
    """Demand and exposure summed over blocks of whole weeks that end with the history."""

    ends: npt.NDArray[np.int64]
    """(blocks,): days of history up to each block's end."""
    days: int
    """Days a block."""
    grams: Amounts
    """(items, days + 1): what was drawn before each day, summed."""

    @property
    def starts(self) -> npt.NDArray[np.int64]:
        """Give the first day of each block; the first block takes the odd days before it too."""
        return np.concatenate([[0], self.ends[:-1]])


def blocks(grams: Amounts, season: int) -> Blocks:
    """Cut a history, (items, days), into blocks."""
    days = grams.shape[1]
    size = season if days >= _LEAST_BLOCKS * season else 1
    while days // size > _MOST_BLOCKS:
        size *= 2
    count = days // size
    ends = days - size * np.arange(count - 1, -1, -1)
    return Blocks(ends, size, summed(grams))


def summed(daily: Amounts) -> Amounts:
    """Give running sums, (items, days + 1), the first 0."""
    return np.concatenate([np.zeros((len(daily), 1)), np.cumsum(daily, axis=1)], axis=1)


@dataclass(frozen=True)
class Prior:
    """What is expected of an item before it is seen: the level of its kin, and how much exposure that is worth."""

    level: Amounts
    """(items,), grams a day."""
    weight: Amounts
    """(items,), days."""


@dataclass(frozen=True)
class Levels:
    """Levels by block end, item and memory, and the exposure that each rests on."""

    level: Amounts
    """(blocks, items, memories), grams a day of exposure 1."""
    rests_on: Amounts
    """(items, memories), days, at the end of the history; the prior's included."""


def discounted(cut: Blocks, exposure: Amounts, prior: Prior) -> Levels:
    """Give the levels that each memory would have told at the end of each block.

    A memory leans on all of the item's past, and that on its kin.

    `exposure` is running sums, (items, days + 1). Source: West and Harrison, Bayesian Forecasting and Dynamic Models,
    discounting of a gamma-Poisson level (from memory).
    """
    keep = 0.5 ** (cut.days / np.array(HALF_LIVES))
    grams = cut.grams[:, cut.ends] - cut.grams[:, cut.starts]
    seen = exposure[:, cut.ends] - exposure[:, cut.starts]
    told = np.empty((len(cut.ends), len(grams), len(keep)))
    of = np.empty_like(told)
    g, e = np.zeros(told.shape[1:]), np.zeros(told.shape[1:])
    for b in range(len(cut.ends)):
        g = g * keep + grams[:, b, None]
        e = e * keep + seen[:, b, None]
        told[b], of[b] = g, e
    known = (np.cumsum(grams, axis=1) + (prior.level * prior.weight)[:, None]) / (
        np.cumsum(seen, axis=1) + prior.weight[:, None]
    )
    return Levels((told + known.T[:, :, None] * OWN_PAST_DAYS) / (of + OWN_PAST_DAYS), e + OWN_PAST_DAYS)


@dataclass(frozen=True)
class Growth:
    """How fast all items together rise or fall, and how old what each memory holds is on average."""

    a_day: Amounts
    """(blocks,), logarithm a day."""
    age: Amounts
    """(blocks, memories), days."""

    def factors(self, block: npt.NDArray[np.int64] | int, horizon: int) -> Amounts:
        """Give what each memory is to be multiplied by, (blocks, memories), to speak of the middle of a horizon."""
        a_day = self.a_day[block, None]
        until_now = np.log(np.maximum(1.0 + a_day * self.age[block], 1e-3))
        return np.asarray(np.exp(np.clip(until_now + a_day * horizon / 2, -_MOST_GROWTH, _MOST_GROWTH)))


def growth(told: Levels, draw: Amounts, block_days: int) -> Growth:
    """Give the trend of all items together: a short memory against a long one, over the days between their ages.

    Under a steady growth g a memory of mean age A holds 1 / (1 + g A) of today's level. Source: Brown, Smoothing,
    Forecasting and Prediction: two smoothings that lag differently (from memory); the formula follows from an
    exponential age.
    """
    count = len(told.level)
    keep = 0.5 ** (block_days / np.array(HALF_LIVES))
    age = np.zeros((count, len(keep)))
    old, weight = np.zeros(len(keep)), np.zeros(len(keep))
    for b in range(count):
        old, weight = (old + weight) * keep, weight * keep + 1.0
        age[b] = (old / weight + 0.5) * block_days
    shop = np.maximum((told.level / draw[:, None]).sum(axis=1), 1e-9)
    rise = shop[:, _SHORT] / shop[:, _LONG]
    between = np.maximum(age[:, _LONG] - rise * age[:, _SHORT], 10.0)
    return Growth(np.clip((rise - 1.0) / between, -_MOST_A_DAY, _MOST_A_DAY), age)


@dataclass(frozen=True)
class Trial:
    """Past forecasts over one horizon, against what came."""

    origins: npt.NDArray[np.int64]
    """(origins,): the block at whose end each was made."""
    days: int
    came: Amounts
    """(items, origins), grams."""
    overlap: float
    """Blocks a horizon: so many neighbouring errors tell of the same days."""

    @property
    def effective(self) -> float:
        """Give the number of origins whose days do not overlap."""
        return len(self.origins) / self.overlap


def trial(cut: Blocks, horizon: int) -> Trial | None:
    """Choose past origins for a horizon, or for as much of it as the history can hold; None where it holds none."""
    days = int(cut.ends[-1]) if len(cut.ends) else 0
    for over, least in ((min(horizon, max(cut.days, days // 3)), 8), (cut.days, 4)):
        origins = np.flatnonzero((cut.ends >= min(least * cut.days, days // 2)) & (cut.ends + over <= days))
        if len(origins) >= _LEAST_ORIGINS:
            at = cut.ends[origins]
            return Trial(origins, over, cut.grams[:, at + over] - cut.grams[:, at], max(over / cut.days, 1.0))
    return None


def weights(
    tried: Trial, told: Amounts, dispersion: Amounts, *, block_days: int, trending: npt.NDArray[np.bool_]
) -> Amounts:
    """Give the trust in each candidate by item, (items, candidates), summing to 1.

    `told` is (candidates, items, origins), what each would have said. Each is judged by its Poisson deviance in units
    of the best one's squared error. How common each memory is among items is learned from all of them; an item then has
    the memory that its own late past makes likely beside that. Whether to go with the trend, `trending` (candidates,),
    is one question for the whole shop. Source: McCullagh and Nelder, Generalized Linear Models (quasi-likelihood), and
    Dempster, Laird and Rubin, J. R. Statist. Soc. B 39 (1977) 1-38 (mixtures), from memory.
    """
    _, items, origins = told.shape
    fit = [((tried.came - mean) ** 2).sum() / max((dispersion[:, None] * mean).sum(), 1e-12) for mean in told]
    best = told[int(np.argmin(fit))]
    scale = dispersion * spread_ratio(tried, best, dispersion[:, None] * best) * tried.overlap
    likely = np.stack([(tried.came * np.log(np.maximum(mean, 1e-9)) - mean) for mean in told]) / scale[:, None]
    age = (origins - 1 - np.arange(origins)) * block_days
    own, usual = (_OWN_SHARE * (likely @ 0.5 ** (age / life)).T for life in (_OWN_HALF_LIFE, _POOL_HALF_LIFE))
    prior = np.empty(len(told))
    evidence = []
    for group in (~trending, trending):
        prior[group], known = _common(usual[:, group])
        evidence.append(known)
    gain = (evidence[1] - evidence[0]).sum() / items**_CORRELATED - _TREND_DOUBT
    prior -= np.logaddexp(0.0, np.where(trending, -gain, gain))
    score = own + prior
    chance = np.exp(score - score.max(axis=1, keepdims=True))
    return np.asarray(chance / chance.sum(axis=1, keepdims=True))


def _common(likely: Amounts) -> tuple[Amounts, Amounts]:
    """Give how common each candidate is among items, as logarithms, and each item's log evidence; by a few EM rounds.

    `likely` is (items, candidates).
    """
    items, candidates = likely.shape
    most = likely.max(axis=1, keepdims=True)
    chance = np.exp(likely - most)
    share = np.full(candidates, 1.0 / candidates)
    for _ in range(_ROUNDS):
        joint = chance * share
        share = ((joint / joint.sum(axis=1, keepdims=True)).sum(axis=0) + 1.0 / candidates) / (items + 1.0)
    return np.log(share), np.log((chance * share).sum(axis=1)) + most[:, 0]


def dispersion(grams: Amounts, expected: Amounts, draw: Amounts) -> Amounts:
    """Give each item's squared daily error over its mean, in grams, (items,), shrunk to what all items show.

    `grams` and `expected` are (items, days); `draw` is the mean draw, which scales the pool.
    """
    own = ((grams - expected) ** 2).sum(axis=1) / np.maximum(expected.sum(axis=1), 1e-9)
    count = (grams > 0).sum(axis=1)
    pool = (own / draw * count).sum() / max(1, count.sum()) or 1.0
    return np.asarray((own * count + draw * pool * _DISPERSION_DRAWS) / (count + _DISPERSION_DRAWS))


def spread_ratio(tried: Trial, mean: Amounts, variance: Amounts) -> Amounts:
    """Give how much larger past squared errors were than `variance`, (items,), each shrunk to all items'.

    `mean` and `variance` are (items, origins).
    """
    error = (tried.came - mean) ** 2
    pool = error.sum() / max(variance.sum(), 1e-9) or 1.0
    own = error.sum(axis=1) / np.maximum(variance.sum(axis=1), 1e-9)
    known = np.where(variance.sum(axis=1) > 0, tried.effective, 0.0)
    return np.asarray((own * known + pool * _RATIO_ORIGINS) / (known + _RATIO_ORIGINS))


def heaviness(tried: Trial, mean: Amounts, variance: Amounts) -> float:
    """Give by how much past errors of all items were heavier in the tails than a gamma's, as excess kurtosis, 0 to 4.

    `mean` and `variance` are (items, origins); only sums that are nearly normal by their size are counted.
    """
    large = mean**2 > _LARGE_SHAPE * variance
    if large.sum() < _LEAST_ERRORS:
        return 0.0
    error = (tried.came[large] - mean[large]) / np.sqrt(variance[large])
    square = (error**2).mean()
    excess = (error**4).mean() / square**2 - 3.0 - 6.0 * (variance[large] / mean[large] ** 2).mean()
    return float(np.clip(excess, 0.0, _MOST_HEAVY))
