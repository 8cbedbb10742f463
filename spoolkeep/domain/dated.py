"""What a price that ends, or one that begins, does to an order: bought ahead of it, or only as far as it is better.

The order plan calls it once a supplier's order is weighed. It must not know a clock, names, or other suppliers' orders.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from spoolkeep.domain.replenish import Chance, Cycle, Deal, Packs, ahead
from spoolkeep.domain.shortfall import Floats, Pile
from spoolkeep.domain.terms import MOST_SPOOLS

_HARDLY = 1e-9
_CHEAPER = 0.999
"""Below which part of today's price another is waited for. Source: our own choice."""
_AMOUNTS = 60
"""Amounts that are weighed at most of what must last until a better price."""


@dataclass(frozen=True)
class Way:
    """One way to buy an item: what it costs, when it can be ordered, and when such an order would serve."""

    offer_id: int
    source: int
    minor: float
    """What a milligram costs, with what comes beside its price."""
    serves: Floats
    """See Chance."""
    order_minor: float
    """What an order of its supplier costs, with its parcel."""
    from_days: int = 0
    """In how many days it can be ordered first."""
    until_days: int | None = None
    """In how many days it can be ordered last; None without an end."""

    @property
    def lead_days(self) -> int:
        """Give in how many days an order of it begins to serve, on average."""
        return round(float(np.arange(len(self.serves)) @ self.serves))


@dataclass(frozen=True)
class Turn:
    """What another price does to an item of an order."""

    way: Way
    """The one that comes: dearer, when it is bought ahead of it; cheaper, when it is waited for."""
    spared_minor: float
    """By what is bought ahead, less an order that is placed for that alone; or by what is left until then."""
    ahead_packs: float = 0.0
    """Bought ahead of a dearer price."""
    waits_days: int | None = None
    """In how many days it is bought at the better price; None where it is bought ahead."""


@dataclass(frozen=True)
class Turned:
    """An order, as the prices to come leave it."""

    packs: Floats
    """Of each item, (items,)."""
    is_due: bool
    turns: dict[int, Turn]
    """By item, where another price bears on it."""


def turned(
    pile: Pile, packs: Packs, chance: Chance, deal: Deal, *, cycle: Cycle, ways: Sequence[Sequence[Way]]
) -> Turned:
    """Give an order as the prices to come leave it; `ways` are those of each item, first the one it is bought by.

    What a better price is coming for is bought only as far as it must last, where that spares more than an order at
    that price costs. What becomes dearer before the next order is bought ahead for as long as what lies costs less than
    it spares; where that alone spares more than an order costs, it is ordered for that, and what else there is waits.
    Source: an announced change of price (Silver, Pyke and Peterson 1998, section 5.9, from memory): bought ahead for
    (price to come - price) / what a unit costs that lies a day, beyond the usual order. What must last is our own rule.
    """
    if not any(ways):
        return Turned(cycle.packs, cycle.is_due, {})
    found = _waiting(pile, packs, chance, deal, cycle=cycle, ways=ways) if cycle.is_due else None
    found = found or Turned(cycle.packs, cycle.is_due, {})
    return _ahead(pile, packs, chance, deal, cycle=cycle, ways=ways, found=found)


def days_ahead(ways: Sequence[Way], *, holding: float, length: int, next_look: int, most_days: int) -> Floats:
    """Give what a milligram spares that is drawn on each coming day, if it is bought today by the first way.

    (days,), from tomorrow on, as far as that is more than nothing, at most `most_days`. Bought later, it shares an
    order that lasts `length` days and lies for half of it; `holding` is what a milligram costs that lies for a day.
    Nothing where it becomes no dearer, or where nobody is known to sell it later: what it costs then is not guessed.
    """
    today = ways[0]
    days = np.arange(1, most_days + 1)
    now = today.minor + holding * (days - today.lead_days)
    later = np.full(len(days), np.inf)
    for way in ways:
        first = max(way.from_days, next_look)
        last = np.inf if way.until_days is None else way.until_days
        if last >= first:
            price = way.minor + holding * np.maximum(length, days - way.lead_days - last)
            later = np.minimum(later, np.where(days >= first + way.lead_days, price, np.inf))
    if not len(days) or not np.isfinite(later[-1]):
        return np.zeros(0)
    later = np.where(np.isfinite(later), later, later[np.isfinite(later)].max())
    spares = later - now
    ends = np.flatnonzero((days > today.lead_days) & (spares <= _HARDLY * today.minor))
    found = spares[: int(ends[0])] if len(ends) else spares
    return np.asarray(found if len(found) > today.lead_days + length else np.zeros(0))


def _ahead(
    pile: Pile, packs: Packs, chance: Chance, deal: Deal, *, cycle: Cycle, ways: Sequence[Sequence[Way]], found: Turned
) -> Turned:
    """Buy ahead of what becomes dearer, what spares most for its money first, as far as the limits let it."""
    wanted = found.packs.copy() if found.is_due else np.zeros(len(packs.mg))
    offers: list[tuple[int, float, Turn]] = []
    for row, its in enumerate(ways):
        if its and row not in found.turns:
            offers += _dearer(pile, packs, chance, row=row, length=cycle.days, ways=its, has=float(wanted[row]))
    turns = {}
    for row, many, turn in sorted(
        offers, key=lambda one: -one[2].spared_minor / max(one[1] * packs.minor[one[0]], 1.0)
    ):
        tried = wanted.copy()
        tried[row] = many
        if deal.fits(tried):
            wanted, turns[row] = tried, turn
    if not turns or not deal.taken(wanted):
        return found
    spared = sum(one.spared_minor for one in turns.values())
    order_minor = 0.0 if found.is_due else deal.costs(wanted)
    if spared + cycle.waiting_minor * chance.review_days <= order_minor:
        return found
    rest = max(1.0 - order_minor / spared, 0.0)
    net = {row: replace(one, spared_minor=one.spared_minor * rest) for row, one in turns.items()}
    return Turned(wanted, is_due=True, turns={**found.turns, **net})


def _dearer(
    pile: Pile, packs: Packs, chance: Chance, *, row: int, length: int, ways: Sequence[Way], has: float
) -> Iterator[tuple[int, float, Turn]]:
    """Give an item's row, the packs with what is bought ahead, and what that spares; nothing where it does not pay."""
    next_look = chance.review_days
    if ways[0].until_days is None or ways[0].until_days >= next_look:
        return
    spares = days_ahead(
        ways,
        holding=float(packs.holding[row]),
        length=length,
        next_look=next_look,
        most_days=min(chance.most_days, pile.days),
    )
    until = len(spares)
    lacks = pile.mean[row, until] - pile.held[row, until]
    many = min(np.floor(lacks / packs.mg[row] + _HARDLY), np.floor(MOST_SPOOLS / packs.spools[row]))
    if not until or many < packs.first[row] or many <= has:
        return
    # the last of what is bought ahead is drawn on the last of its days
    drawn = np.minimum(np.cumsum(np.diff(pile.mean[row, : until + 1])[::-1]), (many - has) * packs.mg[row])
    spared = float(np.diff(drawn, prepend=0.0) @ spares[::-1])
    if spared > 0:
        later = [way for way in ways[1:] if way.until_days is None or way.until_days >= next_look]
        yield row, float(many), Turn(min(later, key=lambda way: way.minor), spared, ahead_packs=many - has)


class _Left(NamedTuple):
    """What of an item is left for a better price."""

    packs: float
    """Bought today, that it may last until then."""
    turn: Turn
    nothing: Turn
    """The same if nothing of it is bought today."""


def _waiting(
    pile: Pile, packs: Packs, chance: Chance, deal: Deal, *, cycle: Cycle, ways: Sequence[Sequence[Way]]
) -> Turned | None:
    """Buy only what must last until a better price can be ordered; None where nothing is worth waiting for."""
    every = {
        row: _cheaper(pile, packs, chance, row=row, full=float(cycle.packs[row]), ways=ways[row])
        for row in np.flatnonzero(cycle.packs).tolist()
    }
    left = _worth_an_order({row: one for row, one in every.items() if one is not None})
    if not left:
        return None
    rest = cycle.packs.copy()
    rest[list(left)] = 0.0
    others = rest > 0
    waits = ahead(pile.chances(), chance.serves)[others, : chance.review_days]
    waiting = float((pile.lost[others] @ waits).mean()) if others.any() else 0.0
    is_due = waiting >= cycle.worth_minor or bool((waits > pile.risk[others][:, None]).any())
    wanted = rest.copy()
    for row, one in left.items():
        wanted[row] = one.packs
    bridged = sum(one.turn.spared_minor - one.nothing.spared_minor for one in left.values())
    if not is_due and bridged < deal.costs(wanted):
        return Turned(rest, is_due=False, turns={row: one.nothing for row, one in left.items()})
    if not deal.taken(wanted):
        return None
    return Turned(wanted, is_due=True, turns={row: one.turn for row, one in left.items()})


def _worth_an_order(left: dict[int, _Left]) -> dict[int, _Left]:
    """Give what spares more, supplier by supplier, than an order at its better prices costs."""
    spared: dict[int, float] = {}
    for one in left.values():
        spared[one.turn.way.source] = spared.get(one.turn.way.source, 0.0) + one.turn.spared_minor
    return {row: one for row, one in left.items() if spared[one.turn.way.source] > one.turn.way.order_minor}


def _cheaper(pile: Pile, packs: Packs, chance: Chance, *, row: int, full: float, ways: Sequence[Way]) -> _Left | None:
    """Give what of an item is bought now, and what waiting for the better price spares with the rest."""
    look = chance.review_days
    coming = [
        one
        for one in ways[1:]
        if one.from_days > 0
        and one.minor < ways[0].minor * _CHEAPER
        and (one.until_days is None or one.until_days >= look)
    ]
    if not coming:
        return None
    way = min(coming, key=lambda one: (max(one.from_days, look), one.minor))
    order_in = max(way.from_days, look)
    begins = min(ways[0].lead_days, pile.days)
    served = np.concatenate([np.zeros(order_in), np.cumsum(way.serves)])[begins : pile.days + 1]
    first = float(packs.first[row])
    some = np.linspace(first, full, int(np.clip(full - first + 1, 1, _AMOUNTS))).round()
    amounts = np.unique(np.concatenate([[0.0], some, [full]]))
    one = pile.only(np.array([row]))
    out = one.chances_on(np.arange(begins, pile.days + 1), amounts[None, :] * packs.mg[row])[0]
    out *= np.maximum(1.0 - served, 0.0)
    costs = one.lost[0] * out.sum(axis=1)
    costs = np.where((out.max(axis=1) > one.risk[0]) & (amounts < full), np.inf, costs)
    spared = (full - amounts) * packs.mg[row] * (ways[0].minor - way.minor) - costs + costs[-1]
    best = int(spared.argmax())
    if amounts[best] >= full or spared[best] <= 0:
        return None
    turns = [Turn(way, float(spared[at]), waits_days=order_in) for at in (best, 0)]
    return _Left(float(amounts[best]), *turns)
