"""A workshop's year of ordering from several suppliers: their terms, their days, their lateness, and what it all costs.

`reorder` and the tests call it; `ways` are what it tries. Milligrams and minor units. The world does not know rules:
whatever is ordered is rounded up to whole packs, billed with breaks, baskets and freight, and comes when it comes.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from spoolkeep.domain.demand import Outlook
from spoolkeep.domain.leadtimes import Delivered, LeadTime
from spoolkeep.domain.planned import House, Lot
from spoolkeep.domain.shortfall import HORIZON, expected
from spoolkeep.domain.terms import Bought, OfferTerms, SellerTerms, bill, up_to
from tests.benchmarks.ordering.game import COVER_DAYS, MONTH, WEEK, YEAR, drawn

Amounts = npt.NDArray[np.float64]
Rng = np.random.Generator

SPOOL_MG = 1_000_000
CHEAP, QUICK, MIDDLE = 0, 1, 2
NAMES = ("slow and cheap", "quick and dear", "in between")
_PARTS = ((1720, 690, 15_000), (1900, 490, 9_900), (1800, 590, 20_000))
"""By supplier: price of a spool, parcel, free freight. Source: our own choice."""
_LEADS = ((8.0, 2.0), (2.0, 0.5), (4.0, 1.0))
"""By supplier: days in the mean and their scatter, of those that are not late."""
_LATE_SHARE = 0.1
_ASTRAY_DAYS = 5.0
_PAST_DELIVERIES = 25
_LATEST = 40
_PACK, _PACK_SHARE, _PACK_OFF = 2, 0.4, 0.06
_BREAK_FROM, _BREAK_OFF = 10, 0.08
_BASKET = ((10, 40_000),)
_TUESDAY = 1
_SEEN = 500.0


@dataclass(frozen=True)
class Supplier:
    """A supplier as it is, and what the workshop learned of its lead time."""

    terms: SellerTerms
    takes_orders: tuple[int, ...]
    """Weekdays on which it takes orders."""
    lead: Amounts
    """The chance of each lead time, from 0 days on."""
    learned: LeadTime

    def wait(self, day: int) -> int:
        """Give for how many days an order of this evening waits."""
        return next(more for more in range(WEEK) if (day + more) % WEEK in self.takes_orders)


@dataclass(frozen=True)
class World:
    """A workshop, its suppliers and two years of what is asked, of which the second is lived."""

    asked: Amounts
    """(items, days), milligrams."""
    suppliers: Sequence[Supplier]
    lots: Sequence[Lot]
    """Each offer's number is its place."""
    house: House
    lost_minor: float
    """What a day costs on which an item that is asked for has run out."""
    first: int
    seed: int
    _told: dict[int, tuple[Amounts, Amounts]] = field(default_factory=dict)

    @property
    def items(self) -> int:
        """Give the items."""
        return len(self.asked)

    def told(self, day: int) -> tuple[Amounts, Amounts]:
        """Give the forecast of an evening, the same for whoever asks."""
        if day not in self._told:
            self._told[day] = expected(Outlook.of(self.asked[:, : day + 1], HORIZON, season=WEEK))
        return self._told[day]

    @cached_property
    def prices(self) -> Amounts:
        """Give the least usual price of a milligram of each item, (items,)."""
        found = np.full(self.items, np.inf)
        for lot in self.lots:
            found[lot.item] = min(found[lot.item], lot.terms.price_minor / lot.terms.spool_mg)
        return found

    @cached_property
    def leads(self) -> npt.NDArray[np.int64]:
        """Give how long an order that a supplier takes on a day travels, (suppliers, days), the same for all ways."""
        rng = np.random.default_rng(10_000 + self.seed)
        days = self.asked.shape[1] + WEEK
        return np.stack([rng.choice(len(one.lead), days, p=one.lead) for one in self.suppliers])

    @property
    def opening(self) -> Amounts:
        """Give what every way begins with, in milligrams."""
        mean = self.asked[:, self.first - MONTH : self.first].mean(axis=1)
        return np.asarray(np.maximum(np.ceil(1.5 * COVER_DAYS * mean / SPOOL_MG), 1.0) * SPOOL_MG)


class Coming(NamedTuple):
    """What is on its way."""

    source: int
    placed: int
    due: int
    mg: Amounts


class Evening(NamedTuple):
    """What the workshop knows when it looks at its orders."""

    day: int
    here: Amounts
    coming: tuple[Coming, ...]

    @property
    def position(self) -> Amounts:
        """Give what is here and on order, (items,)."""
        return np.asarray(self.here + sum(one.mg for one in self.coming))


Way = Callable[[Evening], Mapping[int, int]]
"""What to order: spools by lot."""


@dataclass
class Lived:
    """What a year came to, in minor units."""

    goods: float = 0.0
    parcels: float = 0.0
    minutes: float = 0.0
    lying: float = 0.0
    lost: float = 0.0
    out_days: int = 0
    orders: int = 0
    spools: int = 0
    stock_mg: float = 0.0
    """What lay, on average."""

    @property
    def total(self) -> float:
        """Give what it cost."""
        return self.goods + self.parcels + self.minutes + self.lying + self.lost


def lived(world: World, way: Way) -> Lived:
    """Live the year. What is left at its end is taken off the goods, at the item's least price."""
    here, coming, found = world.opening, list[Coming](), Lived()
    days = world.asked.shape[1]
    lies = world.prices * world.house.carry_a_day + world.house.room_minor_a_day / SPOOL_MG
    for day in range(world.first, days):
        for one in coming:
            here = here + one.mg * (one.due == day)
        coming = [one for one in coming if one.due > day]
        asked = world.asked[:, day]
        out = int((asked > here + _SEEN).sum())
        found.out_days, found.lost = found.out_days + out, found.lost + out * world.lost_minor
        here = np.maximum(here - asked, 0.0)
        found.lying += float(lies @ here)
        found.stock_mg += float(here.sum()) / (days - world.first)
        coming += _placed(world, way(Evening(day, here.copy(), tuple(coming))), day, found)
    left = Evening(days, here, tuple(coming)).position - world.opening
    found.goods -= float(world.prices @ left)
    return found


def _placed(world: World, wanted: Mapping[int, int], day: int, found: Lived) -> list[Coming]:
    """Place what is wanted, an order a supplier, and count what it costs."""
    placed = []
    for source, supplier in enumerate(world.suppliers):
        lots = {at: spools for at, spools in wanted.items() if spools and world.lots[at].source == source}
        if not lots:
            continue
        bought = [(world.lots[at], _sold(world.lots[at].terms, spools)) for at, spools in lots.items()]
        comes_to = bill([Bought(lot.terms, spools) for lot, spools in bought], supplier.terms)
        mg = np.zeros(world.items)
        for lot, spools in bought:
            mg[lot.item] += spools * lot.terms.spool_mg
        found.goods, found.parcels = found.goods + comes_to.goods_minor, found.parcels + comes_to.freight_minor
        found.minutes, found.orders = found.minutes + world.house.order_minor, found.orders + 1
        found.spools += sum(spools for _, spools in bought)
        sent = day + supplier.wait(day)
        placed.append(Coming(source, day, sent + int(world.leads[source, sent]), mg))
    return placed


def _sold(terms: OfferTerms, spools: int) -> int:
    return up_to(max(spools, terms.least_spools), terms.pack)


def world(seed: int, *, items: int = 30, spools_a_year: int = 600, orders_cost: float = 600.0) -> World:
    """Make a workshop with its three suppliers, by a seed."""
    rng = np.random.default_rng(seed)
    asked = drawn(rng, items, 2 * YEAR, grams_a_day=spools_a_year * 1000.0 / YEAR) * 1000.0
    suppliers = [_supplier(rng, at) for at in range(len(NAMES))]
    house = House(order_minor=orders_cost, carry_a_day=0.2 / YEAR, room_minor_a_day=20 / 30.0)
    return World(asked, suppliers, _lots(rng, items), house, lost_minor=4200.0, first=YEAR, seed=seed)


def _supplier(rng: Rng, at: int) -> Supplier:
    _, parcel, free_from = _PARTS[at]
    terms = SellerTerms(at, parcel, free_from, basket=_BASKET if at == CHEAP else ())
    usual, scatter = _LEADS[at]
    days = np.arange(_LATEST + 1)
    around = np.where(days > 0, np.exp(-(((days - usual) / scatter) ** 2) / 2), 0.0)
    late = np.where(days > usual, np.exp(-(days - usual) / _ASTRAY_DAYS), 0.0)
    lead = (1 - _LATE_SHARE) * around / around.sum() + _LATE_SHARE * late / late.sum()
    past = [Delivered(int(one)) for one in rng.choice(len(lead), _PAST_DELIVERIES, p=lead)]
    learned = LeadTime.learned(past, prior=LeadTime.said(usual, 2 * scatter))
    return Supplier(terms, (_TUESDAY,) if at == CHEAP else tuple(range(WEEK)), lead, learned)


def _lots(rng: Rng, items: int) -> list[Lot]:
    """Give every way to buy each item: of each supplier one, of the cheap one some in packs of two, cheaper a spool."""
    found: list[Lot] = []
    like = rng.normal(1.0, 0.1, items)
    for item in range(items):
        for source, (usual, _, _) in enumerate(_PARTS):
            price = round(usual * like[item] * rng.normal(1.0, 0.07))
            is_pack = source != QUICK and rng.random() < _PACK_SHARE
            price = round(price * (1 - _PACK_OFF)) if is_pack else price
            breaks = ((_BREAK_FROM, round(price * (1 - _BREAK_OFF))),) if source == MIDDLE else ()
            terms = OfferTerms(len(found), price, SPOOL_MG, _PACK if is_pack else 1, breaks)
            found.append(Lot(item, source, terms))
    return found
