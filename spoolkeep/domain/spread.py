"""Spreading what is left over among quantities that are known between bounds, by how little each is known.

Services ask it. It must not know what the quantities are.
Source: the least squares that meet one sum (adjustment of observations, Ghilani, Adjustment Computations, ch. 10 and
20, from memory): each is moved in proportion to its variance; a uniform one between bounds has their distance squared
over twelve.
"""

from collections.abc import Sequence
from dataclasses import dataclass

_TWELVE = 12
_THREE = 3
_NOTHING = 1e-9


@dataclass(frozen=True)
class Between:
    """A quantity and the bounds between which it lies."""

    value: float
    low: float
    high: float

    @property
    def variance(self) -> float:
        """Give its variance, as if every value between the bounds were as likely."""
        return (self.high - self.low) ** 2 / _TWELVE


def settled(each: Sequence[Between], more: float, *, variance: float) -> list[Between]:
    """Spread `more`, known to a variance, among quantities; none leaves its bounds, which come nearer to each other.

    What they cannot take, because all have met a bound, or because `more` is less sure than they are, is left over.
    """
    moved = [0.0] * len(each)
    free = [one.variance > 0 for one in each]
    whole = sum(one.variance for one in each)
    rest = more * whole / (whole + variance) if whole else 0.0
    while abs(rest) > _NOTHING and (weight := sum(one.variance for one, may in zip(each, free, strict=True) if may)):
        given = rest
        for at, one in enumerate(each):
            if free[at]:
                wanted = one.value + moved[at] + given * one.variance / weight
                held = min(one.high, max(one.low, wanted))
                rest -= held - one.value - moved[at]
                free[at] = held == wanted
                moved[at] = held - one.value
        if all(free[at] or not one.variance for at, one in enumerate(each)):
            break
    return [_nearer(one, by, whole + variance) for one, by in zip(each, moved, strict=True)]


def _nearer(one: Between, by: float, whole: float) -> Between:
    """Give a quantity that was moved, its bounds by what is not known of it still."""
    if not one.variance:
        return one
    value = one.value + by
    half = (_THREE * one.variance * max(0.0, 1 - one.variance / whole)) ** 0.5
    return Between(value, max(one.low, value - half), min(one.high, value + half))
