"""The sheets of what a workshop has: machines, places, items and products.

The imports' engine calls it.
"""

from collections.abc import Sequence

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.sheets import SheetRow
from spoolkeep.domain.units import MinorUnits, positive_mg_from_grams
from spoolkeep.domain.words import PlaceKind
from spoolkeep.services.catalogue import MOST_FEEDS, ProductEntry, make_machine, make_place, make_product
from spoolkeep.services.imports.cells import Booked, Booker, Cells, Column, Reading
from spoolkeep.services.imports.lookups import (
    DIAMETER,
    FINISH,
    ItemName,
    Items,
    item_name,
    item_said,
    new_name,
    shades_from,
)
from spoolkeep.services.names import numbers
from spoolkeep.store.tables import Act, Machine, Place, Product

MACHINES = (
    Column("name", needed=True, says="the machine's name"),
    Column("feeds", needed=False, says=f"how many spools it takes at a time, 1 to {MOST_FEEDS}; 1 if empty"),
)
PLACES = (
    Column("name", needed=True, says="the name of a shelf, drawer or dry box"),
    Column("kind", needed=False, says="shelf, drawer or dry box; shelf if empty"),
)
ARTICLES = (
    Column("material", needed=True, says="PLA, PETG, ABS, ASA, TPU, PA, PC or another that Setup knows"),
    Column("colour", needed=True, says="the colour's name"),
    FINISH,
    Column("shade", needed=False, says="sRGB like #1f6feb; two with / between; needed for a new colour"),
    DIAMETER,
)
PRODUCTS = (
    Column("name", needed=True, says="the product's name"),
    Column("price", needed=False, says="what it sells for, in the workshop's currency, net of recoverable tax"),
    Column("parts", needed=True, says="grams of each item in one product, like PLA Black: 42; PLA Gold (silk): 8"),
)


def read_machines(reading: Reading, rows: Sequence[SheetRow]) -> Booker:
    """Give what adds these machines with their feeds."""
    known = numbers(reading.session, Machine)
    found: list[tuple[str, int]] = []
    for row in rows:
        cells = Cells(reading, row)
        feeds = cells.whole("feeds", 1)
        if not 1 <= feeds <= MOST_FEEDS:
            cells.problem("feeds", f"A machine has 1 to {MOST_FEEDS} feeds.", "no_such_feeds")
        found.append((new_name(cells, known, "machine", reading), feeds))

    def book(act: Act) -> Booked:
        for name, feeds in found:
            make_machine(reading.session, act, name=name, feeds=feeds)
        return Booked()

    return book


def read_places(reading: Reading, rows: Sequence[SheetRow]) -> Booker:
    """Give what adds these places."""
    known = numbers(reading.session, Place)
    found: list[tuple[str, PlaceKind]] = []
    for row in rows:
        cells = Cells(reading, row)
        kind = cells.word("kind", PlaceKind, PlaceKind.SHELF)
        found.append((new_name(cells, known, "place", reading), kind))

    def book(act: Act) -> Booked:
        for name, kind in found:
            make_place(reading.session, act, name=name, kind=kind)
        return Booked()

    return book


def read_articles(reading: Reading, rows: Sequence[SheetRow]) -> Booker:
    """Give what adds these items."""
    items = Items(reading.session)
    for row in rows:
        cells = Cells(reading, row)
        name, shades = item_name(cells), cells.read("shade", shades_from, ())
        if not cells.bad:
            _add_once(cells, items, name, shades)

    def book(act: Act) -> Booked:
        items.make(act)
        return Booked()

    return book


def _add_once(cells: Cells, items: Items, name: ItemName, shades: tuple[str, ...]) -> None:
    def add(_: str) -> None:
        before = len(items.new)
        if items.find(name) is None:
            items.add(name, shades)
        if len(items.new) == before:
            raise BadInput("item_is_there", f"{name} is there already. Leave this row out.")

    cells.read("colour", add, None)


def read_products(reading: Reading, rows: Sequence[SheetRow]) -> Booker:
    """Give what adds these products with their parts."""
    known, items = numbers(reading.session, Product), Items(reading.session)
    found = []
    for row in rows:
        cells = Cells(reading, row)
        price = cells.money("price", MinorUnits(0)) if cells.text("price") else None
        parts = cells.must("parts", lambda text: _parts(items, text), ())
        found.append(ProductEntry(new_name(cells, known, "product", reading), price, parts))

    def book(act: Act) -> Booked:
        for one in found:
            make_product(reading.session, act, one)
        return Booked()

    return book


def _parts(items: Items, text: str) -> tuple[tuple[int, int], ...]:
    """Give pairs of item and milligrams. Errors: BadInput, NotFound."""
    pairs = []
    for part in filter(None, (one.strip() for one in text.split(";"))):
        name, colon, grams = part.rpartition(":")
        if not colon:
            raise BadInput("bad_part", f"“{part}” does not say its grams. Write it like PLA Black: 42.")
        pairs.append((items.need(item_said(name)), positive_mg_from_grams(grams, "Parts")))
    return tuple(pairs)
