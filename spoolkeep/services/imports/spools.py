"""The sheet of spools: what stands on the shelves, what is left on it, and on which feed it is.

The imports' engine calls it.

A spool comes in whole (`received_g`, on `received_on`), with its cost, and is then counted: `left_g` is what was left
at `counted_on`, the moment of the import if that is empty. So what was used before is neither lost nor a draw, and
jobs of that time may be imported later: the count stands, and nothing is taken off twice.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain import measures
from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.names import folded
from spoolkeep.domain.sheets import SheetRow
from spoolkeep.domain.units import Milligrams, MinorUnits, mg_from_grams, positive_mg_from_grams
from spoolkeep.domain.words import Finish, Kind, PlaceKind
from spoolkeep.services.catalogue import SupplierEntry, make_place, make_supplier
from spoolkeep.services.deliveries import MOST_SPOOL_MG
from spoolkeep.services.imports.cells import Booked, Booker, Cells, Column, Reading, Shown, diameter_from, one_word
from spoolkeep.services.imports.lookups import (
    DIAMETER,
    FINISH,
    USUAL_UM,
    ItemName,
    Items,
    Machines,
    as_meant,
    item_in_one,
    item_name,
    machine_and_feed,
    shades_from,
)
from spoolkeep.services.imports.trade import tare_from
from spoolkeep.services.names import numbers
from spoolkeep.services.shop import code_text, next_serials
from spoolkeep.store.journal import create_all
from spoolkeep.store.ledger import Event, book
from spoolkeep.store.tables import Act, Loading, Place, Spool, Supplier

COLUMNS = (
    Column("id", needed=False, says="the row's own number, where the sheet has one"),
    Column("material", needed=False, says="of the item, like PLA; needed with colour, or item"),
    Column("colour", needed=False, says="of the item; the item is made where it is new"),
    Column(
        "item", needed=False, says="material and colour in one cell, like PLA Black; needed, or material and colour"
    ),
    FINISH,
    Column("shade", needed=False, says="sRGB like #1f6feb; two with / between; needed for a new colour"),
    DIAMETER,
    Column("left_g", needed=False, says="grams of plastic left, without the reel; needed, or weights"),
    Column("weights", needed=False, says="full and left in one cell, like 1 kg / 250 g; one weight alone is both"),
    Column("spools", needed=False, says="how many spools alike, like 3 or 3 x; 1 if empty. All else is said of each"),
    Column("received_g", needed=False, says="grams when it was new; left_g if empty"),
    Column("counted_on", needed=False, says="when left_g was so; now if empty"),
    Column("cost", needed=False, says="what the new spool cost, in the workshop's currency, net of recoverable tax"),
    Column("tare_g", needed=False, says="grams of the empty reel"),
    Column("lot", needed=False, says="the maker's lot"),
    Column("supplier", needed=False, says="made where it is new"),
    Column("place", needed=False, says="its shelf, drawer or dry box; made where it is new"),
    Column("received_on", needed=False, says="the day it came; today if empty"),
    Column("opened_on", needed=False, says="the day it was opened"),
    Column("machine", needed=False, says="the machine that it is on now"),
    Column("feed", needed=False, says="the feed's position, where the machine has several"),
    Column("note", needed=False, says="anything else that is worth keeping with the spool"),
)
ONE_OF = ((("material", "colour"), ("item",)), (("left_g",), ("weights",)))
"""What a sheet must have, and the ways to say it."""
MOST_ALIKE = 500


@dataclass(frozen=True)
class _Row:
    name: ItemName
    left_mg: int
    received_mg: int
    cost_minor: int
    tare_mg: int | None
    lot: str
    supplier: str
    place: str
    received_on: date
    opened_on: date | None
    received_at: datetime
    counted_at: datetime
    feed_id: int | None
    count: int = 1
    note: str = ""


@dataclass
class _Feeds:
    """Which feeds have a spool, in the books or by an earlier row; and since when each is free."""

    taken: set[int]
    free_since: dict[int, datetime]


def read(reading: Reading, rows: Sequence[SheetRow]) -> Booker:
    """Give what brings these spools into the books."""
    items, machines, feeds = Items(reading.session), Machines(reading.session), _feeds(reading)
    known = _Known(items, machines, feeds, numbers(reading.session, Place, in_use=True))
    found = [one for row in rows for one in _alike(Cells(reading, row), known)]
    return lambda act: _book(reading, act, found, items=items, feeds=feeds)


@dataclass(frozen=True)
class _Known:
    """What the rows are read against."""

    items: Items
    machines: Machines
    feeds: _Feeds
    places: dict[str, int]
    named: dict[str, str] = field(default_factory=dict)
    """New places by their folded name, as they will be called."""


def _alike(cells: Cells, known: _Known) -> list[_Row]:
    """Give the spools of a row, and note what it would book."""
    one = _row(cells, known.items, known.machines, known.feeds)
    if not cells.bad:
        cells.reading.shows.append(_shown(cells, one, known))
    return [one] * one.count


def _shown(cells: Cells, one: _Row, known: _Known) -> Shown:
    formats = cells.reading.shop.formats
    more = (
        f"from {one.supplier}" if one.supplier else "",
        f"came {formats.day(one.received_on)}" if cells.text("received_on") else "",
        f"opened {formats.day(one.opened_on)}" if one.opened_on else "",
        f"lot {one.lot}" if one.lot else "",
        f"on {cells.text('machine')}" if one.feed_id else "",
        one.note,
    )
    srgb, is_new = known.items.shades(one.name)
    return Shown(
        line=cells.line,
        item=str(one.name._replace(finish=None)),
        srgb=srgb,
        finish=one.name.finish or "satin",
        is_new=is_new,
        spools=one.count,
        left_mg=one.left_mg,
        received_mg=one.received_mg,
        cost_minor=one.cost_minor,
        place=known.named.setdefault(folded(one.place), one.place),
        place_is_new=bool(one.place) and folded(one.place) not in known.places,
        more=", ".join(filter(None, more)),
    )


def _feeds(reading: Reading) -> _Feeds:
    session = reading.session
    live = col(Loading.live), ~col(Loading.standby)
    taken = session.scalars(select(col(Loading.feed_id)).where(*live, col(Loading.until_at).is_(None)))
    free = select(col(Loading.feed_id), func.max(col(Loading.until_at))).where(*live).group_by(col(Loading.feed_id))
    return _Feeds(set(taken), {feed: at for feed, at in session.execute(free) if at is not None})


def _row(cells: Cells, items: Items, machines: Machines, feeds: _Feeds) -> _Row:
    reading = cells.reading
    left, full = _weights(cells)
    received_on = cells.day("received_on") or reading.today
    received_at = reading.clock.span_of(received_on)[0]
    one = _Row(
        name=_item(cells, items),
        left_mg=left,
        received_mg=cells.read("received_g", positive_mg_from_grams, full),
        cost_minor=cells.money("cost", MinorUnits(0)),
        tare_mg=cells.read("tare_g", tare_from, None),
        lot=cells.text("lot"),
        supplier=" ".join(cells.text("supplier").split()),
        place=" ".join(cells.text("place").split()),
        received_on=received_on,
        opened_on=cells.day("opened_on"),
        received_at=received_at,
        counted_at=cells.moment("counted_on") or reading.now,
        feed_id=_feed(cells, machines, feeds),
        count=_count(cells),
        note=cells.text("note"),
    )
    _check(cells, one)
    return one


def _count(cells: Cells) -> int:
    found = cells.read("spools", measures.count, 1)
    if found > MOST_ALIKE:
        cells.problem("spools", f"{found} spools in one row cannot be. Enter at most {MOST_ALIKE}.", "too_many")
    if found > 1 and cells.text("machine"):
        cells.problem(
            "spools", "Several spools cannot be on one feed. Give the one on the machine its own row.", "alike"
        )
    return min(found, MOST_ALIKE)


def _weights(cells: Cells) -> tuple[Milligrams, Milligrams]:
    """Give what is left, and what was on it when it was new, where one cell says both; else twice what is left."""
    if cells.text("left_g") or not cells.text("weights"):
        column = "left_g" if cells.text("left_g") or cells.reading.has("left_g") else "weights"
        left = cells.must(column, _left_from, Milligrams(1))
        return left, left
    found = cells.read("weights", lambda text: _both_from(cells.reading, text), ())
    return (min(found), max(found)) if found else (Milligrams(1), Milligrams(1))


def _both_from(reading: Reading, text: str) -> tuple[Milligrams, ...]:
    """Give one weight or two. Errors: BadInput."""
    parts = measures.weights(text) or (text,)
    if len(parts) > 2:  # noqa: PLR2004 - full and left
        raise BadInput("too_many_weights", f"“{text}” has more than two weights. Write it like 1 kg / 250 g.")
    unit = reading.manner.units.get("weights", "g")
    return tuple(_left_from(measures.grams(part, mark=reading.mark, unit=unit)) for part in parts)


def _left_from(text: str) -> Milligrams:
    mg = mg_from_grams(text, "left_g")
    if mg < 0:
        raise BadInput("negative_left", "No spool has less than 0 g left.")
    return mg


def _item(cells: Cells, items: Items) -> ItemName:
    """Give the item's full name: of the item in the books, else of the one that will be made."""
    name = cells.read("item", lambda text: _in_one(cells, items, text), None) or _in_two(cells)
    shades = cells.read("shade", shades_from, ())
    if cells.bad:
        return name
    if not shades and not items.has_colour(name.colour, name.finish):
        shades = _told_shade(cells.reading, name)
    where = "item" if cells.text("item") else "colour"
    return cells.read(where, lambda _: name if items.find(name) is not None else items.add(name, shades), name)


def _in_two(cells: Cells) -> ItemName:
    """Give the item by material and colour, or note what is lacking in the column that the sheet has."""
    if not cells.reading.has("colour") and cells.reading.has("item"):
        if not cells.bad:
            cells.needed("item")
        return ItemName("", "", None, USUAL_UM)
    return item_name(cells)


def _in_one(cells: Cells, items: Items, text: str) -> ItemName:
    said = item_in_one(text, items.materials)
    finish = cells.read("finish", lambda word: one_word(word, Finish), said.finish)
    diameter_um = cells.read("diameter_mm", diameter_from, USUAL_UM)
    return as_meant(cells.reading.manner, said._replace(finish=finish, diameter_um=diameter_um))


def _told_shade(reading: Reading, name: ItemName) -> tuple[str, ...]:
    shade = reading.manner.shades.get(folded(name.colour), "")
    return shades_from(shade) if shade else ()


def _feed(cells: Cells, machines: Machines, feeds: _Feeds) -> int | None:
    machine_id, feed_id = machine_and_feed(cells, machines)
    if machine_id is None:
        return None
    if feed_id is None and not cells.text("feed"):
        feed_id = machines.only_feed(machine_id)
        if feed_id is None:
            cells.problem("feed", "That machine has several feeds. Say on which the spool is.", "which_feed")
    if machine_id in machines.retired:
        words = f"{cells.text('machine')} is retired. Take it back under Setup, or leave machine and feed empty."
        cells.problem("machine", words, "machine_is_retired")
    if feed_id in feeds.taken:
        words = "That feed has a spool already. Take it off on the Bench first, or leave machine and feed empty."
        cells.problem("feed", words, "feed_is_taken")
    if feed_id is not None:
        feeds.taken.add(feed_id)
    return feed_id


def _check(cells: Cells, one: _Row) -> None:
    if cells.bad:
        return
    if not one.received_mg:
        cells.problem("received_g", "An empty spool needs received_g: what was on it when it was new.", "empty_spool")
    if one.received_mg > MOST_SPOOL_MG:
        cells.problem("received_g", "A spool holds at most 50 kg. Enter grams.", "no_such_spool_size")
    if one.left_mg > one.received_mg:
        cells.problem("left_g", "More is left than was on the new spool. Check left_g and received_g.", "more_than_new")
    if one.counted_at < one.received_at:
        cells.problem("counted_on", "It was counted before it came. Check the dates.", "before_it_came")
    if one.opened_on and one.opened_on < one.received_on:
        cells.problem("opened_on", "It was opened before it came. Check the dates.", "before_it_came")


def _book(reading: Reading, act: Act, found: Sequence[_Row], *, items: Items, feeds: _Feeds) -> Booked:
    session = reading.session
    made = items.make(act)
    places, suppliers = _places(reading, act, found), _suppliers(reading, act, found)
    serials = next_serials(session, CodeKind.SPOOL, len(found))
    rows = [
        _spool(one, serial, made.get(one.name) or items.need(one.name), places=places, suppliers=suppliers)
        for serial, one in zip(serials, found, strict=True)
    ]
    pairs = list(zip(create_all(session, act, Spool, rows), found, strict=True))
    book(session, act, [event for number, one in pairs for event in _events(number, one)])
    loadings = [_loading(reading, number, one, feeds) for number, one in pairs if one.feed_id]
    create_all(session, act, Loading, loadings)
    return Booked(codes=tuple(code_text(CodeKind.SPOOL, serial) for serial in serials))


def _events(spool_id: int, one: _Row) -> Iterator[Event]:
    yield Event(
        kind=Kind.OPENING,
        occurred_at=one.received_at,
        spool_id=spool_id,
        asked_mg=one.received_mg,
        cost_minor=one.cost_minor,
    )
    if one.left_mg != one.received_mg or one.counted_at > one.received_at:
        yield Event(kind=Kind.COUNT, occurred_at=one.counted_at, spool_id=spool_id, leaves_mg=one.left_mg)


def _spool(
    one: _Row, serial: int, article_id: int, *, places: dict[str, int], suppliers: dict[str, int]
) -> dict[str, object]:
    place_id = places.get(folded(one.place))
    return {
        "serial": serial,
        "article_id": article_id,
        "supplier_id": suppliers.get(folded(one.supplier)),
        "place_id": place_id,
        "home_id": place_id,
        "lot": one.lot,
        "tare_mg": one.tare_mg,
        "received_on": one.received_on,
        "opened_on": one.opened_on or (one.received_on if one.feed_id else None),
        "note": one.note,
    }


def _loading(reading: Reading, spool_id: int, one: _Row, feeds: _Feeds) -> dict[str, object]:
    """Give the loading since the spool was opened, but not before the feed was free."""
    feed_id = one.feed_id or 0
    since = reading.clock.span_of(one.opened_on or one.received_on)[0]
    return {"spool_id": spool_id, "feed_id": feed_id, "from_at": max(since, feeds.free_since.get(feed_id, since))}


def _places(reading: Reading, act: Act, found: Sequence[_Row]) -> dict[str, int]:
    known = numbers(reading.session, Place, in_use=True)
    for name in (one.place for one in found):
        if name and folded(name) not in known:
            known[folded(name)] = make_place(reading.session, act, name=name, kind=PlaceKind.SHELF).id
    return known


def _suppliers(reading: Reading, act: Act, found: Sequence[_Row]) -> dict[str, int]:
    known = numbers(reading.session, Supplier)
    for name in (one.supplier for one in found):
        if name and folded(name) not in known:
            known[folded(name)] = make_supplier(reading.session, act, SupplierEntry(name)).id
    return known
