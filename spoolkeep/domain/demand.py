"""The distribution of what will be drawn of each item over the coming days.

Run-out, the track record and the reorder rule call it; `forecast` is the public door. Arrays in, arrays out, the same
answer each time. It must not know items, rows or a clock: what the calendar, the shelf and the owner tell are arrays.

One mechanism serves an item drawn ten times a day and one drawn once a month. Each day has an exposure (open, on the
shelf, its weekday, its season of the year); demand over exposure is a gamma-Poisson level, told by memories of several
lengths (levels), which are weighed by how well each forecast the past, of all items together and of each by itself.
The spread is what past errors of sums over such a horizon were. The shape is that of clumps while draws are few, and a
gamma once they are many (clumps).
"""

from dataclasses import dataclass
from functools import cached_property
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from spoolkeep.domain.clumps import clumped_quantiles, few, gamma_quantiles, heavier
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.exposure import Amounts, History, grams_a_draw, read_history, weekdays, yearly
from spoolkeep.domain.levels import (
    HALF_LIVES,
    Blocks,
    Growth,
    Levels,
    Prior,
    Trial,
    blocks,
    discounted,
    dispersion,
    growth,
    heaviness,
    spread_ratio,
    summed,
    trial,
    weights,
)

_UNTRIED_RATIO = 1.5
"""Spread beyond the daily one where no past forecast can tell. Source: our own choice, to be wide."""
_LEAST_RATIO = 0.2
_USUAL, _MOST = 100.0, 1e12
_GUESS_SD, _LEAST_SURE = 0.3, 1.0
"""How far an owner's “about” is off, as a share. Source: our own choice."""
_TRENDING = [2, 3, 4, 5]
"""The memories that are also tried with the shop's trend: the shortest needs none, the endless one is none."""
_KIN_SPREAD = (0.2, 10.0)
_KIN_DAYS = 14.0
_WEEK = 7


def forecast(
    history: npt.ArrayLike,
    horizon: int,
    *,
    taus: npt.ArrayLike,
    season: int,
    open_days: npt.ArrayLike | None = None,
    observed: npt.ArrayLike | None = None,
    known: npt.ArrayLike | None = None,
    kin: npt.ArrayLike | None = None,
) -> Amounts:
    """Give quantiles of the sum drawn over the next `horizon` days, (items, quantiles), in the unit of the history.

    `history` is (items, days), oldest first, its last column the last complete day; a negative day corrects the days
    before it, NaN says nothing. `taus` are the chances wanted, each between 0 and 1; `season` is the days of a week, 7,
    or 1 for none. `open_days` is (days,) or (days + horizon,), 0 where the shop is closed; `observed` is (items, days),
    0 where the item was not on the shelf. `known` is what is sure to be asked, (items,) or (items, horizon): it
    consumes the forecast of its week and adds where it is more. `kin` is (items,) or (items, ranks) of group numbers,
    nearest kin first, -1 for none: an item without a past of its own begins with the level of its kin, else of the
    shop.
    Never NaN, never below 0, never falling along `taus` in order. An item of a shop in which nothing was ever drawn has
    0. Errors: BadInput on a wrong shape or figure.
    """
    grams = np.asarray(history, dtype=np.float64)
    wanted = np.atleast_1d(np.asarray(taus, dtype=np.float64))
    _check(grams, horizon, wanted, season)
    told = _known(known, len(grams), horizon)
    if not len(grams):
        return np.zeros((0, len(wanted)))
    outlook = Outlook.of(grams, horizon, season=season, open_days=open_days, observed=observed, kin=kin)
    return _consumed(outlook.quantiles(horizon, wanted), told, outlook.shares(horizon))


@dataclass(frozen=True)
class Reading:
    """One reading of the past, with or without the season of the year: exposures, and the levels that follow."""

    past: Amounts
    """Exposure of past days, running sums, (items, days + 1)."""
    to_come: Amounts
    """The same of the days ahead, (items, horizon + 1)."""
    levels: Levels
    growth: Growth

    def said(self, tried: Trial, ends: npt.NDArray[np.int64]) -> list[Amounts]:
        """Give what each memory would have said at past origins, then those with the trend; (items, origins)."""
        at = ends[tried.origins]
        spans = self.past[:, at + tried.days] - self.past[:, at]
        plain = [self.levels.level[tried.origins, :, k].T * spans for k in range(len(HALF_LIVES))]
        factors = self.growth.factors(tried.origins, tried.days)
        return plain + [plain[k] * factors[:, k] for k in _TRENDING]

    def says(self, horizon: int) -> Amounts:
        """Give what each says now of the days ahead, (items, candidates)."""
        plain = self.levels.level[-1] * self.to_come[:, horizon, None]
        return np.concatenate([plain, (plain * self.growth.factors(-1, horizon))[:, _TRENDING]], axis=1)

    @property
    def rests_on(self) -> Amounts:
        """Give the days of exposure that each candidate rests on, (items, candidates)."""
        return np.concatenate([self.levels.rests_on, self.levels.rests_on[:, _TRENDING]], axis=1)


@dataclass(frozen=True)
class Foreseen:
    """What the owner knows: by item and day how much more or less than usual, and what comes on top."""

    factor: Amounts
    """(items, days + horizon), 1 where nothing is foreseen."""
    added: Amounts
    """(items, horizon), in the unit of the history, 0 where nothing is foreseen."""


@dataclass(frozen=True)
class Outlook:
    """What the past says of the days to come, for all items at once; `quantiles` may be asked for several horizons."""

    history: History
    unit: float
    """What the history was divided by."""
    draw: Amounts
    """(items,): a usual day with a draw."""
    profile: Amounts
    """(items, season)."""
    cut: Blocks
    readings: tuple[Reading, ...]
    added: Amounts
    """(items, horizon + 1): what the owner foresees on top, running sums."""

    @classmethod
    def of(
        cls,
        grams: Amounts,
        horizon: int,
        *,
        season: int,
        open_days: npt.ArrayLike | None = None,
        observed: npt.ArrayLike | None = None,
        kin: npt.ArrayLike | None = None,
        foreseen: Foreseen | None = None,
    ) -> "Outlook":
        """Read a history for horizons up to `horizon`; arguments as `forecast` takes them.

        What is `foreseen` of past days explains them, so that the level is not taken to have risen.
        """
        opening, shelf = _days(open_days, grams.shape[1]), _seen(observed, grams.shape)
        if not grams.shape[1]:  # no day at all tells as much as one of which nothing is known
            return cls.of(np.full((len(grams), 1), np.nan), horizon, season=season, kin=kin)
        items, days = grams.shape
        unit = _unit(grams)
        history = read_history(grams / unit, horizon, season=season, open_days=opening, observed=shelf)
        draw = grams_a_draw(history.grams)
        profile = weekdays(history, draw)
        ahead = np.arange(horizon) % season
        factor = foreseen.factor if foreseen else np.ones((items, days + horizon))
        seen = history.seen * profile[:, history.phase] * factor[:, :days]
        coming = history.opening * (1.0 - history.closing[ahead]) * profile[:, ahead] * factor[:, days:]
        cut = blocks(history.grams, season)
        prior = _prior(history.grams.sum(axis=1), seen.sum(axis=1), draw, _kin(kin, items))
        year = yearly(history, profile, draw, horizon)
        readings = []
        for index in (None, year) if year is not None else (None,):
            usual = None if index is None else np.where(factor == 1.0, index, 1.0)  # what is foreseen stands instead
            past, to_come = (seen, coming) if usual is None else (seen * usual[:, :days], coming * usual[:, days:])
            levels = discounted(cut, summed(past), prior)
            readings.append(Reading(summed(past), summed(to_come), levels, growth(levels, draw, cut.days)))
        added = summed(foreseen.added / unit) if foreseen else np.zeros((items, horizon + 1))
        return cls(history, unit, draw, profile, cut, tuple(readings), added)

    @cached_property
    def dispersion(self) -> Amounts:
        """Give each item's daily squared error over its mean, in grams, (items,)."""
        cut, plain = self.cut, self.readings[0]
        if len(cut.ends) <= 1:
            return self.draw.copy()
        middle = plain.levels.level[:-1, :, len(HALF_LIVES) // 2 - 1].T
        first = int(cut.ends[0])
        daily = np.diff(plain.past[:, first:], axis=1)
        return dispersion(self.history.grams[:, first:], np.repeat(middle, cut.days, axis=1) * daily, self.draw)

    @property
    def pace(self) -> Amounts:
        """Give how the expected draw is spread over the days to come, (items, horizon + 1), running sums."""
        level = self.readings[0].levels.level[-1].mean(axis=1)
        return np.asarray(self.readings[0].to_come * np.maximum(level, 1e-12)[:, None] + self.added)

    def shares(self, horizon: int) -> Amounts:
        """Give the part of the horizon's forecast that falls on each day, (items, horizon)."""
        coming = self.readings[0].to_come[:, : horizon + 1]
        whole = coming[:, -1:]
        return np.asarray(np.where(whole > 0, np.diff(coming, axis=1) / np.maximum(whole, 1e-12), 1.0 / horizon))

    @cached_property
    def trust(self) -> Amounts:
        """Give the trust in each candidate by item, (items, candidates): as they foretold week by week, the latest too.

        A longer horizon would tell of a level only long after it moved.
        """
        tried = trial(self.cut, max(self.history.season, self.cut.days))
        if tried is None:
            return np.full((len(self.draw), len(self._trending)), 1.0 / len(self._trending))
        said = self._said(tried)
        return weights(tried, said, self.dispersion, block_days=self.cut.days, trending=self._trending)

    def _said(self, tried: Trial) -> Amounts:
        """Give what each candidate would have said at past origins, (candidates, items, origins)."""
        return np.stack([one for reading in self.readings for one in reading.said(tried, self.cut.ends)])

    def told(self, horizon: int) -> "Told":
        """Give mean and variance of the sum of the next `horizon` days."""
        tried, trust = trial(self.cut, horizon), self.trust
        if tried is None:
            return self._spread(horizon, trust, ratio=_UNTRIED_RATIO)
        whole = np.einsum("kio,ik->io", self._said(tried), trust)
        at, past = self.cut.ends[tried.origins], self.readings[0].past
        spans = past[:, at + tried.days] - past[:, at]
        base = self.dispersion[:, None] * whole * (1.0 + spans / self._rests_on(trust)[:, None])
        ratio = spread_ratio(tried, whole, base)
        heavy = heaviness(tried, whole, ratio[:, None] * base)
        return self._spread(horizon, trust, ratio=ratio, beyond=max(1.0, horizon / tried.days), heavy=heavy)

    def _spread(
        self, horizon: int, trust: Amounts, *, ratio: Amounts | float, beyond: float = 1.0, heavy: float = 0.0
    ) -> "Told":
        """Give mean and variance: daily dispersion, what we do not know of the level, and what past errors add.

        `beyond` is how many times as long the horizon is as that of the past errors: what they show beyond chance is
        the level's, and grows with it; but a level is not taken to be less sure than by as much as it is.
        """
        mean, added = (self._says(horizon) * trust).sum(axis=1), self.added[:, horizon]
        rests_on = self._rests_on(trust)
        level = 1.0 + self.readings[0].to_come[:, horizon] / rests_on
        chance = self.dispersion * (mean + added)
        wide = np.maximum(1.0 + (ratio - 1.0) * beyond, _LEAST_RATIO) * self.dispersion * (mean * level + added)
        most = np.maximum(ratio, 1.0) * chance + (_LEAST_SURE * mean) ** 2
        return Told(mean + added, np.minimum(wide, most) + (_GUESS_SD * added) ** 2, trust, rests_on, heavy)

    @property
    def _trending(self) -> npt.NDArray[np.bool_]:
        """Tell which candidates go with the shop's trend, (candidates,)."""
        return np.array(([False] * len(HALF_LIVES) + [True] * len(_TRENDING)) * len(self.readings))

    def _says(self, horizon: int) -> Amounts:
        """Give what each candidate says, (items, candidates)."""
        return np.concatenate([reading.says(horizon) for reading in self.readings], axis=1)

    def _rests_on(self, trust: Amounts) -> Amounts:
        """Give the days of exposure that an item's level rests on, (items,)."""
        every = np.concatenate([reading.rests_on for reading in self.readings], axis=1)
        return np.asarray(np.maximum((every * trust).sum(axis=1), 1e-9))

    def mean(self, horizon: int) -> Amounts:
        """Give the expected sum of the next `horizon` days, (items,), in the unit of the history."""
        return np.asarray(self.told(horizon).mean * self.unit)

    def quantiles(self, horizon: int, taus: Amounts) -> Amounts:
        """Give quantiles of the sum of the next `horizon` days, (items, quantiles), in the unit of the history."""
        told = self.told(horizon)
        variance = np.maximum(told.variance, 1e-9)
        z = np.array([NormalDist().inv_cdf(float(t)) for t in taus])
        found = gamma_quantiles(told.mean, variance, heavier(z, told.heavy))
        found[told.mean <= 0] = 0.0
        grams = self.history.grams
        clumpy = np.flatnonzero(few(told.mean, self.draw) & (grams > 0).any(axis=1))
        if len(clumpy):
            item, day = np.nonzero(grams[clumpy] > 0)
            sizes = (item, grams[clumpy][item, day])
            shaped, holds = clumped_quantiles(sizes, told.mean[clumpy], variance[clumpy], taus=taus, horizon=horizon)
            found[clumpy[holds]] = shaped[holds]
        order = np.argsort(taus, kind="stable")
        found[:, order] = np.maximum.accumulate(found[:, order], axis=1)
        return np.asarray(found * self.unit)


@dataclass(frozen=True)
class Told:
    """The sum of the coming days: mean and variance, and on what they rest."""

    mean: Amounts
    variance: Amounts
    trust: Amounts
    """(items, memories), for each reading of the year in turn."""
    rests_on: Amounts
    """(items,), days of exposure."""
    heavy: float = 0.0
    """Excess kurtosis of past errors beyond that of a gamma."""


def _prior(drawn: Amounts, seen: Amounts, draw: Amounts, kin: npt.NDArray[np.int64]) -> Prior:
    """Give what each item's nearest kin that was ever seen draws a day, and the days of exposure that it is worth.

    It is worth as much as the kin are alike: a gamma with the variance between items. Source: Efron and Morris,
    empirical Bayes (from memory).
    """
    level = np.full(len(drawn), drawn.sum() / max(seen.sum(), 1e-9))
    for rank in reversed(range(kin.shape[1])):
        for group in np.unique(kin[:, rank][kin[:, rank] >= 0]):
            of = kin[:, rank] == group
            if seen[of].sum() >= _KIN_DAYS:
                level[of] = drawn[of].sum() / seen[of].sum()
    old = seen >= _KIN_DAYS
    rate = drawn[old] / np.maximum(seen[old], 1e-9)
    differ = rate.var() / max(rate.mean() ** 2, 1e-12) if old.any() and rate.mean() > 0 else 1.0
    draws = 1.0 / np.clip(differ, *_KIN_SPREAD)
    return Prior(level, np.where(level > 0, draws * draw / np.maximum(level, 1e-12), 1.0))


def _unit(grams: Amounts) -> float:
    """Give the unit in which a usual draw is 100, so that grams and milligrams are reckoned alike."""
    drawn = grams[np.isfinite(grams) & (grams > 0)]
    return float(max(drawn.mean() / _USUAL, np.finfo(float).tiny * _MOST)) if drawn.size else 1.0


def _consumed(quantiles: Amounts, known: Amounts | None, shares: Amounts) -> Amounts:
    """Let what is known consume the forecast: in all, or week by week where it is known by day."""
    if known is None:
        return quantiles
    if known.shape[1] == 1:
        return np.maximum(quantiles, known)
    by_day = summed(shares)[:, None, :] * quantiles[:, :, None]
    return np.asarray(consumed_by_day(by_day, known)[:, :, -1])


def consumed_by_day(drawn: Amounts, known: Amounts | None) -> Amounts:
    """Let what is known consume the forecast of its week: of each week, so far, the larger of both counts.

    `drawn` is running sums, (items, chances, days + 1), `known` (items, days). Source: forecast consumption, common
    practice.
    """
    if known is None or not known.any():
        return drawn
    sure = summed(known)[:, None, :]
    found = np.empty_like(drawn)
    done = np.zeros(drawn.shape[:2])
    for start in range(0, known.shape[1], _WEEK):
        days = slice(start, min(start + _WEEK, known.shape[1]) + 1)
        of_week = np.maximum(drawn[:, :, days] - drawn[:, :, start, None], sure[:, :, days] - sure[:, :, start, None])
        found[:, :, days] = done[:, :, None] + of_week
        done = found[:, :, days.stop - 1]
    return found


def _check(grams: Amounts, horizon: int, taus: Amounts, season: int) -> None:
    if grams.ndim != len(("items", "days")):
        raise BadInput("demand-shape", f"A history is a table of items by days, and this has {grams.ndim} dimensions.")
    if horizon < 1:
        raise BadInput("demand-horizon", f"A horizon is at least 1 day, and this is {horizon}.")
    if season < 1:
        raise BadInput("demand-season", f"A season is at least 1 day, and this is {season}.")
    if taus.ndim != 1 or not ((taus > 0) & (taus < 1)).all():
        raise BadInput("demand-chances", "Each chance lies between 0 and 1, without the ends.")
    if np.isinf(grams).any():
        raise BadInput("demand-figure", "A day's grams are a finite number, or NaN where nothing is known.")


def _days(open_days: npt.ArrayLike | None, days: int) -> Amounts | None:
    if open_days is None:
        return None
    told = np.asarray(open_days, dtype=np.float64)
    if told.ndim != 1 or len(told) < days or not ((told >= 0) & (told <= 1)).all():
        raise BadInput("demand-open", f"Open days are 0 or 1 for each of the {days} days; days to come may follow.")
    return told


def _seen(observed: npt.ArrayLike | None, shape: tuple[int, ...]) -> Amounts | None:
    if observed is None:
        return None
    told = np.asarray(observed, dtype=np.float64)
    if told.shape != shape:
        raise BadInput("demand-observed", f"What was on the shelf has the history's shape, {shape}, not {told.shape}.")
    return told


def _kin(kin: npt.ArrayLike | None, items: int) -> npt.NDArray[np.int64]:
    if kin is None:
        return np.zeros((items, 0), dtype=np.int64)
    told = np.asarray(kin, dtype=np.int64)
    told = told[:, None] if told.ndim == 1 else told
    if told.ndim != len(("items", "ranks")) or len(told) != items:
        raise BadInput("demand-kin", f"Kin are group numbers of each of the {items} items, nearest first.")
    return told


def _known(known: npt.ArrayLike | None, items: int, horizon: int) -> Amounts | None:
    if known is None:
        return None
    told = np.asarray(known, dtype=np.float64)
    told = told[:, None] if told.ndim == 1 else told
    if told.shape not in ((items, 1), (items, horizon)) or not (np.isfinite(told) & (told >= 0)).all():
        raise BadInput("demand-known", f"What is known is grams of each of the {items} items, in all or by day.")
    return told
