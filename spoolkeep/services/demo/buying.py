"""What the demo workshop buys: orders on each supplier's day, promises, and deliveries that come late or in part.

The demo's days call it. People look at the sealed spools on the shelf, and forget now and then.
"""

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from spoolkeep.domain.terms import less_off
from spoolkeep.domain.units import minor_from_major
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.demo.day import YEAR_DAYS, Day
from spoolkeep.services.demo.described import WEEKDAYS, OfferRow, SupplierRow
from spoolkeep.services.demo.truth import TrueLine, TrueOrder, TrueSpool

_MG = 1000
_CENTS = 2
_IN_PART = 0.1
"""Of the deliveries of several lines, those that come in two parts."""
_REST_AFTER = 5
_SOON_DAYS = 16
"""So long before an event more is bought."""
_SECOND_CHOICE = 0.3
"""How often a person takes another offer than the first of an item."""


def stock_up(day: Day, moment: datetime) -> None:
    """Book in what the shop begins with: as many spools of each item as it likes to have, by supplier."""
    for supplier in day.told.suppliers.values():
        lines = [
            TrueLine(number, 0, _spools(day, number, day.told.articles[offer.item].low + 1))
            for number, offer in _standing(day)
            if offer.supplier == supplier.name and _first_offer(day, offer.item) == number
        ]
        if lines:
            _book_in(day, lines, moment)


def look_at_the_shelf(day: Day, moment: datetime) -> None:
    """Order what is low from the suppliers whose day it is; what is out is ordered at once, mostly."""
    if 0 < day.truth.history_days - day.index <= day.told.habits.leaves_orders_days:
        return
    wanted: dict[str, list[TrueLine]] = {}
    standing = _standing(day)
    for item, row in day.told.articles.items():
        if item not in day.truth.numbers.items:
            continue
        sealed = _sealed(day, item)
        low = _low(day, item, row.low)
        number = _choose_offer(day, item, standing)
        if number is None or sealed > low:
            continue
        supplier = day.told.suppliers[day.told.offers[number].supplier]
        out = sealed == 0 and not any(one.left_mg > 200 * _MG for one in day.truth.of(item))
        if day.weekday != supplier.order_day and not (out and day.rng.random() < 0.5):  # noqa: PLR2004 - half the time
            continue
        if day.rng.random() < day.told.habits.forgets_to_order:
            continue
        wanted.setdefault(supplier.name, []).append(TrueLine(number, 0, _spools(day, number, low + row.buy - sealed)))
    for name, lines in wanted.items():
        moment += timedelta(minutes=7)
        _order(day, day.told.suppliers[name], lines, moment)


def receive(day: Day, moment: datetime) -> None:
    """Book in what comes today, in full or in part."""
    for order in [one for one in day.truth.orders if one.arrives_on <= day.date]:
        moment += timedelta(minutes=20)
        now, later = order.lines, []
        if len(order.lines) > 1 and day.rng.random() < _IN_PART:
            now, later = order.lines[:-1], order.lines[-1:]
        if _book_in(day, now, moment, order=order, freight=order.freight_minor):
            order.lines, order.freight_minor = later, 0
            order.arrives_on = day.date + timedelta(days=_REST_AFTER)
        else:
            order.lines = []
    day.truth.orders = [one for one in day.truth.orders if one.lines]


def change_offers(day: Day, moment: datetime) -> None:
    """Add the offers that begin today, and withdraw those that end."""
    for number, offer in enumerate(day.told.offers):
        if offer.until_day == day.index and day.index > 0:
            day.hands.withdraw_offer(number, moment)
        if offer.from_day == day.index:
            day.hands.add_offer(number, offer, moment)


def _standing(day: Day) -> list[tuple[int, OfferRow]]:
    """Give the offers that hold today."""
    return [
        (number, offer)
        for number, offer in enumerate(day.told.offers)
        if number in day.truth.numbers.offers
        and offer.from_day <= day.index
        and (offer.until_day is None or day.index < offer.until_day)
    ]


def _first_offer(day: Day, item: str) -> int | None:
    return next((number for number, offer in _standing(day) if offer.item == item), None)


def _choose_offer(day: Day, item: str, standing: Sequence[tuple[int, OfferRow]]) -> int | None:
    there = [number for number, offer in standing if offer.item == item]
    if len(there) > 1 and day.rng.random() < _SECOND_CHOICE:
        return there[-1]
    return there[0] if there else None


def _sealed(day: Day, item: str) -> int:
    """Give the sealed spools of an item, here and on their way, a big one counted by its kilograms."""
    here = sum(max(1, one.told_mg // (1000 * _MG)) for one in day.truth.of(item) if not one.opened)
    lines = [line for order in day.truth.orders for line in order.lines]
    coming = [(line.spools, day.told.offers[line.offer]) for line in lines]
    return here + sum(spools * max(1, offer.spool_g // 1000) for spools, offer in coming if offer.item == item)


def _low(day: Day, item: str, low: int) -> int:
    """Give the number of sealed spools that calls for an order: more as the shop grows, and before the season."""
    grown = low * day.grown**0.5
    feels = max((one.season for one in day.told.products.values() if item in one.grams), default=0.0)
    knows_it = day.index > YEAR_DAYS / 2  # the first season took the shop by surprise
    ahead = knows_it and day.season > 0.04  # noqa: PLR2004 - some six weeks before its peak
    return int(grown * (1 + 1.5 * feels * ahead) * _soon(day, item))


def _soon(day: Day, item: str) -> float:
    """Give how many times as much as usual an event of the coming weeks asks of a product with this item."""
    products = {one.name for one in day.told.products.values() if item in one.grams}
    return max(
        (
            event.times
            for event in day.told.events
            if products.intersection(event.products)
            and any(event.is_on(day.index + ahead) for ahead in (0, _SOON_DAYS // 2, _SOON_DAYS))
        ),
        default=1.0,
    )


def _spools(day: Day, number: int, wanted: int) -> int:
    offer = day.told.offers[number]
    spools = max(1, round(wanted * 1000 / max(1000, offer.spool_g)))
    return -(-spools // offer.pack) * offer.pack


def _order(day: Day, supplier: SupplierRow, lines: list[TrueLine], moment: datetime) -> None:
    ordered = day.hands.order([(line.offer, line.spools) for line in lines], moment)
    if ordered is None:
        return
    order_id, line_ids = ordered
    spools = sum(line.spools for line in lines)
    off_ppm = max((off for count, off in supplier.basket_breaks if spools >= count), default=0)
    for line, line_id in zip(lines, line_ids, strict=True):
        line.line_id = line_id
        line.price_minor = less_off(_price(day.told.offers[line.offer], line.spools), off_ppm)
    promised = _taken_on(day, supplier) + timedelta(days=supplier.lead_days)
    day.hands.promise(order_id, promised, moment + timedelta(hours=2))
    arrives = promised + timedelta(days=day.rng.randint(-supplier.spread_days, supplier.spread_days))
    if day.rng.random() < supplier.late_share:
        arrives += timedelta(days=supplier.late_days)
    while supplier.is_closed(_ahead(day, arrives)):
        arrives += timedelta(days=1)
    freight = _freight(supplier, lines)
    day.truth.orders.append(TrueOrder(order_id, supplier.name, _open_day(day, arrives), freight, lines))


def _taken_on(day: Day, supplier: SupplierRow) -> date:
    """Give the day on which a supplier takes an order of today: its next order day on which it is not closed."""
    taken = day.date
    while WEEKDAYS[taken.weekday()] != supplier.order_day or supplier.is_closed(_ahead(day, taken)):
        taken += timedelta(days=1)
    return taken


def _ahead(day: Day, other: date) -> int:
    """Give how many days after the first build a day lies."""
    return (other - day.truth.first_day).days - day.truth.history_days


def _freight(supplier: SupplierRow, lines: list[TrueLine]) -> int:
    worth = sum(line.spools * (line.price_minor or 0) for line in lines)
    free = bool(supplier.free_from) and worth >= minor_from_major(supplier.free_from, _CENTS, "free_from")
    return 0 if free else minor_from_major(supplier.parcel, _CENTS, "parcel")


def _price(offer: OfferRow, spools: int) -> int:
    held = [price for count, price in offer.price_breaks if spools >= count]
    return held[-1] if held else offer.price_minor


def _open_day(day: Day, wanted: date) -> date:
    while day.hours_of(wanted) is None:
        wanted += timedelta(days=1)
    return wanted


def _book_in(
    day: Day, lines: list[TrueLine], moment: datetime, *, order: TrueOrder | None = None, freight: int = 0
) -> bool:
    """Book spools in, each a little heavier or lighter than its label says; say whether the books took them."""
    arrived = [_arrived(day, line) for line in lines]
    codes = iter(day.hands.deliver(arrived, order=order, freight_minor=freight, now=moment))
    for line in lines:
        offer = day.told.offers[line.offer]
        for _ in range(line.spools):
            code = next(codes, "")
            if not code:
                return False
            day.truth.add(_true_spool(day, offer, code))
    return True


def _arrived(day: Day, line: TrueLine) -> Arrived:
    offer, numbers = day.told.offers[line.offer], day.truth.numbers
    return Arrived(
        article_id=numbers.items[offer.item],
        spools=line.spools,
        spool_mg=offer.spool_g * _MG,
        price_minor=_price(offer, line.spools) if line.price_minor is None else line.price_minor,
        tare_mg=None if offer.tare_g is None else offer.tare_g * _MG,
        lot=f"{offer.their_number}-{day.date:%y%m}{day.rng.randint(10, 99)}",
        order_line_id=line.line_id or None,
        place_id=numbers.places[day.told.articles[offer.item].place],
    )


def _true_spool(day: Day, offer: OfferRow, code: str) -> TrueSpool:
    slips = day.told.slips
    said = None if offer.tare_g is None else offer.tare_g * _MG
    return TrueSpool(
        number=len(day.truth.spools) + 1,
        item=offer.item,
        left_mg=offer.spool_g * _MG + round(day.rng.gauss(0, slips.received_spread_g) * _MG),
        told_mg=offer.spool_g * _MG,
        tare_mg=None if said is None else said + round(day.rng.gauss(0, slips.tare_spread_g) * _MG),
        said_tare_mg=said,
        place=day.told.articles[offer.item].place,
        came_on=day.date,
        code=code,
    )
