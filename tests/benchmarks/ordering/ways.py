"""Ways to order in a world of several suppliers: the order plan, the same blind to one thing, and rules of thumb.

`reorder` and the tests call it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from spoolkeep.domain.planned import Lot, Source
from spoolkeep.domain.reorder import plan
from spoolkeep.domain.shortfall import HORIZON, Pile, asked_share
from spoolkeep.domain.terms import SellerTerms
from tests.benchmarks.ordering.game import MONTH, WEEK, at_the_point, filled_above, point_and_lot
from tests.benchmarks.ordering.world import NAMES, SPOOL_MG, Evening, Way, World

Amounts = npt.NDArray[np.float64]

_ANEW_DAYS = 28


@dataclass(frozen=True)
class Sight:
    """What a plan sees of the terms; without anything, all."""

    packs: bool = True
    breaks: bool = True
    baskets: bool = True
    free_freight: bool = True
    order_days: bool = True
    lateness: bool = True
    only: int | None = None
    """The one supplier from whom it buys."""

    def lots(self, lots: Sequence[Lot]) -> list[Lot]:
        """Give the offers as it sees them."""
        seen = [one for one in lots if self.only in {None, one.source}]
        if not self.packs:
            seen = [one._replace(terms=replace(one.terms, pack=1)) for one in seen]
        if not self.breaks:
            seen = [one._replace(terms=replace(one.terms, breaks=())) for one in seen]
        return seen

    def seller(self, terms: SellerTerms) -> SellerTerms:
        """Give a supplier's terms as it sees them."""
        seen = terms if self.free_freight else replace(terms, free_from_minor=None)
        return seen if self.baskets else replace(seen, basket=())


ALL = Sight()
BLIND = {
    "packs of two taken as singles": Sight(packs=False),
    "blind to price breaks": Sight(breaks=False),
    "blind to the basket break": Sight(baskets=False),
    "blind to free freight": Sight(free_freight=False),
    "blind to the order day": Sight(order_days=False),
    "lead time as its mean": Sight(lateness=False),
    **{f"only {name}": Sight(only=at) for at, name in enumerate(NAMES)},
}


def planned(world: World, sight: Sight = ALL, *, review_days: int = 1) -> Way:
    """Give the order plan's way, looked at every so many days."""
    lots = sight.lots(world.lots)
    house = replace(world.house, review_days=review_days)

    def way(evening: Evening) -> Mapping[int, int]:
        if (evening.day - world.first) % review_days:
            return {}
        sources = [source(world, at, evening.day, sight) for at in range(len(world.suppliers))]
        told = plan(pile(world, evening), lots, sources, house)
        return {line.lot.terms.offer_id: line.spools for line in told.lines if line.lot and line.spools}

    return way


def serves(world: World, source: int, day: int, sight: Sight = ALL) -> Amounts:
    """Give the chance that each coming day is the first that an order of this evening serves."""
    supplier = world.suppliers[source]
    wait = supplier.wait(day) if sight.order_days else 0
    found = np.zeros(HORIZON + 1)
    if not sight.lateness:
        found[wait + max(1, round(supplier.learned.mean))] = 1.0
        return found
    for days, chance in enumerate(supplier.learned.chance):
        found[min(wait + max(days, 1), HORIZON)] += chance
    return found


def source(world: World, at: int, day: int, sight: Sight = ALL) -> Source:
    """Give a supplier as a plan sees it on an evening."""
    supplier = world.suppliers[at]
    terms = sight.seller(supplier.terms)
    idle = supplier.wait(day)
    taken = (idle, supplier.wait(day + idle + 1) + 1) if sight.order_days else (0, 1)
    return Source(terms, serves(world, at, day, sight), *taken)


def pile(world: World, evening: Evening) -> Pile:
    """Give how the items stand, what is on its way taken to come when it comes in the middle."""
    mean, variance = world.told(evening.day)
    held = np.repeat(evening.here[:, None], HORIZON + 1, axis=1)
    for one in evening.coming:
        sent = one.placed + world.suppliers[one.source].wait(one.placed)
        lead = world.suppliers[one.source].learned
        due = sent + lead.quantile(0.5, after=max(evening.day - sent, -1)) - evening.day
        held[:, min(max(due, 1), HORIZON) :] += one.mg[:, None]
    lost = world.lost_minor * asked_share(world.asked[:, : evening.day + 1])
    return Pile(mean, variance, held, lost, np.ones(world.items))


# ---- rules of thumb


@dataclass(frozen=True)
class Cheapest:
    """The lot of each item whose spool costs least, of all suppliers or of one."""

    at: npt.NDArray[np.intp]
    lead_days: Amounts

    @classmethod
    def of(cls, world: World, only: int | None = None) -> "Cheapest":
        """Choose them."""
        theirs: list[list[int]] = [[] for _ in range(world.items)]
        for number, lot in enumerate(world.lots):
            if only in {None, lot.source}:
                theirs[lot.item].append(number)
        at = np.array([min(some, key=lambda number: world.lots[number].terms.price_minor) for some in theirs])
        mean = [one.learned.mean + (WEEK - len(one.takes_orders)) / 2 for one in world.suppliers]
        return cls(at, np.array([mean[world.lots[number].source] for number in at]))

    def spools(self, wanted: Amounts) -> dict[int, int]:
        """Give the spools by lot."""
        return {int(number): int(many) for number, many in zip(self.at, wanted, strict=True) if many > 0}


def when_last_is_opened(world: World) -> Way:
    """Order one spool, where it costs least, when the last is opened."""
    chosen = Cheapest.of(world)

    def way(evening: Evening) -> Mapping[int, int]:
        return chosen.spools(((evening.here <= SPOOL_MG) & (evening.position <= evening.here)).astype(np.float64))

    return way


def each_alone(world: World) -> Way:
    """Fill each item alone, where it costs least, by the mean of thirty days and half as much again."""
    chosen = Cheapest.of(world)
    return lambda evening: chosen.spools(
        filled_above(_mean(world, evening.day), evening.position, chosen.lead_days, spool=SPOOL_MG)
    )


def weekly_together(world: World, only: int | None = None) -> Way:
    """Do so once a week, with a week more in the minimum."""
    chosen = Cheapest.of(world, only)

    def way(evening: Evening) -> Mapping[int, int]:
        if (evening.day - world.first) % WEEK:
            return {}
        mean = _mean(world, evening.day)
        return chosen.spools(filled_above(mean, evening.position, chosen.lead_days + WEEK, spool=SPOOL_MG))

    return way


def by_textbook(world: World) -> Way:
    """Order each item alone by (r, Q), where it costs least; its parcel counts for it alone."""
    chosen = Cheapest.of(world)
    points: dict[int, tuple[Amounts, Amounts]] = {}
    holding = world.prices * world.house.carry_a_day + world.house.room_minor_a_day / SPOOL_MG
    parcels = [one.terms.parcel_minor for one in world.suppliers]
    usual = float(np.mean([parcels[world.lots[number].source] for number in chosen.at]))

    def way(evening: Evening) -> Mapping[int, int]:
        month = evening.day // _ANEW_DAYS
        if month not in points:
            points[month] = point_and_lot(
                world.asked[:, evening.day + 1 - 3 * MONTH : evening.day + 1],
                chosen.lead_days,
                order_cost=world.house.order_minor + usual,
                holding=holding,
                out_cost=world.lost_minor,
            )
        return chosen.spools(at_the_point(points[month], evening.position, SPOOL_MG))

    return way


def _mean(world: World, day: int) -> Amounts:
    return np.asarray(world.asked[:, day + 1 - MONTH : day + 1].mean(axis=1))
