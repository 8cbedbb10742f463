"""How long the plastic lasts: paths of demand day by day, days of stock as a distribution, run-out and order-by.

The Stock page, the reorder rule and the command line call it. It must not know a clock: today is a parameter.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from spoolkeep.domain.demand import Outlook, consumed_by_day
from spoolkeep.domain.errors import BadInput

FAR_DAYS = 36_500
"""Beyond a hundred years no date is worth naming."""
AHEAD_DAYS = 120
ANCHORS = (1, 3, 7, 14, 21, 28, 42, 56, 84, AHEAD_DAYS)
"""Horizons that are forecast; the days between follow the expected draw."""
CHANCES = np.array([0.005, 0.01, 0.025, 0.05, *np.arange(0.1, 0.95, 0.1).round(1), 0.95, 0.975, 0.99, 0.995])
_NEVER = 10.0 * FAR_DAYS
_SPAN = [int(np.flatnonzero(np.isclose(CHANCES, one))[0]) for one in (0.9, 0.5, 0.1)]

Amounts = npt.NDArray[np.float64]


class Span(NamedTuple):
    """Days at three chances: that it has ended by then is 10, 50 and 90 per cent; None where no end is in sight."""

    p10: float | None = None
    p50: float | None = None
    p90: float | None = None


@dataclass(frozen=True)
class StockDays:
    """How long an item's plastic lasts.

    With no draw in sight there is no end to name, and the spans and dates are None, as are dates beyond `FAR_DAYS`.
    """

    today: date
    daily_mg: float
    """What is expected a day over the coming four weeks."""
    lasts: Span
    """What is here, counted from the start of today."""
    with_ordered: Span
    """The same with what is on order, from the days on which it is promised."""
    chance_short: float
    """That it ends before an order placed today could arrive."""
    ends_at_risk: float | None
    """After how many days what is here and on order has ended at the chosen risk."""
    order_by: date | None
    """The last day on which an order still comes in time at that risk; it may have passed."""
    left: tuple[tuple[float, float], ...] = ()
    """What will be here in the middle of all cases: days from today and milligrams."""
    at_risk: tuple[float, ...] = ()
    """Milligrams drawn by the start of each coming day at the chosen risk."""
    ends: tuple[float, ...] = ()
    """After how many days what is here and on order ends, at each of `CHANCES` of demand."""

    @property
    def days(self) -> float | None:
        """Give the middle of days of stock."""
        return self.lasts.p50

    @property
    def run_out_on(self) -> date | None:
        """Give the day in the course of which what is here ends, in the middle of all cases."""
        return self.on(self.lasts.p50)

    @property
    def thinning(self) -> tuple[tuple[float, float], ...]:
        """Give `left` as shares of the most that will be here; nothing where nothing will be."""
        most = max((mg for _, mg in self.left), default=0.0)
        return tuple((day, mg / most) for day, mg in self.left) if most > 0 else ()

    def chance_by(self, days: float) -> float:
        """Give the chance that what is here and on order has ended before so many days."""
        return chance_before(np.array(self.ends), days) if self.ends else 0.0

    def left_on(self, days: float) -> float:
        """Give what will be here after so many days in the middle of all cases, in milligrams."""
        at, mg = zip(*self.left, strict=True)
        return float(np.interp(days, at, mg))

    def on(self, days: float | None) -> date | None:
        """Give the day that is so many days from today."""
        return None if days is None or days > FAR_DAYS else self.today + timedelta(days=math.floor(days))


def mean_daily_mg(
    history: npt.NDArray[np.integer] | npt.NDArray[np.floating],
    *,
    window: int = 30,
    known_days: Sequence[int] | None = None,
) -> Amounts:
    """Give each item's mean draw, in milligrams a shop day, over `window` days: forecasts are held against it.

    `history` is (items, days) of milligrams drawn, oldest first; its last column is the last complete shop day. An
    item that is known for fewer days than the window is divided by those days, `known_days`, of which the last ones
    count, at least 1; without it, by the days of history. Days without a draw count as 0.
    Gives float64 of shape (items,), finite and never below 0. Errors: BadInput on a wrong shape or figure.
    Source: common practice (a moving average).
    """
    drawn = np.asarray(history, dtype=np.float64)
    _check_history(drawn, window, known_days)
    recent = drawn[:, -window:]
    items, days = recent.shape
    known = np.full(items, days) if known_days is None else np.asarray(known_days, dtype=np.int64)
    counted = np.clip(known, 1, max(1, days))
    age = np.arange(days, 0, -1)
    mean: Amounts = np.where(age <= counted[:, None], recent, 0.0).sum(axis=1) / counted
    return np.maximum(mean, 0.0, out=mean)


def _check_history(drawn: Amounts, window: int, known_days: Sequence[int] | None) -> None:
    if drawn.ndim != len(("items", "days")):
        raise BadInput("bad_history", "A history of draws has a row for each item and a column for each day.")
    if window < 1:
        raise BadInput("bad_window", "A mean needs a window of at least 1 day.")
    if known_days is not None and len(known_days) != len(drawn):
        raise BadInput("bad_history", "A history of draws needs the days known of each of its items.")
    if not np.isfinite(drawn).all():
        raise BadInput("bad_history", "A history of draws has a gap in it. A day without a draw is 0.")


def paths(outlook: Outlook, known: Amounts | None = None) -> Amounts:
    """Give what will be drawn up to each coming day at each chance, (items, chances, AHEAD_DAYS + 1), never falling.

    `known` is (items, AHEAD_DAYS), what is sure to be asked on each day; it consumes the forecast of its week. A path
    is drawn at one chance from end to end.
    """
    if not len(outlook.draw):
        return np.zeros((0, len(CHANCES), AHEAD_DAYS + 1))
    anchors = np.stack([np.zeros((len(outlook.draw), len(CHANCES)))] + [outlook.quantiles(h, CHANCES) for h in ANCHORS])
    anchors = np.maximum.accumulate(anchors, axis=0)
    pace = outlook.pace
    found = np.empty((len(outlook.draw), len(CHANCES), AHEAD_DAYS + 1))
    for number, (start, end) in enumerate(zip((0, *ANCHORS), ANCHORS, strict=False)):
        days = np.arange(start, end + 1)
        whole = (pace[:, end] - pace[:, start])[:, None]
        even = (days - start) / (end - start)
        part = np.where(whole > 0, (pace[:, days] - pace[:, start, None]) / np.maximum(whole, 1e-12), even)
        low, high = anchors[number][:, :, None], anchors[number + 1][:, :, None]
        found[:, :, days] = low + (high - low) * part[:, None, :]
    return consumed_by_day(found, known)


def lasting(drawn: Amounts, held: Amounts) -> Amounts:
    """Give after how many days each path has used up what is held, (items, chances); inf where it never does.

    `drawn` is paths, `held` (items, AHEAD_DAYS + 1): all that is here or has come by each day. Beyond the paths
    their pace goes on.
    """
    here = np.maximum(held, 0.0)
    over = drawn[:, :, 1:] > here[:, None, :-1]  # what comes in the course of a day is there for that day
    day = over.argmax(axis=2)
    item, chance = np.ogrid[: drawn.shape[0], : drawn.shape[1]]
    before, after = drawn[item, chance, day], drawn[item, chance, day + 1]
    within = day + np.clip((here[item, day] - before) / np.maximum(after - before, 1e-12), 0.0, 1.0)
    pace = drawn[:, :, -1] / AHEAD_DAYS
    rest = here[:, -1:] - drawn[:, :, -1]
    beyond = np.where(pace > 0, AHEAD_DAYS + rest / np.maximum(pace, 1e-12), np.inf)
    return np.asarray(np.where(over.any(axis=2), within, beyond))


def span(days: Amounts) -> Span:
    """Give the days at 10, 50 and 90 per cent of one item's `lasting`: it ends early where much is drawn."""
    return Span(*(float(days[at]) if math.isfinite(days[at]) else None for at in _SPAN))


def chance_before(days: Amounts, until: float) -> float:
    """Give the chance that one item's plastic ends before so many days, from its `lasting`, (chances,)."""
    longer = days >= until
    if longer.all():
        return 0.0
    if not longer.any():
        return 1.0
    last = int(np.flatnonzero(longer).max())
    above, below = days[last], days[last + 1]
    part = (above - until) / (above - below) if math.isfinite(above) else 0.0
    return float(1.0 - (CHANCES[last] + part * (CHANCES[last + 1] - CHANCES[last])))


@dataclass(frozen=True)
class Supply:
    """How an order of an item would come: what it takes, what is kept back for a late one, and the risk taken."""

    lead_days: int
    safety_days: int
    risk: float
    """The chance, accepted, of running out before it comes."""


def stock_days(
    drawn: Amounts, held: tuple[Amounts, Amounts], supply: Supply, *, daily_mg: float, today: date
) -> StockDays:
    """Give days of stock and its dates of one item, from its paths, (chances, AHEAD_DAYS + 1).

    `held` is what is here and has come by each day, (AHEAD_DAYS + 1,), without and with what is on order. Errors:
    BadInput on a negative time or a chance that is none. Source: common practice (days of supply; a reorder point in
    time at a chosen risk).
    """
    if min(supply.lead_days, supply.safety_days) < 0 or not 0 < supply.risk < 1:
        raise BadInput("bad_supply", "Lead time and safety days are 0 or more, and the risk lies between 0 and 1.")
    alone, ordered = (lasting(drawn[None], one[None])[0] for one in held)
    at_risk = float(np.interp(1.0 - supply.risk, CHANCES, np.minimum(ordered, _NEVER)))
    found = StockDays(
        today=today,
        daily_mg=daily_mg,
        lasts=span(alone),
        with_ordered=span(ordered),
        chance_short=chance_before(ordered, supply.lead_days),
        ends_at_risk=at_risk if at_risk < _NEVER else None,
        order_by=None,
        left=_left(drawn, held[1]),
        at_risk=_at(drawn, 1.0 - supply.risk),
        ends=tuple(map(float, ordered)),
    )
    until = found.on(found.ends_at_risk)
    early = timedelta(days=supply.lead_days + supply.safety_days)
    return replace(found, order_by=until - early if until else None)


def _at(drawn: Amounts, chance: float) -> tuple[float, ...]:
    """Give the path at a chance between those that are kept."""
    above = int(np.clip(np.searchsorted(CHANCES, chance), 1, len(CHANCES) - 1))
    part = float(np.clip((chance - CHANCES[above - 1]) / (CHANCES[above] - CHANCES[above - 1]), 0.0, 1.0))
    return tuple((drawn[above - 1] + part * (drawn[above] - drawn[above - 1])).tolist())


def _left(drawn: Amounts, held: Amounts) -> tuple[tuple[float, float], ...]:
    """Give what will be here in the middle of all cases: week by week, and before and after each arrival."""
    middle = drawn[len(CHANCES) // 2]
    come = set(np.flatnonzero(np.diff(held) > 0) + 1)
    found = []
    for day in sorted({*range(0, AHEAD_DAYS + 1, 7), *come}):
        if day in come:
            found.append((float(day), float(max(0.0, held[day - 1] - middle[day]))))
        found.append((float(day), float(max(0.0, held[day] - middle[day]))))
    return tuple(found)
