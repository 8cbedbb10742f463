"""Labels for what is in the books: spools, feeds and places, and samples that are not.

The web and the command line call it; the press makes the bytes.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import Code, CodeKind, read_code_of
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import Formats
from spoolkeep.domain.words import Finish
from spoolkeep.paper.labels import Label, PlainLabel, SpoolLabel, press_labels, warning_about
from spoolkeep.paper.stocks import stock_named
from spoolkeep.services import finding
from spoolkeep.services.shop import load_shop
from spoolkeep.store.journal import batched
from spoolkeep.store.tables import Balance, Feed, Place, Spool, Supplier

SAMPLE_COLOURS = (
    ("PLA", "Slate black", ("#23262b",), Finish.MATT),
    ("PETG", "Chalk white", ("#f4f2ea",), Finish.GLOSS),
    ("TPU", "Clear", ("#dfe7ea",), Finish.CLEAR),
    ("PLA", "Dusk and rose", ("#3a3f7a", "#d98a9c"), Finish.SILK),
)
FIRST_SAMPLE_SERIAL = 900_001
MOST_SAMPLES = 2_000


@dataclass(frozen=True)
class Gathered:
    """Labels as the books have them, ready for the press, which needs the books no more."""

    labels: tuple[Label, ...]
    printed_on: date
    formats: Formats


def of_spools(*, session: Session, now: datetime, codes: Sequence[str]) -> Gathered:
    """Give these spools' labels for the press. Errors: BadInput, NotFound."""
    shop = load_shop(session)
    return Gathered(tuple(_labels_of(session, codes)), shop.today(now), shop.formats)


def press(gathered: Gathered, *, stock: str, dpi: int = 203, start: int = 1) -> bytes:
    """Give the PDF of labels that were gathered. Errors: BadInput."""
    return press_labels(
        gathered.labels,
        stock_named(stock),
        dpi=dpi,
        start=start,
        printed_on=gathered.printed_on,
        formats=gathered.formats,
    )


def spool_labels(
    *, session: Session, now: datetime, codes: Sequence[str], stock: str, dpi: int = 203, start: int = 1
) -> bytes:
    """Give the PDF of these spools' labels. Errors: BadInput, NotFound."""
    return press(of_spools(session=session, now=now, codes=codes), stock=stock, dpi=dpi, start=start)


def letters_lacking(*, session: Session, codes: Sequence[str]) -> str | None:
    """Give a sentence that names letters which the labels' faces cannot draw, or None. Errors: BadInput, NotFound."""
    return warning_about(_labels_of(session, codes))


def _labels_of(session: Session, codes: Sequence[str]) -> list[SpoolLabel]:
    suppliers = {one.id: one.name for one in session.scalars(select(Supplier))}
    found = _spools(session, [read_code_of(code, CodeKind.SPOOL).serial for code in codes])
    known = finding.items(session, {spool.article_id for spool, _ in found})
    return [
        SpoolLabel(
            code=Code(CodeKind.SPOOL, spool.serial),
            material=known[spool.article_id].material,
            colour=known[spool.article_id].colour,
            srgb=known[spool.article_id].srgb,
            finish=known[spool.article_id].finish,
            received_mg=received_mg,
            tare_mg=spool.tare_mg,
            lot=spool.lot,
            supplier=suppliers.get(spool.supplier_id or 0, ""),
            received_on=spool.received_on,
        )
        for spool, received_mg in found
    ]


def _spools(session: Session, serials: Sequence[int]) -> list[tuple[Spool, int]]:
    """Give the spools with these serials in their order, and what each received. Errors: NotFound."""
    found: dict[int, tuple[Spool, int]] = {}
    for some in batched(serials):
        query = select(Spool, col(Balance.received_mg)).join(Balance, col(Balance.spool_id) == col(Spool.id))
        rows = session.execute(query.where(col(Spool.serial).in_(some), col(Spool.live)))
        found |= {spool.serial: (spool, received_mg) for spool, received_mg in rows}
    for missing in (serial for serial in serials if serial not in found):
        finding.spool_by_serial(session, missing)  # which refuses it in words
    return [found[serial] for serial in serials]


def place_and_feed_labels(*, session: Session, now: datetime, stock: str, dpi: int = 203, start: int = 1) -> bytes:
    """Give the PDF of the labels of every feed and place. Errors: BadInput."""
    return press(of_places_and_feeds(session=session, now=now), stock=stock, dpi=dpi, start=start)


def of_places_and_feeds(*, session: Session, now: datetime) -> Gathered:
    """Give the labels of every feed and place for the press. Errors: BadInput where there is none."""
    shop = load_shop(session)
    names = finding.feed_names(session)
    feeds = session.scalars(select(Feed).where(col(Feed.live)).order_by(col(Feed.machine_id), col(Feed.position)))
    places = session.scalars(select(Place).where(col(Place.live)).order_by(col(Place.name)))
    found = (
        *(PlainLabel(Code(CodeKind.FEED, feed.serial), names[feed.id], "feed") for feed in feeds),
        *(PlainLabel(Code(CodeKind.PLACE, place.serial), place.name, place.kind) for place in places),
    )
    if not found:
        raise BadInput("nothing_to_print", "There is no machine and no place yet. Add one, then print its labels.")
    return Gathered(found, shop.today(now), shop.formats)


def sample_labels(
    *, today: date, formats: Formats, count: int, stock: str, dpi: int = 203, start: int = 1
) -> tuple[bytes, list[str]]:
    """Give the PDF of `count` sample labels and their codes, to test a printer; nothing is booked. Errors: BadInput."""
    if not 1 <= count <= MOST_SAMPLES:
        raise BadInput("no_such_number", f"Print 1 to {MOST_SAMPLES} samples at a time.")
    labels = []
    for number in range(count):
        material, colour, shades, finish = SAMPLE_COLOURS[number % len(SAMPLE_COLOURS)]
        labels.append(
            SpoolLabel(
                code=Code(CodeKind.SPOOL, FIRST_SAMPLE_SERIAL + number),
                material=material,
                colour=colour,
                srgb=shades,
                finish=finish,
                received_mg=1_000_000,
                tare_mg=210_000,
                lot=f"L{number + 1:04d}",
                supplier="Sample",
                received_on=today,
            )
        )
    pdf = press_labels(labels, stock_named(stock), dpi=dpi, start=start, printed_on=today, formats=formats)
    return pdf, [label.code.text for label in labels]
