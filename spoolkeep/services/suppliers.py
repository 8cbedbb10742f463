"""A supplier by itself: its terms, what it takes off a basket, its closed days, its offers, and how long it takes.

The supplier's own page calls it.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.services import choices, finding, foresight, leadtimes, mending
from spoolkeep.services.catalogue import Made, SupplierEntry, check_terms, free_name
from spoolkeep.services.choices import OfferView
from spoolkeep.services.foresight import Closing
from spoolkeep.services.leadtimes import LATE_AT, Learned
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, BasketBreak, Offer, Order, Supplier

MOST_BASKET_SPOOLS = 10_000
PPM = 1_000_000
CLOSED_SINCE = timedelta(days=60)
LEAST_DAYS_SHOWN = 10


@dataclass(frozen=True)
class BreakView:
    """What a supplier takes off all spools of an order from a number on."""

    break_id: int
    from_spools: int
    off_ppm: int

    @property
    def off_per_cent(self) -> float:
        """Give it in per cent."""
        return self.off_ppm * 100 / PPM


@dataclass(frozen=True)
class Bar:
    """How many deliveries took so many carrier days, in usual and in busy months."""

    days: int
    usual: int
    busy: int


@dataclass(frozen=True)
class SupplierPage:
    """A supplier, and what is known of it."""

    supplier_id: int
    entry: SupplierEntry
    breaks: tuple[BreakView, ...]
    closings: tuple[Closing, ...]
    offers: tuple[OfferView, ...]
    known: Learned
    bars: tuple[Bar, ...]
    """From 0 carrier days on, without a gap."""
    today: date

    @property
    def comes_on(self) -> tuple[date, date]:
        """Give by when an order sent today comes in the middle, and in nine of ten cases."""
        return self.known.expected_on(self.today), self.known.late_from(self.today)

    @property
    def middles(self) -> tuple[int, int]:
        """Give the carrier days of a delivery in the middle and in nine of ten cases."""
        return self.known.lead.quantile(0.5), self.known.lead.quantile(LATE_AT)


def view(*, session: Session, now: datetime, supplier_id: int) -> SupplierPage:
    """Give a supplier. Errors: NotFound."""
    row, shop = finding.live(session, Supplier, supplier_id), load_shop(session)
    today = shop.today(now)
    known = leadtimes.learned(session, shop=shop, today=today)[supplier_id]
    return SupplierPage(
        supplier_id=supplier_id,
        entry=SupplierEntry(**{one.name: getattr(row, one.name) for one in fields(SupplierEntry)}),
        breaks=tuple(BreakView(one.id, one.from_spools, one.off_ppm) for one in _breaks(session, supplier_id)),
        closings=tuple(foresight.closings(session, since=today - CLOSED_SINCE, supplier_id=supplier_id)),
        offers=tuple(choices.offers(session=session, supplier_id=supplier_id)),
        known=known,
        bars=_bars(known),
        today=today,
    )


def _bars(known: Learned) -> tuple[Bar, ...]:
    """Give a bar for each number of carrier days that a delivery took, or is likely to take."""
    count = Counter((one.carrier_days, one.busy) for one in known.came)
    last = max(LEAST_DAYS_SHOWN, known.lead.quantile(LATE_AT), *(days for days, _ in count))
    return tuple(Bar(days, count[days, False], count[days, True]) for days in range(last + 1))


def describe(*, session: Session, now: datetime, by: By, supplier_id: int, entry: SupplierEntry) -> Made:
    """Enter a supplier's terms. Errors: BadInput, NotFound, Conflict where another has its name."""

    def do(act: Act) -> Made:
        supplier = finding.live(session, Supplier, supplier_id)
        check_terms(entry)
        if entry.currency != supplier.currency and _has_amounts(session, supplier_id):
            words = (
                "Its offers and orders stand in the currency they were made in. Enter another supplier for a new one."
            )
            raise Conflict("currency_in_use", words)
        name = free_name(session, Supplier, entry.name, but=supplier_id)
        mending.call(session, act, supplier, name)
        change(session, act, supplier, **{**vars(entry), "name": name, "address": entry.address.strip()})
        return Made(act.id, supplier_id)

    request = {"supplier_id": supplier_id, **vars(entry)}
    about = _name(session, supplier_id)
    return once(session, "supplier", by=by, now=now, request=request, answers=Made, about=about, do=do)


def paid_in(session: Session, supplier_id: int, shop: Shop) -> str:
    """Give the currency in which a supplier is paid; the workshop's own where none is told, or there is no such one."""
    supplier = session.get(Supplier, supplier_id)
    return (supplier.currency if supplier else None) or shop.currency


def _has_amounts(session: Session, supplier_id: int) -> bool:
    offers = select(col(Offer.id)).where(col(Offer.supplier_id) == supplier_id, col(Offer.live))
    orders = select(col(Order.id)).where(col(Order.supplier_id) == supplier_id, col(Order.live))
    return any(session.scalar(one.limit(1)) is not None for one in (offers, orders))


def add_break(*, session: Session, now: datetime, by: By, supplier_id: int, from_spools: int, off_ppm: int) -> Made:
    """Enter that a supplier takes a share off all spools of an order from a number on, of whatever items.

    Errors: BadInput where larger orders would get less off; NotFound; Conflict where that number has one already.
    """

    def do(act: Act) -> Made:
        finding.live(session, Supplier, supplier_id)
        if not 1 < from_spools <= MOST_BASKET_SPOOLS:
            raise BadInput("no_such_number", f"A basket is cheaper from 2 to {MOST_BASKET_SPOOLS} spools on.")
        if not 0 < off_ppm < PPM:
            raise BadInput("no_such_share", "What is taken off lies above 0 and below 100 per cent.")
        _refuse_out_of_order(_breaks(session, supplier_id), from_spools, off_ppm)
        made = create(session, act, BasketBreak(supplier_id=supplier_id, from_spools=from_spools, off_ppm=off_ppm))
        return Made(act.id, made.id)

    request = {"supplier_id": supplier_id, "from_spools": from_spools, "off_ppm": off_ppm}
    about = _name(session, supplier_id)
    return once(session, "basket price", by=by, now=now, request=request, answers=Made, about=about, do=do)


def retire_break(*, session: Session, now: datetime, by: By, break_id: int) -> Made:
    """Withdraw what a supplier takes off a basket. Errors: NotFound."""

    def do(act: Act) -> Made:
        change(session, act, finding.live(session, BasketBreak, break_id), live=False)
        return Made(act.id, break_id)

    request = {"break_id": break_id}
    return once(session, "withdraw basket price", by=by, now=now, request=request, answers=Made, do=do)


def _refuse_out_of_order(there: Sequence[BasketBreak], from_spools: int, off_ppm: int) -> None:
    for one in there:
        if one.from_spools == from_spools:
            words = f"From {from_spools} spools on something is taken off already. Withdraw that first."
            raise Conflict("break_is_there", words)
        if (one.from_spools < from_spools) != (one.off_ppm < off_ppm) or one.off_ppm == off_ppm:
            words = f"From {one.from_spools} spools on {one.off_ppm * 100 / PPM:g} % is off: a larger basket gets more."
            raise BadInput("less_for_more", f"{words} Check both numbers.")


def _breaks(session: Session, supplier_id: int | None = None) -> Sequence[BasketBreak]:
    query = select(BasketBreak).where(col(BasketBreak.live))
    if supplier_id is not None:
        query = query.where(col(BasketBreak.supplier_id) == supplier_id)
    return session.scalars(query.order_by(col(BasketBreak.supplier_id), col(BasketBreak.from_spools))).all()


def _name(session: Session, supplier_id: int) -> str:
    found = session.get(Supplier, supplier_id)
    return found.name if found else ""
