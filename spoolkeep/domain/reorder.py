"""What to order today, from whom, how much and why, for all items and suppliers together; and when to order next.

The Orders page and the command line call `plan`; `Planner` is the public door, the same rule for one supplier. It must
not know a clock, nor word its reasons: those are a code and figures, which each page says in its own language.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from spoolkeep.domain.dated import Way
from spoolkeep.domain.demand import Outlook
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.ordering import MONTH, WEEK, Limits, Ordered, ever, lasts, needed_by, rates
from spoolkeep.domain.planned import House, Line, Lot, Plan, Source, SourcePlan, State, Turns
from spoolkeep.domain.replenish import Chance, Deal, Packs, ahead, best_cycle
from spoolkeep.domain.shortfall import HORIZON, Floats, Pile, Whole, asked_share, expected
from spoolkeep.domain.sources import Sourcing, assigned
from spoolkeep.domain.terms import PPM


def plan(pile: Pile, lots: Sequence[Lot], sources: Sequence[Source], house: House) -> Plan:
    """Give what to order of each item today, from whom, and why; amounts of the pile are milligrams.

    Each item is bought where goods and parcels cost least in the long run (sources), but from who comes soon enough
    where it may run out before. Each supplier's order is weighed by itself (replenish); of several the most urgent
    takes first of budget and room.
    Errors: BadInput where an item's draw has no end that can be told.
    """
    if not all(np.isfinite(one).all() for one in (pile.mean, pile.variance, pile.held)):
        raise BadInput("endless_demand", "What will be drawn of an item has no end. Look at what is known ahead of it.")
    chosen = _Chosen.of(pile, lots, sources, house)
    plans: dict[int, SourcePlan] = {}
    lines: dict[int, Line] = {}
    left = Limits(house.budget_minor, house.room_spools)
    for source in _most_urgent_first(pile, chosen, sources, house):
        rows = np.flatnonzero(chosen.at == source)
        picked = [chosen.lots[row][source] for row in rows]
        ways = [chosen.ways(int(row), lot) for row, lot in zip(rows, picked, strict=True)]
        done = Ordered.of(pile.only(rows), picked, sources[source], house, left=left, ways=ways)
        left = left.less(done)
        plans[source] = done.told(source)
        passed = [chosen.passed_over.get(int(row)) for row in rows]
        lines.update(zip(rows.tolist(), done.lines(rows, passed), strict=True))
    nobodys = ahead(ever(pile.chances()), _soon(sources), before=True)
    for row in np.flatnonzero(chosen.at < 0).tolist():
        lines[row] = _nobodys(pile, row, nobodys, min(chosen.dated.get(row, ()), key=_begins, default=None))
    return Plan(tuple(lines[row] for row in range(len(pile.lost))), tuple(plans[one] for one in sorted(plans)))


@dataclass(frozen=True)
class _Chosen:
    """From whom each item is bought."""

    at: Whole
    lots: list[dict[int, Lot]]
    """By item, the best lot of each source."""
    passed_over: dict[int, Lot]
    dated: dict[int, list[Way]]
    """By item, every way in which it can be bought now or later, where any of them has a date."""

    def ways(self, row: int, lot: Lot) -> list[Way]:
        """Give the ways to buy an item in time, first the lot by which it is bought today; none without a date."""
        its = lot.terms.offer_id
        return sorted(self.dated.get(row, ()), key=lambda one: one.offer_id != its)

    @classmethod
    def of(cls, pile: Pile, lots: Sequence[Lot], sources: Sequence[Source], house: House) -> "_Chosen":
        pace = pile.mean[:, -1] / pile.days
        best: list[dict[int, Lot]] = [{} for _ in pile.lost]
        shape = (len(pile.lost), len(sources))
        goods, lies, worth = np.full(shape, np.inf), np.zeros(shape), np.zeros(shape)
        off_ppm = _usual_off(pace, [lot for lot in lots if not lot.from_days], sources)
        dated = {lot.item for lot in lots if lot.from_days or lot.until_days is not None}
        ways: dict[int, list[Way]] = {item: [] for item in dated}
        none = np.full(len(sources), house.order_minor)
        for lot in lots:
            rate, holding, price = rates(lot, pace[lot.item], house, off_ppm=off_ppm[lot.source])
            if lot.item in dated:
                ways[lot.item].append(_way(lot, price, sources[lot.source], house))
            if not lot.from_days and rate < goods[lot.item, lot.source]:
                best[lot.item][lot.source] = lot
                goods[lot.item, lot.source] = rate
                lies[lot.item, lot.source] = holding * pace[lot.item]
                worth[lot.item, lot.source] = price * pace[lot.item]
        sellers = [one.seller for one in sources]
        parcels = np.array([one.parcel_minor for one in sellers], dtype=np.float64)
        free = [np.inf if one.free_from_minor is None else float(one.free_from_minor) for one in sellers]
        at = assigned(Sourcing(goods, lies, worth, none + parcels, none, np.array(free)))
        hurried, passed_over = _hurried(pile, goods * MONTH, at, sources=sources, order=none + parcels)
        return cls(hurried, best, {row: best[row][int(at[row])] for row in passed_over}, ways)


def _way(lot: Lot, price: float, source: Source, house: House) -> Way:
    order = house.order_minor + source.seller.parcel_minor
    beside = lot.beside_minor_per_kg / 1e6
    return Way(lot.terms.offer_id, lot.source, price, beside, source.serves, order, lot.from_days, lot.until_days)


def _usual_off(pace: Floats, lots: Sequence[Lot], sources: Sequence[Source]) -> list[int]:
    """Give what each supplier's basket takes off a month's draw of the items that are then cheapest there, in ppm."""
    usual = np.full((len(pace), len(sources)), np.inf)
    spools = np.zeros_like(usual)
    for lot in lots:
        price = lot.terms.price_minor / lot.terms.spool_mg
        if price < usual[lot.item, lot.source]:
            usual[lot.item, lot.source] = price
            spools[lot.item, lot.source] = pace[lot.item] * MONTH / lot.terms.spool_mg
    found = []
    for at, one in enumerate(sources):
        lowered = usual[:, at] * (1.0 - one.seller.most_off_ppm / PPM)
        theirs = np.isfinite(lowered) & (lowered <= usual.min(axis=1, initial=np.inf))
        found.append(one.seller.off_ppm(int(spools[theirs, at].sum())))
    return found


def _hurried(
    pile: Pile, month: Floats, at: Whole, *, sources: Sequence[Source], order: Floats
) -> tuple[Whole, list[int]]:
    """Give the suppliers once more, of items that would run out before they come from who comes sooner; and which.

    Sooner is worth what runs out less until then; it costs the dearer price of a month's draw, and an order where one
    of the supplier's is not due.
    """
    if not sources:
        return at, []
    daily = pile.chances() * pile.lost[:, None]
    lost = np.stack([daily[:, 1:] @ (1.0 - np.cumsum(one.serves)[1:]) for one in sources], axis=1)
    busy = np.array([lost[at == one].sum() for one in range(len(sources))]) > order
    found, passed_over = at.copy(), []
    for row in np.flatnonzero(at >= 0).tolist():
        whole = lost[row] + month[row] + np.where(busy, 0.0, order)
        whole[at[row]] -= 0.0 if busy[at[row]] else order[at[row]]
        best = int(whole.argmin())
        if best != at[row] and whole[best] < whole[at[row]]:
            found[row] = best
            passed_over.append(row)
    return found, passed_over


def _most_urgent_first(pile: Pile, chosen: _Chosen, sources: Sequence[Source], house: House) -> list[int]:
    daily = pile.chances() * pile.lost[:, None]
    waits = [ahead(daily[chosen.at == at], one.serves)[:, : house.review_days].sum() for at, one in enumerate(sources)]
    theirs = [at for at in range(len(sources)) if (chosen.at == at).any()]
    return sorted(theirs, key=lambda at: (-float(waits[at]), at))


def _soon(sources: Sequence[Source]) -> Floats:
    """Give when an order of what nobody sells yet would serve: as the first supplier's, else in a week."""
    if sources:
        return sources[0].serves
    found = np.zeros(HORIZON + 1)
    found[WEEK] = 1.0
    return found


def _begins(way: Way) -> tuple[int, float]:
    return way.from_days, way.minor


def _nobodys(pile: Pile, row: int, before: Floats, first: Way | None) -> Line:
    held_for = int(lasts(pile, np.zeros(len(pile.lost)))[row])
    return Line(
        item=row,
        state=State.NOBODY,
        lot=None,
        spools=0,
        cause=None,
        raised=False,
        chance_now=float(before[row, 0]),
        chance_week=float(before[row, WEEK]),
        order_by_days=None,
        needed_days=needed_by(pile.only(np.array([row])).chances())[0],
        lasts_days=held_for,
        daily=float(pile.mean[row, MONTH] / MONTH),
        after=(),
        passed_over=None,
        turn=None if first is None else Turns(first.offer_id, 0.0, 0, first.from_days),
    )


class Economics(Protocol):
    """What `Planner` reads of a shop whose items are bought from one supplier, as single spools of one size."""

    spool: float
    """Grams."""
    order_cost: float
    out_cost: float
    """A day on which an item has run out, if it is asked for."""
    lead: tuple[int, int]
    """Days, the fewest and the most, all as likely."""

    @property
    def h(self) -> float:
        """Give what a gram costs that lies for a day."""


class Planner:
    """The public door: the plan of one supplier's order, as the Orders page makes it.

    `history` is (items, days) of grams, oldest first, up to and with today; `on_hand` and `on_order` are grams,
    (items,). Gives spools to order this evening, (items,), or None.
    """

    def __call__(
        self, history: npt.ArrayLike, on_hand: npt.ArrayLike, on_order: npt.ArrayLike, econ: Economics
    ) -> Floats | None:
        """Give spools to order this evening, or None."""
        grams = np.asarray(history, dtype=np.float64)
        position = np.asarray(on_hand, dtype=np.float64) + np.asarray(on_order, dtype=np.float64)
        mean, variance = expected(Outlook.of(grams, HORIZON, season=WEEK))
        held = np.repeat(position[:, None], HORIZON + 1, axis=1)
        items = len(grams)
        pile = Pile(mean, variance, held, econ.out_cost * asked_share(grams), np.ones(items))
        serves = np.zeros(HORIZON + 1)
        serves[econ.lead[0] : econ.lead[1] + 1] = 1.0 / (econ.lead[1] - econ.lead[0] + 1)
        single = np.ones(items)
        packs = Packs(econ.spool * single, single, single, single, econ.h * single)
        deal = Deal(lambda _: econ.order_cost, lambda _: 0.0, lambda wanted, _: wanted)
        cycle = best_cycle(pile, packs, Chance(serves, econ.order_cost), deal)
        return cycle.packs if cycle.is_due and cycle.packs.any() else None
