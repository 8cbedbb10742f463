"""What a person may choose from on a form: numbers and names.

The web calls it. It only reads.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.services import finding
from spoolkeep.services.offers import breaks_of
from spoolkeep.services.shop import code_text
from spoolkeep.store.tables import Feed, Machine, Material, Offer, OrderLine, Place, Product, ProductPart, Supplier

Choices = list[tuple[int, str]]


@dataclass(frozen=True)
class OfferView:
    """One offer as Setup lists it."""

    offer_id: int
    supplier: str
    item: finding.Item
    their_number: str
    spool_mg: int
    price_minor: int
    pack: int
    breaks: tuple[tuple[int, int], ...]
    least_spools: int
    from_day: date | None
    until_day: date | None
    currency: str | None
    """The supplier's own; None where that is the workshop's."""

    def holds(self, today: date) -> bool:
        """Tell whether it can be ordered today."""
        return not self.is_over(today) and (self.from_day is None or self.from_day <= today)

    def is_over(self, today: date) -> bool:
        """Tell whether its last day has passed."""
        return self.until_day is not None and self.until_day < today


@dataclass(frozen=True)
class Labelled:
    """A feed or a place with its code."""

    code: str
    name: str
    kind: str
    number: int


@dataclass(frozen=True)
class SupplierView:
    """One supplier as Setup lists it."""

    supplier_id: int
    name: str
    address: str
    lead_days: int | None
    currency: str | None
    """Its own, in which its amounts are; None where that is the workshop's."""
    parcel_minor: int
    free_freight_minor: int | None


@dataclass(frozen=True)
class ProductView:
    """One product as Setup lists it, with the milligrams of each item in it."""

    product_id: int
    name: str
    price_minor: int | None
    parts: tuple[tuple[finding.Item, int], ...]


def articles(*, session: Session) -> Choices:
    """Give the items."""
    return [(number, item.name) for number, item in finding.in_use(session).items()]


def items(*, session: Session) -> list[finding.Item]:
    """Give the items with their colours, those that are retired too; not those that were merged into another."""
    return [one for one in finding.items(session).values() if one.now_id is None]


def materials(*, session: Session) -> list[str]:
    """Give the codes of the materials."""
    return list(session.scalars(select(col(Material.code)).where(col(Material.live)).order_by(col(Material.code))))


def suppliers(*, session: Session) -> Choices:
    """Give the suppliers."""
    return [(one.supplier_id, one.name) for one in supplier_list(session=session)]


def supplier_list(*, session: Session) -> list[SupplierView]:
    """Give the suppliers with what is known of them."""
    query = select(Supplier).where(col(Supplier.live), ~col(Supplier.retired)).order_by(col(Supplier.name))
    return [
        SupplierView(
            supplier_id=one.id,
            name=one.name,
            address=one.address,
            lead_days=one.lead_days,
            currency=one.currency,
            parcel_minor=one.parcel_minor,
            free_freight_minor=one.free_freight_minor,
        )
        for one in session.scalars(query)
    ]


def places(*, session: Session) -> Choices:
    """Give the places."""
    query = select(Place).where(col(Place.live), ~col(Place.retired)).order_by(col(Place.name))
    return [(place.id, place.name) for place in session.scalars(query)]


def offers(*, session: Session, article_id: int | None = None, supplier_id: int | None = None) -> list[OfferView]:
    """Give the offers that hold, of all items or of one, and of all suppliers or of one, by item and price."""
    columns = (Offer.id, Offer.article_id, Offer.their_number, Offer.spool_mg, Offer.price_minor, Offer.pack)
    query = (
        select(*map(col, columns), col(Supplier.name), col(Offer.least_spools))
        .add_columns(col(Offer.from_day), col(Offer.until_day), col(Supplier.currency))
        .join(Supplier, col(Supplier.id) == col(Offer.supplier_id))
        .where(col(Offer.live), col(Supplier.live), ~col(Supplier.retired))
    )
    if article_id is not None:
        query = query.where(col(Offer.article_id) == article_id)
    if supplier_id is not None:
        query = query.where(col(Offer.supplier_id) == supplier_id)
    known, breaks = finding.in_use(session), breaks_of(session)
    found = [
        OfferView(
            offer_id=offer.id,
            supplier=offer.name,
            item=known[offer.article_id],
            their_number=offer.their_number,
            spool_mg=offer.spool_mg,
            price_minor=offer.price_minor,
            pack=offer.pack,
            breaks=breaks.get(offer.id, ()),
            least_spools=offer.least_spools,
            from_day=offer.from_day,
            until_day=offer.until_day,
            currency=offer.currency,
        )
        for offer in session.execute(query)
        if offer.article_id in known
    ]
    return sorted(found, key=lambda one: (one.item.name, one.price_minor))


def products(*, session: Session) -> list[ProductView]:
    """Give the products that are sold, with what is in them."""
    known = finding.items(session)
    parts: dict[int, list[tuple[finding.Item, int]]] = {}
    for part in session.scalars(select(ProductPart).where(col(ProductPart.live)).order_by(col(ProductPart.id))):
        if part.article_id in known:
            parts.setdefault(part.product_id, []).append((known[part.article_id], part.mg))
    query = select(Product).where(col(Product.live), ~col(Product.retired)).order_by(col(Product.name))
    return [
        ProductView(one.id, one.name, one.price_minor, tuple(parts.get(one.id, ()))) for one in session.scalars(query)
    ]


def tares(*, session: Session, line_ids: Sequence[int]) -> dict[int, int]:
    """Give the empty weight of the reels of these order lines, where their offers say it."""
    query = (
        select(col(OrderLine.id), col(Offer.tare_mg))
        .join(Offer, col(Offer.id) == col(OrderLine.offer_id))
        .where(col(OrderLine.id).in_(line_ids))
    )
    return {line: tare for line, tare in session.execute(query) if tare is not None}


def feeds(*, session: Session) -> list[Labelled]:
    """Give every feed with its code, machine by machine."""
    query = (
        select(Feed, Machine)
        .join(Machine, col(Machine.id) == col(Feed.machine_id))
        .where(col(Feed.live), col(Machine.live), ~col(Machine.retired))
        .order_by(col(Machine.name), col(Feed.position))
    )
    return [
        Labelled(code_text(CodeKind.FEED, feed.serial), f"{machine.name}, feed {feed.position}", "feed", feed.id)
        for feed, machine in session.execute(query)
    ]


def place_list(*, session: Session) -> list[Labelled]:
    """Give every place with its code."""
    query = select(Place).where(col(Place.live), ~col(Place.retired)).order_by(col(Place.name))
    return [
        Labelled(
            code_text(CodeKind.PLACE, place.serial),
            place.name,
            place.kind if place.ready_hours is None else f"dryer, at least {place.ready_hours} h",
            place.id,
        )
        for place in session.scalars(query)
    ]


def sold(session: Session) -> list[tuple[int, str]]:
    """Give the number and name of each product that is sold, by name."""
    query = select(col(Product.id), col(Product.name)).where(col(Product.live), ~col(Product.retired))
    return [(number, name) for number, name in session.execute(query.order_by(col(Product.name)))]
