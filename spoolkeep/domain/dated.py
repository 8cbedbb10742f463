"""What prices with days do to an order: what becomes dearer is bought ahead, what becomes cheaper is waited for.

The order plan calls it once a supplier's order is weighed. It must not know a clock, names, or other suppliers' orders.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from spoolkeep.domain.replenish import Chance, Cycle, Deal, Packs, ahead
from spoolkeep.domain.shortfall import Floats, Pile
from spoolkeep.domain.terms import MOST_SPOOLS

_HARDLY = 1e-9
_CHEAPER = 0.999
"""Below which part of today's price another is waited for. Source: our own choice."""
_AMOUNTS = 60
"""Amounts that are weighed at most of what must last until a better price."""
_PARTS = (1.0, 0.75, 0.5, 0.25)
_LIKELY = 0.5
_NINE_IN_TEN = 1.28


@dataclass(frozen=True)
class Way:
    """One way to buy an item: what it costs, when it can be ordered, and when such an order would serve."""

    offer_id: int
    source: int
    price: float
    """Of a milligram."""
    beside: float
    """What a milligram costs beside its price."""
    serves: Floats
    """See Chance."""
    order_minor: float
    """What an order of its supplier costs, with its parcel."""
    from_days: int = 0
    """In how many days it can be ordered first."""
    until_days: int | None = None
    """In how many days it can be ordered last; None without an end."""

    @property
    def minor(self) -> float:
        """Give what a milligram costs in all."""
        return self.price + self.beside

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
    """By what is bought ahead, or by what is left until then; less what an order costs that is placed for it."""
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
    turns: Mapping[int, Turn]
    """By item, where another price bears on it."""


@dataclass(frozen=True)
class Weighed:
    """A supplier's order before the prices to come, and what it was weighed by."""

    pile: Pile
    packs: Packs
    chance: Chance
    deal: Deal
    cycle: Cycle
    ways: Sequence[Sequence[Way]]
    """Of each item, first the one it is bought by; none where no price has a date."""

    def cost(self, wanted: Floats) -> float:
        """Give what an order costs with its parcel and the hand; nothing where it is none."""
        return self.deal.goods(wanted) + self.deal.costs(wanted) if wanted.any() else 0.0

    def gain(self, row: int, way: Way) -> float:
        """Give by how much a milligram of an item costs less by a way than by the one it is bought by."""
        return self.ways[row][0].minor - way.minor


def turned(order: Weighed) -> Turned:
    """Give an order as the prices to come leave it.

    What a better price is coming for is bought only as far as it must last, where the bills of both orders and what may
    run out until then come to less. What becomes dearer before the next look, or is sold by nobody for a while, is
    bought ahead for as long as what lies costs less than it spares; where that alone spares more than an order costs,
    it is a reason to order.
    Source: an announced change of price (Silver, Pyke and Peterson 1998, section 5.9, from memory): bought ahead for
    (price to come - price) / what a unit costs that lies a day, beyond the usual order. What must last is our own rule.
    """
    found = Turned(order.cycle.packs, order.cycle.is_due, {})
    if any(order.ways):
        found = _waiting(order) if found.is_due else found
        found = _bought_ahead(order, found)
    return found


def days_ahead(
    ways: Sequence[Way], *, holding: float, length: int, next_look: int, most_days: int, short_minor: float = 0.0
) -> Floats:
    """Give what a milligram spares that is drawn on each coming day, if it is bought today by the first way.

    (days,), from tomorrow on, as far as that is more than nothing, at most `most_days`. Bought later, it shares an
    order that lasts `length` days and lies for half of it; `holding` is what a milligram costs that lies for a day. On
    days that no later order serves, it spares `short_minor`. Nothing where neither is so, or where nobody is known to
    sell it later: what it costs then is not guessed.
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
    least = later[np.isfinite(later)].max()
    spares = np.where(np.isfinite(later), later - now, np.maximum(least - now, short_minor))
    ends = np.flatnonzero((days > today.lead_days) & (spares <= _HARDLY * today.minor))
    found = spares[: int(ends[0])] if len(ends) else spares
    has_gap = int(np.isfinite(later).argmax()) >= next_look + today.lead_days
    return np.asarray(found if has_gap or len(found) > today.lead_days + length else np.zeros(0))


def to_come(ways: Sequence[Way]) -> Way | None:
    """Give what an item is bought by when its price changes: a better way that begins, else what follows its end."""
    today = ways[0]
    better = _coming(ways)
    if today.until_days is not None and not better:
        last = today.until_days
        better = [one for one in ways[1:] if one.until_days is None or one.until_days > last]
    return min(better, key=lambda one: (one.from_days, one.minor), default=None)


def _bought_ahead(order: Weighed, found: Turned) -> Turned:
    """Buy ahead of what becomes dearer, what spares most for its money first, as far as the limits let it."""
    wanted, turns = found.packs.copy(), {}
    if not found.is_due:
        wanted[[row for row, ways in enumerate(order.ways) if _coming(ways)]] = 0.0
    offers = [one for row in range(len(order.ways)) if row not in found.turns for one in _dearer(order, row, found)]
    for row, turn in sorted(offers, key=lambda one: -one[1].spared_minor / max(one[1].ahead_packs, 1.0)):
        for part in _PARTS:
            more = np.floor(turn.ahead_packs * part)
            tried = wanted.copy()
            tried[row] = max(tried[row], tried[row] * found.is_due + more, order.packs.first[row])
            if more and order.deal.fits(tried):
                more = tried[row] - wanted[row] * found.is_due
                wanted, turns[row] = tried, replace(turn, ahead_packs=more, spared_minor=turn.spared_minor * part)
                break
    spared = sum(one.spared_minor for one in turns.values())
    order_minor = 0.0
    if not found.is_due:
        order_minor = order.deal.costs(wanted) - order.cycle.waiting_minor * order.chance.review_days
    if not turns or spared <= order_minor or not order.deal.taken(wanted):
        return found
    net = 1.0 - max(order_minor, 0.0) / spared
    told = {row: replace(one, spared_minor=one.spared_minor * net) for row, one in turns.items()}
    return Turned(wanted, is_due=True, turns={**found.turns, **told})


def _dearer(order: Weighed, row: int, found: Turned) -> Iterator[tuple[int, Turn]]:
    """Give an item's row with what of it is bought ahead, and what that spares; nothing where it does not pay."""
    pile, packs, look, ways = order.pile, order.packs, order.chance.review_days, order.ways[row]
    if not ways or ways[0].until_days is None or ways[0].until_days >= look:
        return
    daily = max(float(pile.mean[row, -1]) / pile.days, _HARDLY)
    spares = days_ahead(
        ways,
        holding=float(packs.holding[row]),
        length=order.cycle.days,
        next_look=look,
        most_days=min(order.chance.most_days, pile.days),
        short_minor=max(float(pile.lost[row]) / daily, ways[0].minor),
    )
    until = len(spares)
    has = float(found.packs[row]) * found.is_due
    lacks = (pile.mean[row, until] - pile.held[row, until]) / packs.mg[row]
    many = np.floor(lacks + _HARDLY)
    if any(one.from_days > look for one in ways[1:]):  # nobody sells it for a while: it must last, come what may
        many = np.ceil(lacks + _NINE_IN_TEN * np.sqrt(pile.variance[row, until]) / packs.mg[row])
    many = min(many, np.floor(MOST_SPOOLS / packs.spools[row]))
    if not until or many < packs.first[row] or many <= has:
        return
    # the last of what is bought ahead is drawn on the last of its days
    drawn = np.minimum(np.cumsum(np.diff(pile.mean[row, : until + 1])[::-1]), (many - has) * packs.mg[row])
    spared = float(np.diff(drawn, prepend=0.0) @ spares[::-1])
    if spared > 0:
        later = [way for way in ways[1:] if way.until_days is None or way.until_days >= look]
        yield row, Turn(min(later, key=lambda way: (way.from_days, way.minor)), spared, ahead_packs=many - has)


@dataclass(frozen=True)
class _Left:
    """What of an item is left for a better price."""

    way: Way
    packs: float
    """Bought today, that it may last until then."""
    full: float
    """Bought without it."""
    later_minor: float
    """What the rest costs then, with what may run out until then."""
    nothing_minor: float
    """The same if nothing of it is bought today; infinite where that will not do."""


def _waiting(order: Weighed) -> Turned:
    """Buy only what must last until a better price can be ordered, or nothing today, where all then costs less."""
    full = order.cycle.packs
    every = {row: _cheaper(order, row) for row in np.flatnonzero(full).tolist()}
    left = {row: one for row, one in every.items() if one is not None}
    plain = Turned(full, is_due=True, turns={})
    if not left:
        return plain
    rest = full.copy()
    rest[list(left)] = 0.0
    some = rest.copy()
    for row, one in left.items():
        some[row] = one.packs
    orders_then = sum({one.way.source: one.way.order_minor for one in left.values()}.values())
    cost = order.cost(some) + sum(one.later_minor for one in left.values()) + orders_then
    joins = any(one.way.source == order.ways[row][0].source for row, one in left.items())
    nothing = order.deal.goods(rest) if joins else order.cost(rest)
    nothing += sum(one.nothing_minor for one in left.values()) + orders_then
    best = Turned(some, is_due=True, turns={})
    if nothing <= cost and not _presses(order, rest):
        best, cost = Turned(rest, is_due=False, turns={}), nothing
    spared = order.cost(full) - cost
    if spared <= 0 or (best.is_due and not (order.deal.taken(some) and order.deal.fits(some))):
        return plain
    today = best.packs * best.is_due
    gains = {row: (one.full - today[row]) * order.packs.mg[row] * order.gain(row, one.way) for row, one in left.items()}
    whole = max(sum(gains.values()), _HARDLY)
    turns = {row: Turn(one.way, spared * gains[row] / whole, waits_days=one.way.from_days) for row, one in left.items()}
    return replace(best, turns=turns)


def _presses(order: Weighed, rest: Floats) -> bool:
    """Tell whether what is not waited for is a reason to order by itself."""
    some = rest > 0
    waits = ahead(order.pile.chances(), order.chance.serves)[some, : order.chance.review_days]
    if not some.any():
        return False
    waiting = float((order.pile.lost[some] @ waits).mean())
    return waiting >= order.cycle.worth_minor or bool((waits > order.pile.risk[some][:, None]).any())


def _cheaper(order: Weighed, row: int) -> _Left | None:
    """Give what of an item is bought now and what the rest costs at the better price, where one comes in time.

    In time is before the order of today would be used up, and while it is not likely to run out.
    """
    packs, ways, full = order.packs, order.ways[row], float(order.cycle.packs[row])
    coming = [one for one in _coming(ways) if one.from_days <= ways[0].lead_days + order.cycle.days]
    if not coming:
        return None
    way = min(coming, key=lambda one: (one.from_days, one.minor))
    first, mg = float(packs.first[row]), float(packs.mg[row])
    some = np.linspace(first, full, int(np.clip(full - first + 1, 1, _AMOUNTS))).round()
    amounts = np.unique(np.concatenate([[0.0], some, [full]]))
    costs, allowed = _short(order, row, way, amounts)
    then = (full - amounts) * mg * (way.minor - ways[0].beside) + costs
    whole = amounts * mg * ways[0].price + np.where(allowed, then, np.inf)
    best = int(whole.argmin())
    if amounts[best] >= full or not np.isfinite(whole[best]):
        return None
    nothing = float(then[0]) if allowed[0] else np.inf
    return _Left(way, float(amounts[best]), full, float(then[best]), nothing)


def _coming(ways: Sequence[Way]) -> list[Way]:
    """Give the better ways that begin later."""
    return [one for one in ways[1:] if one.from_days > 0 and one.minor < ways[0].minor * _CHEAPER]


def _short(order: Weighed, row: int, way: Way, amounts: Floats) -> tuple[Floats, Floats]:
    """Give what it costs that an item runs out until an order at the better price serves, and where that will do."""
    one, today = order.pile.only(np.array([row])), order.ways[row][0]
    begins = min(today.lead_days, one.days)
    served = np.concatenate([np.zeros(way.from_days), np.cumsum(way.serves)])[begins : one.days + 1]
    out = one.chances_on(np.arange(begins, one.days + 1), amounts[None, :] * order.packs.mg[row])[0]
    out *= np.maximum(1.0 - served, 0.0)
    most = out.max(axis=1, initial=0.0)
    full = amounts >= amounts[-1]
    allowed = full | (most <= np.minimum(one.risk[0], _LIKELY))
    return np.asarray(one.lost[0] * (out.sum(axis=1) - out[-1].sum())), np.asarray(allowed)
