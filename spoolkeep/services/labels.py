"""Labels for what is in the books, of every kind, and samples that are not.

The web and the command line call it; the press makes the bytes.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.cards import HOW, Card, card_of
from spoolkeep.domain.codes import Code, CodeKind, RetailCode, read_code
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import Formats
from spoolkeep.domain.words import Finish
from spoolkeep.paper.labels import CardLabel, Label, PlainLabel, SpoolLabel, press_labels, warning_about
from spoolkeep.paper.stocks import CARD_SHEETS, Stock, stock_named
from spoolkeep.services import finding, stocks
from spoolkeep.services.shop import load_shop
from spoolkeep.store.journal import batched
from spoolkeep.store.tables import Balance, Feed, Job, JobFeed, Loading, Machine, Order, Place, Spool, Supplier

SAMPLE_COLOURS = (
    ("PLA", "Slate black", ("#23262b",), Finish.MATT),
    ("PETG", "Chalk white", ("#f4f2ea",), Finish.GLOSS),
    ("TPU", "Clear", ("#dfe7ea",), Finish.CLEAR),
    ("PLA", "Dusk and rose", ("#3a3f7a", "#d98a9c"), Finish.SILK),
)
FIRST_SAMPLE_SERIAL = 900_001
MOST_SAMPLES = 2_000
Found = dict[int, Label]


@dataclass(frozen=True)
class Gathered:
    """Labels as the books have them and the stock they go on, ready for the press, which needs the books no more."""

    labels: tuple[Label, ...]
    stock: Stock
    printed_on: date
    formats: Formats


def of_codes(*, session: Session, now: datetime, codes: Sequence[str], stock: str = "") -> Gathered:
    """Give the labels with these codes, of any kind and in their order; on the usual stock where none is named.

    Errors: BadInput, NotFound.
    """
    return _gathered(session, now, _labels_of(session, codes), stock)


def of_places_and_feeds(*, session: Session, now: datetime, stock: str = "") -> Gathered:
    """Give the labels of every feed and place. Errors: BadInput where there is none."""
    in_order = select(col(Feed.serial)).where(col(Feed.live)).order_by(col(Feed.machine_id), col(Feed.position))
    feeds = session.scalars(in_order)
    places = session.scalars(select(col(Place.serial)).where(col(Place.live)).order_by(col(Place.name)))
    codes = [Code(CodeKind.FEED, serial) for serial in feeds] + [Code(CodeKind.PLACE, serial) for serial in places]
    if not codes:
        raise BadInput("nothing_to_print", "There is no machine and no place yet. Add one, then print its labels.")
    return _gathered(session, now, _labels(session, codes), stock)


def of_everything(*, session: Session, now: datetime, stock: str = "") -> Gathered:
    """Give the labels of all that has one, in the order in which a person walks.

    That is: each place by name with the spools that lie there, each feed with the spool on it, spools that lie nowhere.
    Errors: BadInput where there is none.
    """
    codes: list[Code] = []
    spools = _spools_by_where(session)
    for place in session.execute(_PLACES):
        codes += [Code(CodeKind.PLACE, place.serial), *spools.pop(("place", place.id), [])]
    for feed in session.execute(_FEEDS):
        codes += [Code(CodeKind.FEED, feed.serial), *spools.pop(("feed", feed.id), [])]
    codes += [code for some in spools.values() for code in some]
    if not codes:
        raise BadInput("nothing_to_print", "There is no machine, no place and no spool yet. Add one first.")
    return _gathered(session, now, _labels(session, codes), stock)


_PLACES = select(col(Place.serial), col(Place.id)).where(col(Place.live)).order_by(col(Place.name))
_FEEDS = select(col(Feed.serial), col(Feed.id)).where(col(Feed.live)).order_by(col(Feed.machine_id), col(Feed.position))


def _spools_by_where(session: Session) -> dict[tuple[str, int], list[Code]]:
    """Give the spools that are in use by where they are, those of one item together, the oldest first."""
    on = select(col(Loading.spool_id), col(Loading.feed_id)).where(col(Loading.live), col(Loading.until_at).is_(None))
    feeds = {row.spool_id: row.feed_id for row in session.execute(on)}
    query = select(col(Spool.id), col(Spool.serial), col(Spool.place_id)).where(
        col(Spool.live), col(Spool.retired_on).is_(None)
    )
    found: dict[tuple[str, int], list[Code]] = {}
    for spool_id, serial, place_id in session.execute(query.order_by(col(Spool.article_id), col(Spool.serial))):
        feed_id = feeds.get(spool_id)
        where = ("feed", feed_id) if feed_id else ("place", place_id or 0)
        found.setdefault(where, []).append(Code(CodeKind.SPOOL, serial))
    return found


def of_cards(*, session: Session, now: datetime, stock: str = "") -> Gathered:
    """Give every bench card; on the first plain sheet where no stock is named. Errors: BadInput."""
    return _gathered(session, now, [_card(card) for card in Card], stock or CARD_SHEETS[0].name)


def press(
    gathered: Gathered, *, dpi: int | None = None, start: int = 1, square: bool = False, pairs: bool = False
) -> bytes:
    """Give the PDF of labels that were gathered; with `pairs` each twice, one for the box and one for the reel.

    Errors: BadInput.
    """
    return press_labels(
        _twice(gathered.labels) if pairs else gathered.labels,
        gathered.stock,
        dpi=dpi,
        start=start,
        square=square,
        printed_on=gathered.printed_on,
        formats=gathered.formats,
    )


def letters_lacking(*, session: Session, codes: Sequence[str]) -> str | None:
    """Give a sentence that names letters which the labels' faces cannot draw, or None. Errors: BadInput, NotFound."""
    return warning_about(_labels_of(session, codes))


def sample_labels(
    *,
    today: date,
    formats: Formats,
    count: int,
    stock: str,
    dpi: int | None = None,
    start: int = 1,
    square: bool = False,
    pairs: bool = False,
) -> tuple[bytes, list[str]]:
    """Give the PDF of `count` sample labels and their codes, to test a printer; nothing is booked. Errors: BadInput."""
    if not 1 <= count <= MOST_SAMPLES:
        raise BadInput("no_such_number", f"Print 1 to {MOST_SAMPLES} samples at a time.")
    labels = tuple(_sample(number, today) for number in range(count))
    gathered = Gathered(labels, stock_named(stock), today, formats)
    pdf = press(gathered, dpi=dpi, start=start, square=square, pairs=pairs)
    return pdf, [label.code.text for label in labels]


def _sample(number: int, today: date) -> SpoolLabel:
    material, colour, shades, finish = SAMPLE_COLOURS[number % len(SAMPLE_COLOURS)]
    return SpoolLabel(
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


def _gathered(session: Session, now: datetime, labels: Iterable[Label], stock: str) -> Gathered:
    shop = load_shop(session)
    return Gathered(tuple(labels), stocks.named(session, stock), shop.today(now), shop.formats)


def _twice(labels: Iterable[Label]) -> list[Label]:
    return [label for label in labels for _ in range(2)]


def _labels_of(session: Session, codes: Sequence[str]) -> list[Label]:
    read = []
    for text in codes:
        code = read_code(text)
        if isinstance(code, RetailCode):
            raise BadInput("wrong_kind", f"{code.digits} is a maker's barcode. Name our own code on the label.")
        read.append(code)
    return _labels(session, read)


def _labels(session: Session, codes: Sequence[Code]) -> list[Label]:
    """Give the labels of these codes in their order. Errors: NotFound for a code that nothing carries."""
    of_kind: dict[CodeKind, list[int]] = {}
    for code in codes:
        of_kind.setdefault(code.kind, []).append(code.serial)
    found = {kind: _GATHER[kind](session, serials) for kind, serials in of_kind.items()}
    for code in codes:
        if code.serial not in found[code.kind]:
            raise finding.not_there(code)
    return [found[code.kind][code.serial] for code in codes]


def _spools(session: Session, serials: Sequence[int]) -> Found:
    suppliers = {one.id: one.name for one in session.scalars(select(Supplier))}
    rows: list[tuple[Spool, int]] = []
    for some in batched(serials):
        query = select(Spool, col(Balance.received_mg)).join(Balance, col(Balance.spool_id) == col(Spool.id))
        found = session.execute(query.where(col(Spool.serial).in_(some), col(Spool.live)))
        rows += [(spool, received_mg) for spool, received_mg in found]
    known = finding.items(session, {spool.article_id for spool, _ in rows})
    return {
        spool.serial: SpoolLabel(
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
        for spool, received_mg in rows
    }


def _feeds(session: Session, serials: Sequence[int]) -> Found:
    names = finding.feed_names(session)
    rows = session.scalars(select(Feed).where(col(Feed.live), col(Feed.serial).in_(serials)))
    return {feed.serial: PlainLabel(Code(CodeKind.FEED, feed.serial), names[feed.id], "feed") for feed in rows}


def _places(session: Session, serials: Sequence[int]) -> Found:
    rows = session.scalars(select(Place).where(col(Place.live), col(Place.serial).in_(serials)))
    return {one.serial: PlainLabel(Code(CodeKind.PLACE, one.serial), one.name, one.kind) for one in rows}


def _orders(session: Session, serials: Sequence[int]) -> Found:
    shop = load_shop(session)
    query = (
        select(Order, col(Supplier.name))
        .join(Supplier, col(Supplier.id) == col(Order.supplier_id))
        .where(col(Order.live), col(Order.serial).in_(serials))
    )
    return {
        order.serial: PlainLabel(
            Code(CodeKind.ORDER, order.serial), supplier, f"order of {shop.formats.day(shop.today(order.drafted_at))}"
        )
        for order, supplier in session.execute(query)
    }


def _tickets(session: Session, serials: Sequence[int]) -> Found:
    query = (
        select(Job, col(Machine.name))
        .outerjoin(Machine, col(Machine.id) == col(Job.machine_id))
        .where(col(Job.live), col(Job.serial).in_(serials))
    )
    rows = session.execute(query).all()
    formats, needs = load_shop(session).formats, _needs(session, [job.id for job, _ in rows])
    return {
        job.serial or 0: PlainLabel(
            Code(CodeKind.JOB, job.serial or 0),
            job.title,
            " · ".join(filter(None, (machine, formats.grams(needs.get(job.id, 0)) if needs.get(job.id) else ""))),
        )
        for job, machine in rows
    }


def _needs(session: Session, job_ids: Sequence[int]) -> dict[int, int]:
    needs: dict[int, int] = {}
    for row in session.scalars(select(JobFeed).where(col(JobFeed.live), col(JobFeed.job_id).in_(job_ids))):
        needs[row.job_id] = needs.get(row.job_id, 0) + row.needs_mg
    return needs


def _cards(_session: Session, serials: Sequence[int]) -> Found:
    return {serial: _card(card) for serial in serials if (card := card_of(serial))}


def _card(card: Card) -> CardLabel:
    return CardLabel(card, HOW.get(card, ""))


_GATHER = {
    CodeKind.SPOOL: _spools,
    CodeKind.FEED: _feeds,
    CodeKind.PLACE: _places,
    CodeKind.ORDER: _orders,
    CodeKind.JOB: _tickets,
    CodeKind.CARD: _cards,
}
