"""Deliveries: spools booked in, each with its own code and its share of the freight, ready for their labels.

The web's Deliveries page and the imports call it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session
from sqlalchemy.sql.elements import SQLCoreOperations
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.split import largest_remainders
from spoolkeep.domain.words import Kind, Lasting, OrderState
from spoolkeep.services import asides, creditnotes, finding, offers
from spoolkeep.services.loadings import take_off
from spoolkeep.services.shop import code_text, load_shop, next_serials
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import batched, change, create
from spoolkeep.store.ledger import Event, book
from spoolkeep.store.tables import Act, Article, Balance, Delivery, Offer, Order, OrderLine, Place, Spool, Supplier

MOST_SPOOLS = 500
FIRST_YEAR = 2000
MOST_SPOOL_MG = 50_000_000


@dataclass(frozen=True)
class Arrived:
    """Spools of one item that came together."""

    article_id: int
    spools: int
    spool_mg: int
    price_minor: int = 0
    """For one spool; 0 for a sample or a gift."""
    tare_mg: int | None = None
    lot: str = ""
    order_line_id: int | None = None
    place_id: int | None = None
    offer_id: int | None = None
    """The offer by which its maker's code is known, where there is no order."""
    retail_code: str = ""
    """The maker's code that was scanned, to be remembered."""
    lasting: Lasting | None = None
    """Whether a weight or price that differs from the one expected lasts; None while nobody said."""
    damaged: int = 0
    """So many of the spools, the last ones, are set aside at once."""


@dataclass(frozen=True)
class DeliveryAnswer:
    """What was booked in."""

    act_id: int
    delivery_id: int
    spool_codes: tuple[str, ...]
    landed_minor: int
    """All prices and freight: the cost that the spools share. Of spools that went back, what they were worth."""
    notes: tuple[str, ...] = ()
    """What a person should know; it was booked all the same."""


@dataclass(frozen=True)
class DeliveryView:
    """One delivery in the list."""

    delivery_id: int
    arrived_at: datetime
    supplier: str
    order_code: str
    spools: int
    names: tuple[str, ...]
    freight_minor: int
    first_code: str


@dataclass(frozen=True)
class SpoolCame:
    """One spool of a delivery, as it is now."""

    code: str
    item: finding.Item
    lot: str
    place: str
    aside: str | None
    """Why it is set aside; None where it is not."""
    is_gone: bool


def book_delivery(
    *,
    session: Session,
    now: datetime,
    by: By,
    arrived: Sequence[Arrived],
    supplier_id: int | None = None,
    order_id: int | None = None,
    freight_minor: int = 0,
    arrived_at: datetime | None = None,
    note: str = "",
) -> DeliveryAnswer:
    """Book in what came; freight is split over the spools by price, to the cent.

    Errors: BadInput, NotFound; Conflict where the order is called off or closed.
    """

    def do(act: Act) -> DeliveryAnswer:
        at = _moment(arrived_at, now)
        _check(session, arrived, freight_minor=freight_minor, supplier_id=supplier_id, order_id=order_id)
        order = _order(session, order_id, at) if order_id else None
        delivery = create(
            session,
            act,
            Delivery(
                order_id=order_id,
                supplier_id=order.supplier_id if order else supplier_id,
                arrived_at=at,
                freight_minor=freight_minor,
                note=note,
            ),
        )
        spools = _spools(session, act, delivery, arrived, day=load_shop(session).today(at))
        _set_damaged_aside(session, act, arrived, spools, at=at)
        notes = [offers.learn(session, act, _came(session, one, delivery)) for one in arrived]
        landed = _landed(arrived, freight_minor)
        book(session, act, [_event(spool, mg, cost, at) for (spool, mg), cost in zip(spools, landed, strict=True)])
        codes = tuple(code_text(CodeKind.SPOOL, spool.serial) for spool, _ in spools)
        return DeliveryAnswer(act.id, delivery.id, codes, sum(landed), tuple(filter(None, notes)))

    request = {
        "arrived": list(arrived),
        "supplier_id": supplier_id,
        "order_id": order_id,
        "freight_minor": freight_minor,
        "arrived_at": arrived_at,
        "note": note,
    }
    spools = sum(one.spools for one in arrived)
    about = _spools_in_words(spools)
    return once(session, "delivery", by=by, now=now, request=request, answers=DeliveryAnswer, about=about, do=do)


def send_back(*, session: Session, now: datetime, by: By, spool_codes: Sequence[str], note: str = "") -> DeliveryAnswer:
    """Return spools to their supplier, whole as they are; what they are worth is due as credit.

    Nothing is left of them, and they come off their feeds.

    Errors: BadInput where none is named; NotFound; Conflict where one was given up before.
    """

    def do(act: Act) -> DeliveryAnswer:
        if not spool_codes:
            raise BadInput("no_spools", "Choose the spools that go back.")
        back = [finding.spool_of(session, code) for code in spool_codes]
        worth = [(one, session.get_one(Balance, one.id).value_minor) for one in back]
        for spool in back:
            if spool.retired_on is not None:
                code = code_text(CodeKind.SPOOL, spool.serial)
                raise Conflict("given_up", f"{code} was scrapped, returned or written off before. Leave it out.")
            take_off(session, act, spool=spool, at=now)
            change(session, act, spool, retired_on=load_shop(session).today(now))
        book(session, act, [Event(kind=Kind.RETURN, occurred_at=now, spool_id=one.id, leaves_mg=0) for one in back])
        asked_minor = creditnotes.ask(session, act, worth, at=now, note=note)
        return DeliveryAnswer(act.id, back[0].delivery_id or 0, tuple(spool_codes), asked_minor)

    request = {"spool_codes": list(spool_codes), "note": note}
    about = " ".join(filter(None, (_spools_in_words(len(spool_codes)), note)))
    return once(session, "send back", by=by, now=now, request=request, answers=DeliveryAnswer, about=about, do=do)


def _spools_in_words(count: int) -> str:
    return "1 spool" if count == 1 else f"{count} spools"


@dataclass(frozen=True)
class Which:
    """Which deliveries or orders are listed; what is not said leaves none out."""

    supplier_id: int | None = None
    since: datetime | None = None
    fits: Callable[[str], bool] | None = None
    """Those of whose items or supplier it says yes to the name."""

    def named(self, session: Session) -> tuple[list[int], list[int]]:
        """Give the numbers of the items and of the suppliers whose names fit."""
        fits = self.fits or bool
        items = [number for number, item in finding.items(session).items() if fits(item.name)]
        return items, [one.id for one in session.scalars(select(Supplier)) if fits(one.name)]


EVERY = Which()


def recent(*, session: Session, which: Which = EVERY, limit: int | None = 20, skip: int = 0) -> list[DeliveryView]:
    """Give the last deliveries, newest first, after so many of them; all where the limit is None."""
    columns = select(Delivery, col(Supplier.name), col(Order.serial))
    query = (
        _came_in(session, columns, which)
        .order_by(col(Delivery.arrived_at).desc(), col(Delivery.id).desc())
        .limit(limit)
    )
    rows = session.execute(query.offset(skip) if skip else query).all()
    shown = [delivery.id for delivery, _, _ in rows]
    spools: dict[int, tuple[int, int]] = {}
    names: dict[int, tuple[str, ...]] = {}
    for some in batched(shown):
        spools |= _counted(session, some)
        names |= _names(session, some)
    return [
        DeliveryView(
            delivery_id=delivery.id,
            arrived_at=delivery.arrived_at,
            supplier=supplier or "",
            order_code=code_text(CodeKind.ORDER, serial) if serial else "",
            spools=spools[delivery.id][0],
            names=names.get(delivery.id, ()),
            freight_minor=delivery.freight_minor,
            first_code=code_text(CodeKind.SPOOL, spools[delivery.id][1]),
        )
        for delivery, supplier, serial in rows
    ]


def count(*, session: Session, which: Which = EVERY) -> int:
    """Give how many deliveries are meant."""
    return session.scalar(_came_in(session, select(func.count()).select_from(Delivery), which)) or 0


def _came_in(session: Session, query: Any, which: Which) -> Any:  # noqa: ANN401 - of rows, or of their number
    brought = select(1).where(col(Spool.delivery_id) == col(Delivery.id), col(Spool.live))
    query = (
        query.outerjoin(Supplier, col(Supplier.id) == col(Delivery.supplier_id))
        .outerjoin(Order, col(Order.id) == col(Delivery.order_id))
        .where(col(Delivery.live), brought.exists())
    )
    if which.supplier_id is not None:
        query = query.where(col(Delivery.supplier_id) == which.supplier_id)
    if which.since is not None:
        query = query.where(col(Delivery.arrived_at) >= which.since)
    if which.fits is not None:
        items, suppliers = which.named(session)
        of_item = brought.where(col(Spool.article_id).in_(items)).exists()
        query = query.where(or_(of_item, col(Delivery.supplier_id).in_(suppliers)))
    return query


def _counted(session: Session, delivery_ids: Sequence[int]) -> dict[int, tuple[int, int]]:
    """Give how many spools each of these deliveries brought, and the first one's serial."""
    query = (
        select(col(Spool.delivery_id), func.count(), func.min(col(Spool.serial)))
        .where(col(Spool.delivery_id).in_(delivery_ids), col(Spool.live))
        .group_by(col(Spool.delivery_id))
    )
    return {delivery: (spools, first) for delivery, spools, first in session.execute(query) if delivery is not None}


def codes_of(*, session: Session, delivery_id: int) -> tuple[str, ...]:
    """Give the codes of the spools of a delivery, in order. Errors: NotFound."""
    query = select(col(Spool.serial)).where(col(Spool.delivery_id) == delivery_id, col(Spool.live))
    serials = session.scalars(query.order_by(col(Spool.serial))).all()
    if not serials:
        raise NotFound("no_such_delivery", f"There is no delivery {delivery_id}, or it was undone.")
    return tuple(code_text(CodeKind.SPOOL, serial) for serial in serials)


def spools_of(*, session: Session, delivery_id: int) -> list[SpoolCame]:
    """Give the spools of a delivery as they are now, in order. Errors: NotFound."""
    query = select(Spool).where(col(Spool.delivery_id) == delivery_id, col(Spool.live)).order_by(col(Spool.serial))
    spools = session.scalars(query).all()
    if not spools:
        raise NotFound("no_such_delivery", f"There is no delivery {delivery_id}, or it was undone.")
    known = finding.items(session, {spool.article_id for spool in spools})
    here = {spool.place_id for spool in spools}
    places = {one.id: one.name for one in session.scalars(select(Place).where(col(Place.id).in_(here)))}
    whys = asides.all_aside(session, spools)
    return [
        SpoolCame(
            code=code_text(CodeKind.SPOOL, spool.serial),
            item=known[spool.article_id],
            lot=spool.lot,
            place=places.get(spool.place_id or 0, ""),
            aside=whys.get(spool.id),
            is_gone=spool.retired_on is not None,
        )
        for spool in spools
    ]


def _moment(given: datetime | None, now: datetime) -> datetime:
    if given is not None and given > now:
        raise BadInput("in_the_future", "A delivery cannot have arrived in the future. Check the date.")
    if given is not None and given.year < FIRST_YEAR:
        raise BadInput("long_ago", f"A delivery before {FIRST_YEAR} cannot be. Check the date.")
    return given or now


def _check(
    session: Session,
    arrived: Sequence[Arrived],
    *,
    freight_minor: int,
    supplier_id: int | None,
    order_id: int | None,
) -> None:
    total = sum(one.spools for one in arrived)
    if not arrived or any(one.spools < 1 for one in arrived):
        raise BadInput("no_spools", "A delivery has at least 1 spool. Enter how many came.")
    if total > MOST_SPOOLS:
        words = f"{total} spools are too many for one delivery. Book in up to {MOST_SPOOLS} at a time."
        raise BadInput("too_many_spools", words)
    if freight_minor < 0 or any(one.price_minor < 0 for one in arrived):
        raise BadInput("negative_price", "Prices and freight are 0 or more.")
    if supplier_id is not None:
        finding.live(session, Supplier, supplier_id)
    for one in arrived:
        _check_one(session, one, order_id=order_id)


def _check_one(session: Session, one: Arrived, *, order_id: int | None) -> None:
    if not 0 < one.spool_mg <= MOST_SPOOL_MG:
        raise BadInput("no_such_spool_size", "A spool holds more than 0 g and at most 50 kg. Enter grams.")
    if one.tare_mg is not None and not 0 <= one.tare_mg <= MOST_SPOOL_MG:
        raise BadInput("no_such_tare", "An empty reel weighs 0 g to 50 kg. Enter grams, or leave it empty.")
    if not 0 <= one.damaged <= one.spools:
        raise BadInput("no_such_number", f"Of {one.spools} spools 0 to {one.spools} can be damaged. Enter how many.")
    if one.place_id is not None:
        finding.live(session, Place, one.place_id)
    finding.live(session, Article, one.article_id)
    if one.offer_id is not None and finding.live(session, Offer, one.offer_id).article_id != one.article_id:
        raise BadInput("offer_of_another", "That offer is of another item. Scan the maker's code again.")
    if one.order_line_id is not None:
        line = finding.live(session, OrderLine, one.order_line_id)
        if (line.order_id, line.article_id) != (order_id, one.article_id):
            raise BadInput("line_of_another_order", "That line belongs to another order or item. Open the order again.")


def _order(session: Session, order_id: int, at: datetime) -> Order:
    order = finding.live(session, Order, order_id)
    if order.state in {OrderState.CALLED_OFF, OrderState.CLOSED_SHORT}:
        raise Conflict("order_is_closed", f"That order is {order.state}. Book the delivery in without it.")
    if at < order.drafted_at:
        raise BadInput("before_its_order", "The delivery would arrive before its order was drafted. Check the date.")
    return order


def _spools(
    session: Session, act: Act, delivery: Delivery, arrived: Sequence[Arrived], *, day: date
) -> list[tuple[Spool, int]]:
    serials = iter(next_serials(session, CodeKind.SPOOL, sum(one.spools for one in arrived)))
    return [
        (
            create(
                session,
                act,
                Spool(
                    serial=next(serials),
                    article_id=one.article_id,
                    supplier_id=delivery.supplier_id,
                    delivery_id=delivery.id,
                    order_line_id=one.order_line_id,
                    place_id=one.place_id,
                    home_id=one.place_id,
                    lot=one.lot.strip(),
                    tare_mg=one.tare_mg,
                    received_on=day,
                ),
            ),
            one.spool_mg,
        )
        for one in arrived
        for _ in range(one.spools)
    ]


def _set_damaged_aside(
    session: Session, act: Act, arrived: Sequence[Arrived], spools: Sequence[tuple[Spool, int]], *, at: datetime
) -> None:
    """Set the last spools of each line aside, as many as came damaged."""
    until = 0
    for one in arrived:
        until += one.spools
        for spool, _ in spools[until - one.damaged : until]:
            asides.put_aside(session, act, spool, why="damaged on arrival", at=at)


def _is_foreign(session: Session, supplier_id: int | None) -> bool:
    """Give whether a supplier's prices stand in another currency than the books'."""
    currency = session.get_one(Supplier, supplier_id).currency if supplier_id else None
    return currency not in {None, load_shop(session).currency}


def _came(session: Session, one: Arrived, delivery: Delivery) -> offers.Came:
    line = session.get(OrderLine, one.order_line_id) if one.order_line_id else None
    offer = session.get(Offer, one.offer_id) if one.offer_id and not line else None
    if offer is not None and delivery.supplier_id not in {None, offer.supplier_id}:
        offer = None  # a person chose another supplier since the code was scanned
    expected = (line.spool_mg, line.price_minor) if line else None
    if offer is not None:
        expected = offer.spool_mg, offers.price_at(session, offer, one.spools)
    is_foreign = _is_foreign(session, delivery.supplier_id)
    if expected and is_foreign:
        expected = expected[0], one.price_minor  # what it cost in the books' currency says nothing of the offer's price
    return offers.Came(
        article_id=one.article_id,
        supplier_id=delivery.supplier_id,
        offer_id=line.offer_id if line else (offer.id if offer else None),
        spools=line.spools if line else one.spools,
        spool_mg=one.spool_mg,
        price_minor=one.price_minor,
        expected=expected,
        tare_mg=one.tare_mg,
        retail_code=one.retail_code,
        lasting=one.lasting,
        teaches_price=not is_foreign,
    )


def _landed(arrived: Sequence[Arrived], freight_minor: int) -> list[int]:
    prices = [one.price_minor for one in arrived for _ in range(one.spools)]
    freight = largest_remainders(freight_minor, prices)
    return [price + share for price, share in zip(prices, freight, strict=True)]


def _event(spool: Spool, mg: int, cost_minor: int, at: datetime) -> Event:
    return Event(kind=Kind.DELIVERY, occurred_at=at, spool_id=spool.id, asked_mg=mg, cost_minor=cost_minor)


def arrived_by_line(session: Session, order_ids: Sequence[int]) -> dict[int, int]:
    """Give how many spools of each line of these orders have come."""
    query = (
        select(col(Spool.order_line_id), func.count())
        .join(OrderLine, col(OrderLine.id) == col(Spool.order_line_id))
        .where(col(OrderLine.order_id).in_(order_ids), col(Spool.live))
        .group_by(col(Spool.order_line_id))
    )
    return {line: spools for line, spools in session.execute(query) if line is not None}


def lacking_of_line() -> SQLCoreOperations[int]:
    """Give, for a query of order lines, how many spools of a line have not come; below 0 where more came."""
    came = (
        select(func.count(col(Spool.id)))
        .where(col(Spool.order_line_id) == col(OrderLine.id), col(Spool.live))
        .correlate(OrderLine)
        .scalar_subquery()
    )
    return col(OrderLine.spools) - came


def _names(session: Session, delivery_ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
    query = (
        select(col(Spool.delivery_id), col(Spool.article_id))
        .where(col(Spool.delivery_id).in_(delivery_ids), col(Spool.live))
        .distinct()
    )
    pairs = session.execute(query).all()
    known = finding.items(session, [article for _, article in pairs])
    names: dict[int, list[str]] = {}
    for delivery, article in pairs:
        names.setdefault(delivery or 0, []).append(known[article].name)
    return {delivery: tuple(sorted(some)) for delivery, some in names.items()}
