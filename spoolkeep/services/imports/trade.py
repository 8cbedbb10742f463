"""The sheets of who sells plastic: suppliers and their offers.

The imports' engine calls it.
"""

from collections.abc import Sequence

from spoolkeep.domain.codes import RetailCode, read_code
from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.leadtimes import EVERY_DAY
from spoolkeep.domain.sheets import SheetRow
from spoolkeep.domain.terms import OfferTerms
from spoolkeep.domain.units import Milligrams, MinorUnits, mg_from_grams, minor_from_major, positive_mg_from_grams
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry, check_terms, make_offer, make_supplier
from spoolkeep.services.imports.cells import Booked, Booker, Cells, Column, Reading, whole_from
from spoolkeep.services.imports.lookups import (
    DIAMETER,
    FINISH,
    Items,
    item_name,
    named,
    new_name,
)
from spoolkeep.services.names import numbers
from spoolkeep.services.offers import check_days
from spoolkeep.store.tables import Act, Supplier

SUPPLIERS = (
    Column("name", needed=True, says="the supplier's name"),
    Column("address", needed=False, says="where orders go"),
    Column("lead_days", needed=False, says="days from an order to its delivery, 0 to 365; Setup's if empty"),
    Column("parcel", needed=False, says="what a parcel costs to send"),
    Column("free_from", needed=False, says="from what an order's worth on the parcel is free"),
    Column(
        "give_or_take", needed=False, says="days by which a delivery is earlier or later, 0 to 365; Setup's if empty"
    ),
    Column("order_days", needed=False, says="weekdays on which it takes orders, like mon thu; any if empty"),
    Column("least", needed=False, says="what an order must be worth"),
    Column("mail", needed=False, says="the address to which orders are mailed"),
    Column("note", needed=False, says="what else there is to know of it"),
)
OFFERS = (
    Column("supplier", needed=True, says="the supplier's name"),
    Column("material", needed=True, says="of the item"),
    Column("colour", needed=True, says="of the item"),
    FINISH,
    DIAMETER,
    Column("spool_g", needed=True, says="grams of plastic on one spool"),
    Column("price", needed=True, says="for one spool, in the workshop's currency, net of recoverable tax"),
    Column("pack", needed=False, says="how many spools are sold together; 1 if empty"),
    Column("tare_g", needed=False, says="grams of the empty reel"),
    Column("their_number", needed=False, says="the supplier's number for it"),
    Column("ean", needed=False, says="the maker's code on the box, EAN or UPC"),
    Column("breaks", needed=False, says="cheaper prices from a number of spools on, like 10:13.50 20:12.90"),
    Column("at_least", needed=False, says="the fewest spools that are sold at once; 1 if empty"),
    Column("from", needed=False, says="the first day on which it can be ordered, 2026-03-04; any if empty"),
    Column("until", needed=False, says="the last day on which it can be ordered; no end if empty"),
    Column("replaces", needed=False, says="yes where what they offer of it so far ends on the day before"),
)

_MOST_LEAD_DAYS = 365
_WHERE = {
    "ends_before_it_begins": "until",
    "far_away": "until",
    "begins_when": "from",
    "bad_least": "at_least",
    "bad_pack": "pack",
    "bad_spool_size": "spool_g",
}
WEEKDAYS, LETTERS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun"), 3


def read_suppliers(reading: Reading, rows: Sequence[SheetRow]) -> Booker:
    """Give what adds these suppliers."""
    known = numbers(reading.session, Supplier)
    found = []
    for row in rows:
        cells = Cells(reading, row)
        entry = SupplierEntry(
            name=new_name(cells, known, "supplier", reading),
            address=cells.text("address"),
            lead_days=cells.read("lead_days", _lead_days, None),
            parcel_minor=cells.money("parcel", MinorUnits(0)),
            free_freight_minor=cells.money("free_from", MinorUnits(0)) if cells.text("free_from") else None,
            mail=cells.text("mail"),
            note=cells.text("note"),
            lead_spread_days=cells.read("give_or_take", _lead_days, None),
            order_days=cells.read("order_days", _order_days, EVERY_DAY),
            least_minor=cells.money("least", MinorUnits(0)) if cells.text("least") else None,
        )
        if not cells.bad:
            _check_supplier(cells, entry)
        found.append(entry)

    def book(act: Act) -> Booked:
        for one in found:
            make_supplier(reading.session, act, one)
        return Booked()

    return book


def _lead_days(text: str) -> int:
    days = whole_from(text, "lead_days")
    if not 0 <= days <= _MOST_LEAD_DAYS:
        raise BadInput("no_such_lead", "A delivery takes 0 to 365 days.")
    return days


def _order_days(text: str) -> int:
    days = text.lower().replace(",", " ").split()
    unknown = next((one for one in days if one[:LETTERS] not in WEEKDAYS), None)
    if unknown is not None:
        raise BadInput("no_such_weekday", f"“{unknown[:40]}” is not a weekday. Write them like {' '.join(WEEKDAYS)}.")
    return sum({1 << WEEKDAYS.index(one[:LETTERS]) for one in days})


def _check_supplier(cells: Cells, entry: SupplierEntry) -> None:
    try:
        check_terms(entry)
    except Refusal as refusal:
        cells.problem("mail" if refusal.code == "no_such_mail" else "name", refusal.words, refusal.code)


def read_offers(reading: Reading, rows: Sequence[SheetRow]) -> Booker:
    """Give what adds these offers with their price breaks."""
    items, suppliers = Items(reading.session), numbers(reading.session, Supplier)
    found = [_offer(Cells(reading, row), items, suppliers) for row in rows]

    def book(act: Act) -> Booked:
        for entry in found:
            make_offer(reading.session, act, entry)
        return Booked()

    return book


def _offer(cells: Cells, items: Items, suppliers: dict[str, int]) -> OfferEntry:
    name = item_name(cells)
    cells.needed("price")
    entry = OfferEntry(
        supplier_id=cells.must("supplier", named(suppliers, "supplier", "suppliers"), 0),
        article_id=0 if cells.bad else cells.read("colour", lambda _: items.need(name), 0),
        spool_mg=cells.must("spool_g", positive_mg_from_grams, Milligrams(1)),
        price_minor=cells.money("price", MinorUnits(0)),
        their_number=cells.text("their_number"),
        retail_code=cells.read("ean", _retail, ""),
        tare_mg=cells.read("tare_g", tare_from, None),
        pack=cells.whole("pack", 1),
        breaks=cells.read("breaks", lambda text: _breaks(text, cells.reading.decimals), ()),
        least_spools=cells.whole("at_least", 1),
        from_day=cells.day("from", ahead=True),
        until_day=cells.day("until", ahead=True),
        ends_before=cells.read("replaces", _yes, empty=False),
    )
    if not cells.bad:
        _check_terms(cells, entry)
    return entry


def _yes(text: str) -> bool:
    if text.strip().lower() not in {"yes", "no"}:
        raise BadInput("no_yes_or_no", f"“{text[:40]}” is neither yes nor no.")
    return text.strip().lower() == "yes"


def tare_from(text: str) -> Milligrams:
    """Give the weight of an empty reel. Errors: BadInput."""
    mg = mg_from_grams(text, "Tare")
    if mg < 0:
        raise BadInput("no_such_tare", "An empty reel weighs 0 g or more.")
    return mg


def _retail(text: str) -> str:
    code = read_code(text)
    if not isinstance(code, RetailCode):
        raise BadInput("no_retail_code", f"“{text}” is not an EAN or UPC. Copy the digits under the maker's own code.")
    return code.digits


def _breaks(text: str, decimals: int) -> tuple[tuple[int, int], ...]:
    pairs = []
    for part in text.split():
        spools, colon, price = part.partition(":")
        if not colon:
            raise BadInput("bad_break", f"“{part}” is not a price break. Write it like 10:13.50.")
        pairs.append((whole_from(spools, "breaks"), int(minor_from_major(price, decimals, "breaks"))))
    return tuple(pairs)


def _check_terms(cells: Cells, entry: OfferEntry) -> None:
    try:
        OfferTerms(0, entry.price_minor, entry.spool_mg, entry.pack, entry.breaks, entry.least_spools)
        check_days(entry.from_day, entry.until_day, around=cells.reading.today, ends_before=entry.ends_before)
    except Refusal as refusal:
        cells.problem(_WHERE.get(refusal.code, "breaks" if entry.breaks else "price"), refusal.words, refusal.code)
