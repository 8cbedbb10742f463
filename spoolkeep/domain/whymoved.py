"""Why the material share moved between two spans of days: price, waste, mix, or plastic per unit of takings.

The Money page calls it. It must not know months, items' names or how cost was found.

Of each item, cost ÷ takings = (cost ÷ drawn) * (drawn ÷ good) * (good ÷ all good) * (all good ÷ takings). The change of
the sum is split by the logarithmic mean Divisia index, which leaves no remainder and turns its sign with time.
Source: Ang (2005), Energy Policy 33, 867-871, formulae (2) to (5); zeros by their analytical limits (Wood and Lenzen
2006; Ang and Liu 2007).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import log, log1p

from spoolkeep.domain.split import whole_parts

_NEAR = 0.5
TENTHS_PER_WHOLE = 100_000
"""Tenths of a basis point in a whole."""


class Effect(StrEnum):
    """By what the share moved."""

    PRICE = "price"
    """What a gram cost."""
    WASTE = "waste"
    """Grams drawn for a good gram."""
    MIX = "mix"
    """Which items the good grams were of."""
    DENSITY = "plastic per takings"
    """Good grams for a unit of takings."""


@dataclass(frozen=True)
class Used:
    """What was drawn of one item over a span of days: cost in minor units, milligrams, and how many came off good."""

    cost_minor: int
    drawn_mg: int
    good_mg: int


@dataclass(frozen=True)
class SpanUse:
    """All items of a span of days, by any key, and its takings in minor units."""

    items: Mapping[int, Used]
    takings_minor: int

    @property
    def good_mg(self) -> int:
        """Give the good milligrams of all items."""
        return sum(one.good_mg for one in self.items.values())

    @property
    def share(self) -> float:
        """Give cost over takings."""
        return sum(one.cost_minor for one in self.items.values()) / self.takings_minor


@dataclass(frozen=True)
class Moved:
    """A change of share, split: in tenths of a basis point, by item and effect; whole numbers that add up."""

    before_tenths: int
    after_tenths: int
    parts: Mapping[int, Mapping[Effect, int]]

    @property
    def tenths(self) -> int:
        """Give the whole change."""
        return self.after_tenths - self.before_tenths

    @property
    def most(self) -> Effect:
        """Give the effect that moved most."""
        return max(Effect, key=lambda effect: abs(self.of(effect)))

    def of(self, effect: Effect) -> int:
        """Give what one effect moved, all items together."""
        return sum(by_effect[effect] for by_effect in self.parts.values())


def log_mean(one: float, other: float) -> float:
    """Give the logarithmic mean of two numbers above 0: their difference over that of their logarithms.

    The mean of a number with itself is that number, with 0 it is 0. Source: Ang (2005), formula (3).
    """
    if one <= 0 or other <= 0:
        return 0.0
    apart = (one - other) / other
    if not apart:
        return other
    return (one - other) / (log1p(apart) if abs(apart) < _NEAR else log(one / other))  # each where it is exact


def split(before: SpanUse, after: SpanUse) -> Mapping[int, Mapping[Effect, float]] | None:
    """Give the change of share by item and effect, as fractions of takings that add up to it.

    None where either span has no takings or nothing that came off good, so that there is no share to split.
    """
    if min(before.takings_minor, after.takings_minor, before.good_mg, after.good_mg) <= 0:
        return None
    nothing = Used(0, 0, 0)
    found = {}
    for key in sorted({*before.items, *after.items}):
        one, other = before.items.get(key, nothing), after.items.get(key, nothing)
        if one != nothing or other != nothing:
            found[key] = _of_item(one, other, before, after)
    return found


def _of_item(one: Used, other: Used, before: SpanUse, after: SpanUse) -> dict[Effect, float]:
    start, end = one.cost_minor / before.takings_minor, other.cost_minor / after.takings_minor
    found = dict.fromkeys(Effect, 0.0)
    if start <= 0 or end <= 0 or one.drawn_mg <= 0 or other.drawn_mg <= 0:
        found[_nothing_of(one, other)] = end - start  # all of a change from or to nothing is that factor's
        return found
    weight = log_mean(end, start)
    found[Effect.PRICE] = weight * log(other.cost_minor / other.drawn_mg * one.drawn_mg / one.cost_minor)
    found[Effect.DENSITY] = weight * log(after.good_mg / after.takings_minor * before.takings_minor / before.good_mg)
    if one.good_mg > 0 and other.good_mg > 0:
        found[Effect.WASTE] = weight * log(other.drawn_mg / other.good_mg * one.good_mg / one.drawn_mg)
        found[Effect.MIX] = weight * log(other.good_mg / after.good_mg * before.good_mg / one.good_mg)
    else:  # nothing of it came off good in one of them: what was drawn for a good gram of all items is waste
        found[Effect.WASTE] = weight * log(other.drawn_mg / after.good_mg * before.good_mg / one.drawn_mg)
    return found


def _nothing_of(one: Used, other: Used) -> Effect:
    """Give the factor that is nothing in one of the spans."""
    if one.cost_minor > 0 and other.cost_minor > 0:
        return Effect.PRICE  # a later cost of what was drawn before
    empty, full = (one, other) if one.cost_minor <= 0 else (other, one)
    if empty.drawn_mg > 0:
        return Effect.PRICE  # it was drawn and cost nothing
    return Effect.MIX if full.good_mg > 0 else Effect.WASTE


def moved(before: SpanUse, after: SpanUse) -> Moved | None:
    """Give the split in tenths of a basis point, made whole by largest remainders so that every sum adds up.

    None as for `split`.
    """
    parts = split(before, after)
    if parts is None:
        return None
    before_tenths, after_tenths = (round(one.share * TENTHS_PER_WHOLE) for one in (before, after))
    by_effect = [sum(one[effect] for one in parts.values()) * TENTHS_PER_WHOLE for effect in Effect]
    wholes = dict(zip(Effect, whole_parts(after_tenths - before_tenths, by_effect), strict=True))
    found: dict[int, dict[Effect, int]] = {key: {} for key in parts}
    for effect, total in wholes.items():
        of_items = whole_parts(total, [one[effect] * TENTHS_PER_WHOLE for one in parts.values()])
        for key, tenths in zip(parts, of_items, strict=True):
            found[key][effect] = tenths
    return Moved(before_tenths, after_tenths, found)
