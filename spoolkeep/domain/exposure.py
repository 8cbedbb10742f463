"""How much of each past and coming day counts for demand: closed days, empty shelves, weekdays, the season of the year.

The forecast reads it. A day's exposure is 1 where an item was on the shelf of an open shop on an average day. It must
not know spools, rows or a clock.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Amounts = npt.NDArray[np.float64]

_BUSY = 7.0
"""Items drawn on a usual such day, so that a day without any was closed: by chance it is e^-7, once in 1,100."""
_CLOSURE_HALF_BLOCKS = 1.5
_CLOSURE_PRIOR_BLOCKS = 4.0
_PROFILE_PRIOR_DRAWS = 20.0
_NOTHING = 1e-6
_WEEK = 7
_YEAR_WEEKS = 52
YEAR = _WEEK * _YEAR_WEEKS
"""A year of whole weeks, so that a Monday meets a Monday."""
_LEAST_LAST_YEAR = 91
"""Days that must be known of the year before, for a season to be read from it."""


@dataclass(frozen=True)
class History:
    """What was drawn, cleaned: corrections carried back, days that say nothing at exposure 0."""

    grams: Amounts
    """(items, days), never below 0."""
    seen: Amounts
    """(items, days): 1 where the day counts as evidence, 0 where the shop was closed or the item not on the shelf."""
    opening: Amounts
    """(horizon,): 1 for an open day to come, 0 for one known as closed."""
    closing: Amounts
    """(season,): the chance that an open day is closed all the same, by weekday; the first day to come is first."""
    season: int

    @property
    def phase(self) -> npt.NDArray[np.int64]:
        """Give each past day's weekday, counted so that the first day to come has 0."""
        days = self.grams.shape[1]
        return np.asarray((np.arange(days) - days) % self.season)


def carried_back(grams: Amounts) -> Amounts:
    """Take each negative day from the days before it: a correction corrects what was booked.

    Shape and units stay. What no day can bear is dropped. Source: common practice, no source.
    """
    if not (grams < 0).any():
        return grams
    clean = grams.copy()
    owed = np.zeros(len(clean))
    for day in reversed(range(clean.shape[1])):
        balance = clean[:, day] - owed
        owed = np.maximum(-balance, 0.0)
        clean[:, day] = np.maximum(balance, 0.0)
    return clean


def read_history(
    grams: Amounts, horizon: int, *, season: int, open_days: Amounts | None = None, observed: Amounts | None = None
) -> History:
    """Clean a history: give what was drawn, and how far each day is evidence.

    `grams` is (items, days), NaN where nothing is known; `open_days` is (days,) or (days + horizon,), `observed`
    (items, days), each 1 or 0 or a share between. A day on which nothing of all items was drawn, though on such a
    weekday at least seven usually are, was closed, whatever the calendar says; how often that happened of late, weekday
    by weekday, is the chance that it happens again.
    """
    days = grams.shape[1]
    unknown = ~np.isfinite(grams)
    clean = carried_back(np.where(unknown | (np.abs(grams) < _NOTHING), 0.0, grams))
    calendar = np.ones(days + horizon)
    if open_days is not None:
        told = min(len(open_days), days + horizon)
        calendar[:told] = open_days[:told]
    phase = (np.arange(days) - days) % season
    lost = _unforeseen(clean, calendar[:days], phase, season)
    seen = np.where(unknown, 0.0, np.where(lost, 0.0, calendar[:days]))
    if observed is not None:
        seen = seen * np.clip(np.nan_to_num(observed), 0.0, 1.0)
    seen = np.where(clean > 0, np.maximum(seen, 1.0), seen)
    return History(clean, seen, calendar[days:], _closing(lost, phase, season), season)


def _unforeseen(grams: Amounts, calendar: Amounts, phase: npt.NDArray[np.int64], season: int) -> npt.NDArray[np.bool_]:
    """Give the days that were closed though no calendar said so: (days,)."""
    drawn = (grams > 0).sum(axis=0)
    usual = np.array([np.median(drawn[phase == p]) if (phase == p).any() else 0.0 for p in range(season)])
    return np.asarray((drawn == 0) & (calendar > 0) & (usual[phase] >= _BUSY))


def _closing(lost: npt.NDArray[np.bool_], phase: npt.NDArray[np.int64], season: int) -> Amounts:
    """Give the chance by weekday that the shop is closed unforeseen, from late weeks, shrunk to the usual rate."""
    days = len(lost)
    usual = float(lost.mean()) if days else 0.0
    rates = np.full(season, usual)
    if usual == 0.0:
        return rates
    weight = 0.5 ** (((days - 1 - np.arange(days)) // season) / _CLOSURE_HALF_BLOCKS)
    for p in range(season):
        on = phase == p
        told, of = (lost[on] * weight[on]).sum(), weight[on].sum()
        rates[p] = (told + usual * _CLOSURE_PRIOR_BLOCKS) / (of + _CLOSURE_PRIOR_BLOCKS)
    return rates


def grams_a_draw(grams: Amounts) -> Amounts:
    """Give each item's mean draw on days with one, (items,); the mean of all items where it has none, at least 1e-9."""
    counts = (grams > 0).sum(axis=1)
    whole = grams.sum() / max(1, counts.sum())
    mean: Amounts = np.where(counts > 0, grams.sum(axis=1) / np.maximum(counts, 1), whole)
    return np.maximum(mean, 1e-9)


def weekdays(history: History, draw: Amounts) -> Amounts:
    """Give each item's weekday profile, (items, season), mean about 1: pooled over items, each shrunk to the pool.

    How far an item keeps its own profile follows from how much the items' profiles differ beyond chance (empirical
    Bayes by moments). Source: common practice, no source.
    """
    items, season = len(history.grams), history.season
    if season == 1 or not history.grams.shape[1]:
        return np.ones((items, season))
    phase = history.phase
    counts = np.stack([history.grams[:, phase == p].sum(axis=1) for p in range(season)], axis=1) / draw[:, None]
    seen = np.stack([history.seen[:, phase == p].sum(axis=1) for p in range(season)], axis=1)
    pooled = np.ones(season)
    for _ in range(2):
        rate = counts.sum(axis=1) / np.maximum((seen * pooled).sum(axis=1), 1e-9)
        pooled = (counts.sum(axis=0) + _PROFILE_PRIOR_DRAWS) / (
            (rate[:, None] * seen).sum(axis=0) + _PROFILE_PRIOR_DRAWS
        )
        pooled = pooled / pooled.mean()
    expected = rate[:, None] * seen * pooled
    chance = np.clip(_dispersion(history, draw, rate[:, None] * pooled[phase] * history.seen), 0.2, 20.0)[:, None]
    differ = ((counts - expected) ** 2 - chance * expected * (1 - 1 / season)).sum() / max((expected**2).sum(), 1e-9)
    own = 1.0 / max(differ, 1e-4)
    return np.asarray(pooled * (counts / chance + own) / (expected / chance + own))


def _dispersion(history: History, draw: Amounts, expected: Amounts) -> Amounts:
    """Give each item's squared error over its mean, in draws, (items,)."""
    squares = ((history.grams / draw[:, None]) - expected) ** 2
    return np.asarray(squares.sum(axis=1) / np.maximum(expected.sum(axis=1), 1e-9))


def yearly(history: History, profile: Amounts, draw: Amounts, horizon: int) -> Amounts | None:
    """Give the season of the year by item and day, (items, days + horizon), about 1; None where no year is known.

    Three weeks about the same week a year before (or after, for the first year) are held against the year about it;
    items are shrunk to what all together show. Source: classical decomposition, common practice.
    """
    items, days = history.grams.shape
    if history.season != _WEEK or days < YEAR + _LEAST_LAST_YEAR:
        return None
    odd = days % _WEEK
    weeks = days // _WEEK
    grams = history.grams[:, odd:].reshape(items, weeks, _WEEK).sum(axis=2) / draw[:, None]
    seen = (history.seen[:, odd:].reshape(items, weeks, _WEEK) * profile[:, None, :]).sum(axis=2)
    counts = _about(grams, 1)
    expected = _about(seen, 1) * _about(grams, _YEAR_WEEKS // 2) / np.maximum(_about(seen, _YEAR_WEEKS // 2), 1e-9)
    pooled = (counts.sum(axis=0) + 10.0) / (expected.sum(axis=0) + 10.0)
    mean = expected * pooled
    differ = ((counts - mean) ** 2 - 2.0 * mean).sum() / max((mean**2).sum(), 1e-9)
    own = 2.0 / max(differ, 1e-2)
    index = np.clip(pooled * (counts + own) / (mean + own), 0.1, 10.0)
    week = (np.arange(days + horizon) - odd) // _WEEK - _YEAR_WEEKS
    source = np.where(week >= 0, week, np.maximum(week + 2 * _YEAR_WEEKS, 0))
    return np.asarray(index[:, np.minimum(source, weeks - 1)])


def _about(weekly: Amounts, half: int) -> Amounts:
    """Give the sum of the weeks within `half` of each week; fewer at both ends."""
    items, weeks = weekly.shape
    summed = np.concatenate([np.zeros((items, 1)), np.cumsum(weekly, axis=1)], axis=1)
    week = np.arange(weeks)
    return np.asarray(summed[:, np.minimum(week + half + 1, weeks)] - summed[:, np.maximum(week - half, 0)])
