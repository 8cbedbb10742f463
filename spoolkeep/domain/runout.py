"""How long the plastic lasts: the mean draw of recent days, days of stock, the run-out date and the order-by date.

The Stock page, the reorder rule and the command line call it. It must not know a clock: today is a parameter.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from spoolkeep.domain.errors import BadInput

FAR_DAYS = 36_500
"""Beyond a hundred years no date is worth naming."""

Amounts = npt.NDArray[np.float64]


@dataclass(frozen=True)
class StockDays:
    """How long an item's plastic lasts at a steady draw.

    With no draw there is no end to name, and all but `daily_mg` are None. Dates beyond `FAR_DAYS` are None too.
    """

    daily_mg: float
    days: float | None
    """Days that what is left and not committed will last; 0 where it is already promised away."""
    run_out_on: date | None
    """The day in the course of which it ends, or at whose start it has ended."""
    order_by: date | None
    """The last day to order; it may have passed."""


def mean_daily_mg(
    history: npt.NDArray[np.integer] | npt.NDArray[np.floating],
    *,
    window: int = 30,
    known_days: Sequence[int] | None = None,
) -> Amounts:
    """Give each item's mean draw, in milligrams a shop day, over the last `window` days.

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


def stock_days(
    *,
    left_mg: int,
    committed_mg: int,
    on_order_mg: int,
    daily_mg: float,
    today: date,
    lead_days: int,
    safety_days: int,
) -> StockDays:
    """Give days of stock and its dates at a steady draw of `daily_mg` from the start of `today` on.

    days       = (left - committed) / daily, at least 0
    run-out    = today + whole days of that
    order-by   = today + whole days of (left - committed + on order) / daily - lead - safety

    What is on order postpones the order, not the run-out: it is not here yet. Nothing drawn: no days, no dates.
    Errors: BadInput on a negative figure (only what is left may be negative, and counts as nothing) or no figure.
    Source: common practice (days of supply; a reorder point in days).
    """
    if min(committed_mg, on_order_mg, lead_days, safety_days) < 0:
        raise BadInput("negative_figure", "Committed and ordered grams, lead time and safety days are 0 or more.")
    if not (math.isfinite(daily_mg) and daily_mg >= 0):
        raise BadInput("bad_daily", "The daily draw must be 0 g or more.")
    free_mg = left_mg - committed_mg
    days = _lasts(free_mg, daily_mg)
    with_ordered = _lasts(free_mg + on_order_mg, daily_mg)
    return StockDays(
        daily_mg=daily_mg,
        days=days,
        run_out_on=_after(today, days),
        order_by=_after(today, with_ordered, earlier=lead_days + safety_days),
    )


def _lasts(mg: int, daily_mg: float) -> float | None:
    if daily_mg == 0:
        return None
    days = max(0, mg) / daily_mg
    return days if math.isfinite(days) else None


def _after(today: date, days: float | None, *, earlier: int = 0) -> date | None:
    if days is None or days > FAR_DAYS:
        return None
    return today + timedelta(days=math.floor(days) - earlier)
