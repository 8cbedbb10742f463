"""From whom to buy which item, so that goods and parcels together cost least in the long run.

The order plan calls it. Arrays in, arrays out. It must not know offers beyond their cost, or how urgent an item is.
"""

from dataclasses import dataclass

import numpy as np

from spoolkeep.domain.shortfall import Floats, Whole

_PASSES = 3
_HARDLY = 1e-12


@dataclass(frozen=True)
class Sourcing:
    """What buying each item from each supplier costs a day, (items, suppliers); infinite where it does not sell it."""

    goods: Floats
    """Price, and what comes with it."""
    lies: Floats
    """What a day's draw costs that lies for a day, in each of the days of an order."""
    worth: Floats
    """The worth of a day's draw, which counts towards free freight."""
    order: Floats
    """What an order costs with its parcel, (suppliers,)."""
    free_order: Floats
    """What it costs without."""
    free_from: Floats
    """The worth from which on it is without; infinite where it never is, (suppliers,)."""


def assigned(sourcing: Sourcing) -> Whole:
    """Give the supplier of each item, (items,); -1 where nobody sells it.

    Each begins with the cheapest; then whole suppliers are given up, and single items moved, as long as that costs
    less: what is spared in parcels may be worth more than a price.
    Source: orders of the square root's size for each supplier (Snyder and Shen, 2nd ed., section 3.2); the search is
    our own, and local.
    """
    sold = np.isfinite(sourcing.goods)
    if not sold.any():
        return np.full(len(sold), -1)
    at = np.where(sold.any(axis=1), np.where(sold, sourcing.goods, np.inf).argmin(axis=1), -1)
    for _ in range(_PASSES):
        before = at.copy()
        at = _given_up(sourcing, at)
        at = _moved(sourcing, at)
        if (at == before).all():
            break
    return at


def cost_a_day(sourcing: Sourcing, at: Whole) -> float:
    """Give what it costs a day to buy each item from the supplier named."""
    rows = np.flatnonzero(at >= 0)
    lies, worth = _sums(sourcing, at)
    return float(sourcing.goods[rows, at[rows]].sum() + _orders(sourcing, lies, worth).sum())


def _sums(sourcing: Sourcing, at: Whole) -> tuple[Floats, Floats]:
    """Give what lies and what it is worth by supplier, (suppliers,)."""
    rows, suppliers = np.flatnonzero(at >= 0), len(sourcing.order)
    lies = np.bincount(at[rows], sourcing.lies[rows, at[rows]], suppliers)
    worth = np.bincount(at[rows], sourcing.worth[rows, at[rows]], suppliers)
    return lies.astype(np.float64), worth.astype(np.float64)


def _orders(sourcing: Sourcing, lies: Floats, worth: Floats) -> Floats:
    """Give what each supplier's orders and what lies for them cost a day: often with its parcel, or rarely without.

    Sums are (suppliers,), or one row of them for each case.
    """
    often = np.sqrt(2.0 * sourcing.order * lies)
    least = np.sqrt(2.0 * sourcing.free_order / np.maximum(lies, 1e-30))
    with np.errstate(divide="ignore", invalid="ignore"):
        days = np.maximum(sourcing.free_from / worth, least)
        free = sourcing.free_order / days + lies * days / 2.0
    free = np.where(np.isfinite(days) & (worth > 0), free, np.inf)
    return np.asarray(np.where(lies > 0, np.minimum(often, free), 0.0))


def _given_up(sourcing: Sourcing, at: Whole) -> Whole:
    """Give up whole suppliers, the smallest first, as long as it costs less."""
    for supplier in np.argsort(np.bincount(at[at >= 0], minlength=len(sourcing.order)), kind="stable"):
        theirs = np.flatnonzero(at == supplier)
        if not len(theirs):
            continue
        others = sourcing.goods[theirs].copy()
        others[:, supplier] = np.inf
        if not np.isfinite(others).any(axis=1).all():
            continue
        tried = at.copy()
        tried[theirs] = others.argmin(axis=1)
        if cost_a_day(sourcing, tried) < cost_a_day(sourcing, at) - _HARDLY:
            at = tried
    return at


def _moved(sourcing: Sourcing, at: Whole) -> Whole:
    """Move single items, the one that spares most first, as long as it costs less."""
    at = at.copy()
    rows = np.flatnonzero((at >= 0) & (np.isfinite(sourcing.goods).sum(axis=1) > 1))
    for _ in range(2 * len(rows)):
        lies, worth = _sums(sourcing, at)
        now = _orders(sourcing, lies, worth)
        from_whom = at[rows]
        left_lies = np.maximum(lies[from_whom] - sourcing.lies[rows, from_whom], 0.0)
        left_worth = np.maximum(worth[from_whom] - sourcing.worth[rows, from_whom], 0.0)
        leaving = _without(sourcing, from_whom, left_lies, left_worth) - now[from_whom]
        with np.errstate(invalid="ignore"):
            joining = _orders(sourcing, lies + sourcing.lies[rows], worth + sourcing.worth[rows]) - now
            change = sourcing.goods[rows] - sourcing.goods[rows, from_whom][:, None] + joining + leaving[:, None]
        change = np.where(np.isfinite(change), change, np.inf)
        change[np.arange(len(rows)), from_whom] = np.inf
        if not change.size or change.min() >= -_HARDLY:
            break
        row, supplier = np.unravel_index(int(change.argmin()), change.shape)
        at[rows[row]] = supplier
    return at


def _without(sourcing: Sourcing, suppliers: Whole, lies: Floats, worth: Floats) -> Floats:
    """Give what the orders of the suppliers named cost a day with these sums, one for each."""
    wide = (len(suppliers), len(sourcing.order))
    at = np.arange(len(suppliers))
    every_lies, every_worth = np.zeros(wide), np.zeros(wide)
    every_lies[at, suppliers], every_worth[at, suppliers] = lies, worth
    return np.asarray(_orders(sourcing, every_lies, every_worth)[at, suppliers])
