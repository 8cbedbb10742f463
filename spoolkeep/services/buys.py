"""What a good kilogram truly costs on every offer that holds, the best buy of each item, and what would change it.

The page of buys calls it. It only reads.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from spoolkeep.domain.failing import Chance, Seller
from spoolkeep.domain.terms import SellerTerms, whole_spools
from spoolkeep.domain.truecost import MG_PER_KG, Beside, Cost, Rates, beside, carry_share, parts, ranked
from spoolkeep.services import experience, finding, offers
from spoolkeep.services.experience import Experience, Parcel
from spoolkeep.services.finding import Item
from spoolkeep.services.offers import Held
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.store.tables import Supplier


@dataclass(frozen=True)
class Buy:
    """One offer of an item, and what a good kilogram of it truly costs."""

    supplier: str
    their_number: str
    spool_mg: int
    pack: int
    spools: int
    """As many as are usually bought at once."""
    cost: Cost
    beside: Beside | None
    """Beside the best; None of the best itself."""


@dataclass(frozen=True)
class ItemBuys:
    """The offers of one item, the best buy first."""

    item: Item
    lies_days: float
    """How long it lies between delivery and use."""
    buys: tuple[Buy, ...]

    @property
    def best(self) -> Buy:
        """Give the best buy."""
        return self.buys[0]

    @property
    def cheapest(self) -> Buy:
        """Give the offer whose kilogram costs least to buy, by price alone."""
        return min(self.buys, key=lambda one: one.cost.parts.price)


@dataclass(frozen=True)
class Sold:
    """What is known of how one supplier's plastic of a material fails."""

    material: str
    supplier: str
    chance: Chance


@dataclass(frozen=True)
class BuysView:
    """What the page of buys shows."""

    since: datetime
    items: tuple[ItemBuys, ...]
    sellers: tuple[Sold, ...]
    """Those who sell an item now, by material."""


def rates_of(shop: Shop) -> Rates:
    """Give what the workshop's own time, money and room cost."""
    return Rates(
        hour_minor=shop.hour_cost_minor,
        change_seconds=shop.change_seconds,
        carry_ppm_a_year=shop.carry_ppm_a_year,
        space_minor_a_month=shop.space_minor_a_month,
    )


def view(*, session: Session, now: datetime, article_id: int | None = None) -> BuysView:
    """Give the true costs of every item that somebody offers, by name, or of one."""
    shop = load_shop(session)
    held = offers.holding(session, shop=shop, today=shop.today(now))
    known = finding.in_use(session)
    told = experience.read(session, shop=shop, now=now)
    terms = _terms(session)
    items = [
        _item(known[number], sold, shop=shop, told=told, terms=terms)
        for number, sold in held.items()
        if number in known and article_id in {None, number}
    ]
    return BuysView(told.since, tuple(sorted(items, key=lambda one: one.item.name)), _sellers(items, held, told))


def besides(
    session: Session, *, held: Mapping[int, Sequence[Held]], known: Mapping[int, Item], shop: Shop, now: datetime
) -> dict[int, float]:
    """Give by offer what a kilogram costs beside price, parcel and lying, in minor units: the hand, and what fails.

    What the last year taught is read once a day.
    """
    told = experience.kept(session, shop=shop, now=now)
    terms = _terms(session)
    found = {}
    for number, sold in held.items():
        for one in sold:
            spools = _usual_spools(one, told.bought.usual_mg.get(number, 0))
            cost = _cost(known[number], one, spools, shop=shop, told=told, terms=terms)
            found[one.terms.offer_id] = cost.mean - cost.bought + cost.parts.changing
    return found


_Terms = Mapping[int, SellerTerms]


def _terms(session: Session) -> dict[int, SellerTerms]:
    """Give by supplier what it asks beside the price of spools."""
    return {one.id: offers.seller_of(one) for one in session.scalars(select(Supplier))}


def _freight_a_kg(seller: SellerTerms, parcels: Sequence[Parcel]) -> float | None:
    """Give the freight of a kilogram, in minor units, in such parcels; None where none is known."""
    mg = sum(one.mg for one in parcels)
    return sum(seller.freight_minor(one.value_minor) for one in parcels) / mg * MG_PER_KG if mg else None


def _item(item: Item, sold: Sequence[Held], *, shop: Shop, told: Experience, terms: _Terms) -> ItemBuys:
    lies_days = told.lies_days(item.article_id)
    carried = carry_share(rates_of(shop), lies_days)
    spools = [_usual_spools(one, told.bought.usual_mg.get(item.article_id, 0)) for one in sold]
    costs = [_cost(item, one, many, shop=shop, told=told, terms=terms) for one, many in zip(sold, spools, strict=True)]
    places = ranked(costs)
    best = costs[places[0]]
    buys = [
        Buy(
            supplier=sold[at].supplier,
            their_number=sold[at].their_number,
            spool_mg=sold[at].terms.spool_mg,
            pack=sold[at].terms.pack,
            spools=spools[at],
            cost=costs[at],
            beside=None if at == places[0] else beside(costs[at], best, carried=carried),
        )
        for at in places
    ]
    return ItemBuys(item, lies_days, tuple(buys))


def _usual_spools(held: Held, usual_mg: int) -> int:
    """Give how many spools of an offer are usually bought at once: at least a pack, and what the supplier asks."""
    wanted_mg = max(usual_mg, held.terms.least_spools * held.terms.spool_mg)
    return whole_spools(wanted_mg, spool_mg=held.terms.spool_mg, pack=held.terms.pack)


def _cost(item: Item, held: Held, spools: int, *, shop: Shop, told: Experience, terms: _Terms) -> Cost:
    price = held.terms.price_at(spools) / held.terms.spool_mg * MG_PER_KG
    seller = Seller(item.material, held.supplier_id)
    return Cost(
        seller=seller,
        parts=parts(
            price_minor=price,
            freight_minor=_freight(held, spools, price, told=told, seller=terms[held.supplier_id]),
            spool_mg=held.terms.spool_mg,
            lies_days=told.lies_days(item.article_id),
            rates=rates_of(shop),
        ),
        losing=told.losing_of(item.material),
        chance=told.learned.of(seller),
    )


def _freight(held: Held, spools: int, price: float, *, told: Experience, seller: SellerTerms) -> float:
    """Give the freight of a kilogram: in the supplier's own parcels of the last year, in which some may be free.

    From whom nothing came yet, a parcel is taken to be as those of all, at this price. Never more than what this order
    alone would bear, of which the usual parcel may be only a small part.
    """
    mg = spools * held.terms.spool_mg
    alone = Parcel(held.supplier_id, round(mg / MG_PER_KG * price), mg, spools, told.since)
    alone_a_kg = _freight_a_kg(seller, [alone]) or 0.0
    own = _freight_a_kg(seller, told.bought.of(held.supplier_id))
    if own is None:
        others = [one._replace(value_minor=round(one.mg / MG_PER_KG * price)) for one in told.bought.parcels]
        own = _freight_a_kg(seller, others)
    return alone_a_kg if own is None else min(own, alone_a_kg)


def _sellers(items: Iterable[ItemBuys], held: Mapping[int, Sequence[Held]], told: Experience) -> tuple[Sold, ...]:
    names: dict[int | None, str] = {one.supplier_id: one.supplier for some in held.values() for one in some}
    sellers = {buy.cost.seller for one in items for buy in one.buys}
    found = [Sold(one.material, names[one.supplier], told.learned.of(one)) for one in sellers]
    return tuple(sorted(found, key=lambda one: (one.material, one.supplier)))
