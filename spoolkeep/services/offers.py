"""The offers that hold on a day, with their price breaks and what a delivery of each takes.

Stock and the orders call it. It only reads.
"""

from dataclasses import dataclass
from datetime import date

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.reorder import OfferTerms
from spoolkeep.services.shop import Shop
from spoolkeep.store.tables import Offer, PriceBreak, Supplier


@dataclass(frozen=True)
class Held:
    """One offer that holds, and whose it is."""

    terms: OfferTerms
    supplier_id: int
    supplier: str
    supplier_address: str
    their_number: str


def holding(session: Session, *, shop: Shop, today: date) -> dict[int, list[Held]]:
    """Give the offers that hold today by item, the cheapest spool first; a supplier without a lead time has Setup's."""
    found: dict[int, list[Held]] = {}
    breaks = breaks_of(session)
    terms = (Offer.id, Offer.price_minor, Offer.spool_mg, Offer.pack)
    of_supplier = (Supplier.lead_days, Supplier.name, Supplier.address)
    query = (
        select(*map(col, terms), col(Offer.article_id), col(Offer.their_number), col(Offer.supplier_id))
        .add_columns(*map(col, of_supplier))
        .join(Supplier, col(Supplier.id) == col(Offer.supplier_id))
        .where(*_holds(today))
        .order_by(col(Offer.price_minor), col(Offer.id))
    )
    for offer in session.execute(query):
        lead_days = shop.lead_days if offer.lead_days is None else offer.lead_days
        held = OfferTerms(offer.id, offer.price_minor, offer.spool_mg, offer.pack, breaks.get(offer.id, ()), lead_days)
        sold = Held(held, offer.supplier_id, offer.name, offer.address, offer.their_number)
        found.setdefault(offer.article_id, []).append(sold)
    return found


def quickest(session: Session, *, shop: Shop, today: date) -> dict[int, int]:
    """Give by item the days that the quickest delivery takes, of the offers that hold today."""
    lead_days = func.min(func.coalesce(col(Supplier.lead_days), shop.lead_days))
    query = (
        select(col(Offer.article_id), lead_days)
        .join(Supplier, col(Supplier.id) == col(Offer.supplier_id))
        .where(*_holds(today))
        .group_by(col(Offer.article_id))
    )
    return dict(session.execute(query).all())


def _holds(today: date) -> tuple[ColumnElement[bool], ...]:
    """Give the conditions that an offer stands, is sold by somebody still, and holds today."""
    return (
        col(Offer.live) & col(Supplier.live) & ~col(Supplier.retired),
        col(Offer.from_day).is_(None) | (col(Offer.from_day) <= today),
        col(Offer.until_day).is_(None) | (col(Offer.until_day) >= today),
    )


def price_at(session: Session, offer: Offer, spools: int) -> int:
    """Give the price of a spool on an offer, in minor units, when so many are bought at once."""
    breaks = breaks_of(session, offer.id).get(offer.id, ())
    return OfferTerms(offer.id, offer.price_minor, offer.spool_mg, offer.pack, breaks, 0).price_at(spools)


def breaks_of(session: Session, offer_id: int | None = None) -> dict[int, tuple[tuple[int, int], ...]]:
    """Give the price breaks of an offer, or of all, by offer: from how many spools on, and at what price."""
    found: dict[int, tuple[tuple[int, int], ...]] = {}
    columns = (PriceBreak.offer_id, PriceBreak.from_spools, PriceBreak.price_minor)
    query = select(*map(col, columns)).where(col(PriceBreak.live)).order_by(col(PriceBreak.from_spools))
    if offer_id is not None:
        query = query.where(col(PriceBreak.offer_id) == offer_id)
    for one in session.execute(query):
        found[one.offer_id] = (*found.get(one.offer_id, ()), (one.from_spools, one.price_minor))
    return found
