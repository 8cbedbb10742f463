"""The offers that hold on a day, with their price breaks and what a delivery of each takes.

Stock and the orders call it. It only reads.
"""

from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
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
    breaks = _breaks(session)
    query = (
        select(Offer, Supplier)
        .join(Supplier, col(Supplier.id) == col(Offer.supplier_id))
        .where(col(Offer.live), col(Supplier.live), ~col(Supplier.retired))
        .where(col(Offer.from_day).is_(None) | (col(Offer.from_day) <= today))
        .where(col(Offer.until_day).is_(None) | (col(Offer.until_day) >= today))
        .order_by(col(Offer.price_minor), col(Offer.id))
    )
    for offer, supplier in session.execute(query):
        lead_days = shop.lead_days if supplier.lead_days is None else supplier.lead_days
        terms = _terms(offer, breaks, lead_days=lead_days)
        held = Held(terms, supplier.id, supplier.name, supplier.address, offer.their_number)
        found.setdefault(offer.article_id, []).append(held)
    return found


def price_at(session: Session, offer: Offer, spools: int) -> int:
    """Give the price of a spool on an offer, in minor units, when so many are bought at once."""
    return _terms(offer, _breaks(session, offer.id), lead_days=0).price_at(spools)


def _terms(offer: Offer, breaks: dict[int, tuple[tuple[int, int], ...]], *, lead_days: int) -> OfferTerms:
    return OfferTerms(offer.id, offer.price_minor, offer.spool_mg, offer.pack, breaks.get(offer.id, ()), lead_days)


def _breaks(session: Session, offer_id: int | None = None) -> dict[int, tuple[tuple[int, int], ...]]:
    found: dict[int, tuple[tuple[int, int], ...]] = {}
    query = select(PriceBreak).where(col(PriceBreak.live)).order_by(col(PriceBreak.from_spools))
    if offer_id is not None:
        query = query.where(col(PriceBreak.offer_id) == offer_id)
    for one in session.scalars(query):
        found[one.offer_id] = (*found.get(one.offer_id, ()), (one.from_spools, one.price_minor))
    return found
