"""The offers that hold on a day, with their price breaks and lead times; and what a delivery teaches of them.

Stock, the orders and the deliveries call it.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import RetailCode, read_code
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.terms import OfferTerms, SellerTerms
from spoolkeep.domain.words import Lasting
from spoolkeep.services import finding
from spoolkeep.services.shop import Shop
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, BasketBreak, Offer, PriceBreak, Supplier

FURTHEST = timedelta(days=730)
"""A day beyond is a slip of the hand. Source: our own choice."""


@dataclass(frozen=True)
class Held:
    """One offer that holds, and whose it is."""

    terms: OfferTerms
    supplier_id: int
    supplier: str
    supplier_address: str
    their_number: str
    lead_days: int
    """What a delivery takes, as the supplier or Setup says."""
    from_day: date | None
    """The first day on which it can be ordered; None where that is long past."""
    until_day: date | None


def holding(session: Session, *, shop: Shop, today: date, within_days: int = 0) -> dict[int, list[Held]]:
    """Give the offers that hold today by item, the cheapest spool first; a supplier without a lead time has Setup's.

    Also those that begin within so many days.
    """
    found: dict[int, list[Held]] = {}
    breaks = breaks_of(session)
    terms = (Offer.id, Offer.price_minor, Offer.spool_mg, Offer.pack, Offer.least_spools)
    of_supplier = (Supplier.lead_days, Supplier.name, Supplier.address)
    query = (
        select(*map(col, terms), col(Offer.article_id), col(Offer.their_number), col(Offer.supplier_id))
        .add_columns(col(Offer.from_day), col(Offer.until_day))
        .add_columns(*map(col, of_supplier))
        .join(Supplier, col(Supplier.id) == col(Offer.supplier_id))
        .where(*_holds(today, today + timedelta(days=within_days)))
        .order_by(col(Offer.price_minor), col(Offer.id))
    )
    for offer in session.execute(query):
        lead_days = shop.lead_days if offer.lead_days is None else offer.lead_days
        # more spools never cost more each, whatever an older book says
        steps = _falling(offer.price_minor, breaks.get(offer.id, ()))
        sold = (offer.id, offer.price_minor, offer.spool_mg, offer.pack, steps, offer.least_spools)
        begins = None if offer.from_day is None or offer.from_day <= today else offer.from_day
        whose = (offer.supplier_id, offer.name, offer.address, offer.their_number, lead_days)
        found.setdefault(offer.article_id, []).append(Held(OfferTerms(*sold), *whose, begins, offer.until_day))
    return found


def _falling(price_minor: int, breaks: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Give breaks of which none is dearer than the price before it."""
    found: list[tuple[int, int]] = []
    for from_spools, price in breaks:
        price_minor = min(price_minor, price)
        found.append((from_spools, price_minor))
    return tuple(found)


def _holds(today: date, begun_by: date) -> tuple[ColumnElement[bool], ...]:
    """Give the conditions that an offer stands, is sold by somebody still, and holds today or begins by a day."""
    return (
        col(Offer.live) & col(Supplier.live) & ~col(Supplier.retired),
        col(Offer.from_day).is_(None) | (col(Offer.from_day) <= begun_by),
        col(Offer.until_day).is_(None) | (col(Offer.until_day) >= today),
    )


def price_at(session: Session, offer: Offer, spools: int) -> int:
    """Give the price of a spool on an offer, in minor units, when so many are bought at once."""
    return terms_of(session, [offer])[offer.id].price_at(spools)


def seller_now(session: Session, supplier: Supplier) -> SellerTerms:
    """Give what a supplier asks beside the price of spools, in minor units of its currency."""
    return seller_of(supplier, baskets(session).get(supplier.id, ()))


def terms_of(session: Session, sold: Iterable[Offer]) -> dict[int, OfferTerms]:
    """Give the terms of these offers, by offer, in one query; more spools never cost more each, as in `holding`."""
    those = {one.id: one for one in sold}
    breaks = breaks_of(session, those)
    return {
        number: OfferTerms(
            number,
            one.price_minor,
            one.spool_mg,
            one.pack,
            _falling(one.price_minor, breaks.get(number, ())),
            one.least_spools,
        )
        for number, one in those.items()
    }


def breaks_of(session: Session, offer_ids: Collection[int] | None = None) -> dict[int, tuple[tuple[int, int], ...]]:
    """Give the price breaks of some offers, or of all, by offer: from how many spools on, and at what price."""
    found: dict[int, tuple[tuple[int, int], ...]] = {}
    columns = (PriceBreak.offer_id, PriceBreak.from_spools, PriceBreak.price_minor)
    query = select(*map(col, columns)).where(col(PriceBreak.live)).order_by(col(PriceBreak.from_spools))
    if offer_ids is not None:
        query = query.where(col(PriceBreak.offer_id).in_(offer_ids))
    for one in session.execute(query):
        found[one.offer_id] = (*found.get(one.offer_id, ()), (one.from_spools, one.price_minor))
    return found


def baskets(session: Session) -> dict[int, tuple[tuple[int, int], ...]]:
    """Give by supplier what it takes off all spools of an order: from how many on, and how much in millionths.

    A larger basket never gets less, whatever an undo brought back.
    """
    found: dict[int, tuple[tuple[int, int], ...]] = {}
    query = select(BasketBreak).where(col(BasketBreak.live)).order_by(col(BasketBreak.from_spools))
    for one in session.scalars(query):
        before = found.get(one.supplier_id, ())
        off_ppm = max(one.off_ppm, before[-1][1] if before else 0)
        found[one.supplier_id] = (*before, (one.from_spools, off_ppm))
    return found


def check_days(
    from_day: date | None, until_day: date | None, *, around: date | None = None, ends_before: bool = False
) -> None:
    """Refuse days between which nothing can be ordered, or that lie years away from a day. Errors: BadInput."""
    given = [day for day in (from_day, until_day) if day is not None]
    if around is not None and any(abs(day - around) > FURTHEST for day in given):
        raise BadInput("far_away", "An offer begins and ends within two years of today. Correct its days.")
    if from_day is not None and until_day is not None and until_day < from_day:
        raise BadInput("ends_before_it_begins", "The offer ends before it begins. Correct one of its days.")
    if ends_before and from_day is None:
        words = "Say from which day it holds, so that the offers before it can end on the day before."
        raise BadInput("begins_when", words)


def check_holds(session: Session, offer: Offer, today: date) -> None:
    """Refuse an offer that cannot be ordered today. Errors: Conflict, which says since when, or from when on."""
    if offer.until_day is not None and offer.until_day < today:
        words = f"The offer of {finding.item_name(session, offer.article_id)} ended on {offer.until_day}."
        raise Conflict("offer_over", f"{words} Enter what it costs now, or take another.")
    if offer.from_day is not None and offer.from_day > today:
        words = f"The offer of {finding.item_name(session, offer.article_id)} begins on {offer.from_day}."
        raise Conflict("offer_to_come", f"{words} Order it then, or take another.")


def end_before(session: Session, act: Act, day: date, *, supplier_id: int, article_id: int) -> None:
    """Let what a supplier offers of an item so far end on the day before; what would begin later is withdrawn."""
    query = select(Offer).where(
        col(Offer.live),
        col(Offer.supplier_id) == supplier_id,
        col(Offer.article_id) == article_id,
        col(Offer.until_day).is_(None) | (col(Offer.until_day) >= day),
    )
    for offer in session.scalars(query).all():
        if offer.from_day is not None and offer.from_day >= day:
            take_back(session, act, offer)
    for offer in session.scalars(query).all():
        change(session, act, offer, until_day=day - timedelta(days=1))


def take_back(session: Session, act: Act, offer: Offer) -> None:
    """Withdraw an offer that has not begun; what was to end on the day before it goes on."""
    change(session, act, offer, live=False)
    if offer.from_day is None:
        return
    before = select(Offer).where(
        col(Offer.live),
        col(Offer.supplier_id) == offer.supplier_id,
        col(Offer.article_id) == offer.article_id,
        col(Offer.until_day) == offer.from_day - timedelta(days=1),
    )
    for one in session.scalars(before).all():
        change(session, act, one, until_day=None)


def seller_of(supplier: Supplier, basket: tuple[tuple[int, int], ...] = ()) -> SellerTerms:
    """Give what a supplier asks beside the price of spools, and what it takes off a basket where that is read."""
    free_from, least = supplier.free_freight_minor, supplier.least_minor or 0
    return SellerTerms(supplier.id, supplier.parcel_minor, free_from, least, basket)


def with_code(session: Session, digits: str) -> Sequence[Offer]:
    """Give the offers that stand and have this maker's code."""
    return session.scalars(select(Offer).where(col(Offer.retail_code) == digits, col(Offer.live))).all()


def read_retail(text: str) -> str:
    """Give the digits of a maker's code; nothing where there is none. Errors: BadInput where it is another code."""
    if not text.strip():
        return ""
    code = read_code(text)
    if not isinstance(code, RetailCode):
        raise BadInput("no_retail_code", f"“{text.strip()[:40]}” is not an EAN or UPC. Scan the maker's own code.")
    return code.digits


def check_code(session: Session, digits: str, *, article_id: int) -> None:
    """Refuse a maker's code that is known for another item. Errors: Conflict, naming it."""
    other = next((one for one in with_code(session, digits) if one.article_id != article_id), None)
    if other is not None:
        name = finding.item_name(session, other.article_id)
        words = (
            f"{digits} is known as the code of {name}. Look at the box; if the code moved, withdraw that offer first."
        )
        raise Conflict("code_of_another", words)


@dataclass(frozen=True)
class Came:
    """What came of one item in a delivery, as far as it teaches something about its offer."""

    article_id: int
    supplier_id: int | None
    offer_id: int | None
    spools: int
    """As many as were bought at once: those ordered, of which these may be a part."""
    spool_mg: int
    price_minor: int
    expected: tuple[int, int] | None
    """Milligrams and price of a spool as they were ordered or offered; None where nothing was expected."""
    tare_mg: int | None
    retail_code: str
    lasting: Lasting | None
    """What a changed weight or price is; None while nobody said."""
    teaches_price: bool = True
    """Whether the price is in the offer's own currency; else the offer keeps its price."""


def learn(session: Session, act: Act, came: Came) -> str:
    """Remember a maker's code and a changed price or weight for the offer; give what could not be kept, in words.

    Errors: BadInput; Conflict where the code is another item's, and `offer_changed` where a person must say whether a
    change lasts.
    """
    digits = read_retail(came.retail_code)
    if digits:
        check_code(session, digits, article_id=came.article_id)
    differs = came.expected is not None and came.expected != (came.spool_mg, came.price_minor)
    if differs and came.lasting is None:
        raise Conflict("offer_changed", "What came differs from what was expected. Say below whether that lasts.")
    offer = _offer_of(session, came, digits)
    if offer is not None:
        if differs and came.lasting is Lasting.FROM_NOW_ON and offer.id == came.offer_id:
            _take_over(session, act, offer, came)
        if digits and offer.retail_code != digits:
            change(session, act, offer, retail_code=digits)
        return ""
    if not digits:
        return ""
    if came.supplier_id is None:
        return f"{digits} was not kept: an offer has a supplier, and none was chosen."
    if not came.teaches_price:
        return f"{digits} was not kept: its supplier is paid in another currency. Enter an offer with its price there."
    new = Offer(
        supplier_id=came.supplier_id,
        article_id=came.article_id,
        retail_code=digits,
        spool_mg=came.spool_mg,
        tare_mg=came.tare_mg,
        price_minor=came.price_minor,
    )
    create(session, act, new)
    return ""


def _offer_of(session: Session, came: Came, digits: str) -> Offer | None:
    """Give the offer by which it came: the one that is named, else the supplier's of such spools with no other code."""
    named = session.get(Offer, came.offer_id) if came.offer_id else None
    if named is not None and named.live:
        return named
    query = select(Offer).where(
        col(Offer.live),
        col(Offer.supplier_id) == came.supplier_id,
        col(Offer.article_id) == came.article_id,
        col(Offer.spool_mg) == came.spool_mg,
        col(Offer.retail_code).is_(None) | (col(Offer.retail_code) == digits),
    )
    return session.scalars(query.order_by(col(Offer.id))).first()


def _take_over(session: Session, act: Act, offer: Offer, came: Came) -> None:
    """Put what came into the offer: the price where it stood, in the offer itself or in the break that was reached."""
    change(session, act, offer, spool_mg=came.spool_mg)
    if not came.teaches_price:
        return
    reached = (
        select(PriceBreak)
        .where(col(PriceBreak.offer_id) == offer.id, col(PriceBreak.live), col(PriceBreak.from_spools) <= came.spools)
        .order_by(col(PriceBreak.from_spools).desc())
    )
    priced = session.scalars(reached).first() or offer
    change(session, act, priced, price_minor=came.price_minor)
    from_spools = priced.from_spools if isinstance(priced, PriceBreak) else 1
    higher = select(PriceBreak).where(col(PriceBreak.offer_id) == offer.id, col(PriceBreak.live))
    for dearer in session.scalars(higher.where(col(PriceBreak.from_spools) > from_spools)):
        if dearer.price_minor > came.price_minor:  # more spools never cost more each
            change(session, act, dearer, price_minor=came.price_minor)
