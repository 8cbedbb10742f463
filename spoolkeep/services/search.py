"""Finding anything by a name, a lot or a code: items, spools, machines, feeds, jobs, orders, deliveries and the rest.

The search page calls it, and says where each leads. It only reads, in few queries whatever the size of the workshop.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from unicodedata import normalize

from sqlalchemy import ColumnElement, func, or_, select
from sqlalchemy.orm import Session
from sqlalchemy.sql.elements import SQLCoreOperations
from sqlmodel import col

from spoolkeep.domain.codes import Code, CodeKind, RetailCode, read_code
from spoolkeep.domain.colour import basic_words
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.names import folded
from spoolkeep.domain.words import JobState
from spoolkeep.services import finding, names
from spoolkeep.services.finding import Item
from spoolkeep.store.tables import Delivery, Feed, Job, Machine, Offer, Order, Place, Product, Spool, Supplier

EACH = 6
"""So many of a kind are given."""
LOOKED_AT = 60
"""So many rows are fetched where the database can only look roughly, and a person's spelling is compared here."""
LATEST_JOBS = 30_000
"""Titles are compared one by one, so only those of the latest jobs are: years of most workshops."""
LONGEST = 80

_PLACES = 6


@dataclass(frozen=True)
class Hit:
    """One thing that was found. `kind` says what it is, `key` which one: its number, or a spool's or place's code."""

    kind: str
    key: str
    name: str
    note: str = ""
    item: Item | None = None
    at: datetime | None = None
    """When a delivery arrived, or a job ended: the page says it in the shop's words."""
    exact: bool = False
    """Its own code was scanned or typed whole."""


def found(*, session: Session, text: str) -> list[Hit]:
    """Give what a text names, by kind; one hit alone where it is a code that something carries. Empty text: nothing."""
    wanted = " ".join(text.split())[:LONGEST]
    if not wanted:
        return []
    known = finding.items(session)
    exact = _by_code(session, wanted, known)
    if exact:
        return exact
    match = matcher(wanted)
    serials = _serials(wanted)
    sellers = session.scalars(select(Supplier).where(col(Supplier.live))).all()
    suppliers = {one.id: one.name for one in sellers}
    before = _before(names.former(session), match)
    fitting = {one.now_id or one.id for one in sellers if match(one.name)} | set(before["supplier"])
    sold_by = sorted(fitting)
    return [
        *_items(match, known, before["item"]),
        *_spools(session, wanted, serials.get(CodeKind.SPOOL), known),
        *_machines(session, match, before["machine"]),
        *_jobs(session, wanted, match),
        *_orders(session, serials.get(CodeKind.ORDER), sold_by, suppliers),
        *_deliveries(session, sold_by, suppliers),
        *_products(session, match, before["product"]),
        *_places(session, match, before["place"]),
    ]  # fmt: skip


def matcher(text: str) -> Callable[[str], int]:
    """Give a rule that says how well a name fits a text: 0 not at all, 3 where the name begins with it.

    Every word of the text must stand in the name, in any order, whatever the case and the accents' encoding.
    """
    whole, words = folded(text), folded(text).split()

    def fits(name: str) -> int:
        plain = folded(name)
        if not words or not all(word in plain for word in words):
            return 0
        if plain.startswith(whole):
            return 3
        return 2 if all(f" {word}" in f" {plain}" for word in words) else 1

    return fits


Before = Mapping[int, str]
"""What things were called before, where that fits, by number."""


def _before(former: Iterable[names.Former], match: Callable[[str], int]) -> dict[str, dict[int, str]]:
    """Give, by kind, the former names that fit."""
    found: dict[str, dict[int, str]] = {kind: {} for kind in ("item", "machine", "place", "product", "supplier")}
    for one in former:
        if match(one.name):
            found[one.kind][one.number] = one.name
    return found


def _items(match: Callable[[str], int], known: Mapping[int, Item], before: Before) -> list[Hit]:
    """Give items by their name; those that only their finish, a word for their shade or a former name fits come after.

    What was merged into another leads to that.
    """
    found, others = [], []
    was = {one.now_id: one.name for one in known.values() if one.now_id and match(one.name)} | dict(before)
    for item in (one for one in known.values() if one.now_id is None):
        notes = item.finish, "retired" if item.retired else "", _was(was.get(item.article_id))
        hit = Hit("item", str(item.article_id), item.name, ", ".join(filter(None, notes)), item)
        if match(item.name):
            found.append((item.name, hit))
        elif match(spoken_of(item)) or item.article_id in was:
            others.append((item.name, hit))
    by_shade = [hit for _, hit in sorted(others, key=lambda one: one[0])]
    return [*_best(match, found), *by_shade][:EACH]


def _was(name: str | None) -> str:
    return f"was {name}" if name else ""


def spoken_of(item: Item) -> str:
    """Give all the words by which a person may look for an item: its name, its finish, plain words for its shades."""
    plain = sorted({word for shade in item.srgb for word in basic_words(shade)})
    return " ".join((item.name, item.finish, *plain))


def _best(match: Callable[[str], int], named: Iterable[tuple[str, Hit]]) -> list[Hit]:
    scored = [(-match(name), name, hit) for name, hit in named]
    return [hit for score, _, hit in sorted(scored, key=lambda one: one[:2]) if score][:EACH]


def _by_code(session: Session, text: str, known: dict[int, Item]) -> list[Hit]:
    """Give what carries a whole code of ours, or the item that an offer sells under a maker's."""
    try:
        code = read_code(text)
    except BadInput:
        return []
    if isinstance(code, RetailCode):
        query = select(Offer).where(col(Offer.retail_code) == code.digits, col(Offer.live))
        items = {offer.article_id: known[offer.article_id] for offer in session.scalars(query)}
        return [Hit("item", str(one.article_id), one.name, one.finish, one, exact=True) for one in items.values()]
    return _of_ours(session, code, known)


def _of_ours(session: Session, code: Code, known: dict[int, Item]) -> list[Hit]:
    if code.kind not in _CARRIERS:
        return []
    model, hit = _CARRIERS[code.kind]
    rows = session.scalars(select(model).where(col(model.serial) == code.serial, col(model.live)))
    return [replace(hit(session, row, known), exact=True) for row in rows]


def _feed_hit(session: Session, feed: Any, _known: dict[int, Item]) -> Hit:  # noqa: ANN401 - rows of many tables
    return _feed(feed, session.get_one(Machine, feed.machine_id).name)


_CARRIERS: dict[CodeKind, tuple[Any, Callable[[Session, Any, dict[int, Item]], Hit]]] = {
    CodeKind.SPOOL: (Spool, lambda _, row, known: _spool(row, known)),
    CodeKind.FEED: (Feed, _feed_hit),
    CodeKind.PLACE: (Place, lambda _, row, _known: _place(row)),
    CodeKind.ORDER: (Order, lambda _, row, _known: _order(row, "")),
    CodeKind.JOB: (Job, lambda _, row, _known: _job(row)),
}


def _serials(text: str) -> dict[CodeKind, tuple[int, int]]:
    """Give, by kind, the serials whose code begins as the text does: `S0004` is 400 to 499, and 42 is 42."""
    plain = "".join(text.split()).upper()
    if plain.isascii() and plain.isdecimal() and len(plain) <= _PLACES:
        return {kind: 2 * (_serial_of(kind, plain),) for kind in (CodeKind.SPOOL, CodeKind.ORDER)}
    if not re.fullmatch(r"[SR]\d{1,8}", plain, re.ASCII):
        return {}
    digits = plain[1 : 1 + _PLACES]
    spread = 10 ** (_PLACES - len(digits))
    return {CodeKind(plain[0]): (int(digits) * spread, int(digits) * spread + spread - 1)}


def _serial_of(kind: CodeKind, digits: str) -> int:
    """Give the serial that digits mean: with the check digits at their end, as a label shows them, or without."""
    without = digits[:-2]
    with_check = bool(without) and Code(kind, int(without)).text.endswith(digits)
    return int(without) if with_check else int(digits)


def _spool(spool: Spool, known: dict[int, Item]) -> Hit:
    item, code = known.get(spool.article_id), Code(CodeKind.SPOOL, spool.serial)
    lot = f"lot {spool.lot}" if spool.lot else ""
    note = ", ".join(filter(None, (item.name if item else "", lot, "retired" if spool.retired_on else "")))
    return Hit("spool", code.text, code.grouped, note, item)


def _spools(session: Session, text: str, serials: tuple[int, int] | None, known: dict[int, Item]) -> list[Hit]:
    """Give spools by the beginning of their lot or their code, those in use before the retired, the newest first."""
    lot = _like(col(Spool.lot), text, begins=True)
    wanted = or_(lot, col(Spool.serial).between(*serials)) if serials else lot
    query = select(Spool).where(col(Spool.live), wanted)
    newest = query.order_by(col(Spool.retired_on).is_not(None), col(Spool.serial).desc()).limit(LOOKED_AT)
    fits = [one for one in session.scalars(newest) if _carries(one, text, serials)]
    return [_spool(one, known) for one in fits[:EACH]]


def _carries(spool: Spool, text: str, serials: tuple[int, int] | None) -> bool:
    """Say whether a spool's lot or code truly begins as a text does: the database compares but roughly."""
    coded = serials is not None and serials[0] <= spool.serial <= serials[1]
    return coded or (bool(spool.lot) and folded(spool.lot).startswith(folded(text)))


def _machines(session: Session, match: Callable[[str], int], before: Before) -> list[Hit]:
    """Give machines by name, and feeds where the text says one: a machine that fits stands for its feeds."""
    query = (
        select(Feed, Machine)
        .join(Machine, col(Machine.id) == col(Feed.machine_id))
        .where(col(Feed.live), col(Machine.live), ~col(Machine.retired))
        .order_by(col(Machine.name), col(Feed.position))
    )
    pairs = session.execute(query).all()
    machines = {machine.id: machine.name for _, machine in pairs}
    feeds = [_feed(feed, machine.name) for feed, machine in pairs if not match(machine.name)]
    return [
        *_known_as(match, [(number, Hit("machine", str(number), name)) for number, name in machines.items()], before),
        *_best(match, ((hit.name, hit) for hit in feeds)),
    ]


def _feed(feed: Feed, machine: str) -> Hit:
    return Hit("feed", str(feed.id), f"{machine} feed {feed.position}", Code(CodeKind.FEED, feed.serial).grouped)


def _jobs(session: Session, text: str, match: Callable[[str], int]) -> list[Hit]:
    """Give jobs by title: those to come before those that ended, the newest first."""
    latest = select(func.max(col(Job.id)) - LATEST_JOBS).scalar_subquery()
    rough_title = (_like(col(Job.title), word) for word in text.split())
    query = select(Job).where(col(Job.id) > latest, col(Job.live), *rough_title)
    to_come_first = (col(Job.state) == JobState.ENDED, col(Job.id).desc())
    rough = session.scalars(query.order_by(*to_come_first).limit(LOOKED_AT)).all()
    fitting = sorted((job for job in rough if match(job.title)), key=lambda job: job.state == JobState.ENDED)
    return [_job(job) for job in fitting[:EACH]]


def _job(job: Job) -> Hit:
    return Hit("job", str(job.id), job.title, job.outcome or job.state, at=job.ended_at)


def _orders(
    session: Session, serials: tuple[int, int] | None, sold_by: list[int], suppliers: dict[int, str]
) -> list[Hit]:
    if not sold_by and not serials:
        return []
    of_them = col(Order.supplier_id).in_(sold_by)
    wanted = or_(of_them, col(Order.serial).between(*serials)) if serials else of_them
    query = select(Order).where(col(Order.live), wanted).order_by(col(Order.id).desc()).limit(EACH)
    return [_order(one, suppliers.get(one.supplier_id, "")) for one in session.scalars(query)]


def _order(order: Order, supplier: str) -> Hit:
    note = ", ".join(filter(None, (supplier, order.state)))
    return Hit("order", str(order.id), f"Order {Code(CodeKind.ORDER, order.serial).grouped}", note)


def _deliveries(session: Session, sold_by: list[int], suppliers: dict[int, str]) -> list[Hit]:
    if not sold_by:
        return []
    query = (
        select(Delivery)
        .where(col(Delivery.live), col(Delivery.supplier_id).in_(sold_by))
        .order_by(col(Delivery.arrived_at).desc(), col(Delivery.id).desc())
        .limit(EACH)
    )
    return [
        Hit("delivery", str(one.id), "Delivery", suppliers.get(one.supplier_id or 0, ""), at=one.arrived_at)
        for one in session.scalars(query)
    ]


def _products(session: Session, match: Callable[[str], int], before: Before) -> list[Hit]:
    query = select(Product).where(col(Product.live), ~col(Product.retired))
    return _known_as(match, [(one.id, Hit("product", str(one.id), one.name)) for one in session.scalars(query)], before)


def _places(session: Session, match: Callable[[str], int], before: Before) -> list[Hit]:
    query = select(Place).where(col(Place.live), ~col(Place.retired))
    return _known_as(match, [(one.id, _place(one)) for one in session.scalars(query)], before)


def _known_as(match: Callable[[str], int], hits: Iterable[tuple[int, Hit]], before: Before) -> list[Hit]:
    """Give what fits by its name, then what fits by a former one, which is noted."""
    fitting = [(number, hit) for number, hit in hits if match(hit.name) or number in before]
    was = [
        replace(hit, note=", ".join(filter(None, (hit.note, _was(before[number])))))
        for number, hit in fitting
        if not match(hit.name)
    ]
    return [*_best(match, ((hit.name, hit) for _, hit in fitting)), *sorted(was, key=lambda one: one.name)][:EACH]


def _place(place: Place) -> Hit:
    return Hit("place", Code(CodeKind.PLACE, place.serial).text, place.name, place.kind)


def _like(column: SQLCoreOperations[Any], text: str, *, begins: bool = False) -> ColumnElement[bool]:
    """Give a rough comparison: where a letter of the text is not plain, anything may stand. Others compare again."""
    typed = normalize("NFC", text)
    rough = "".join(letter if letter.isascii() and letter not in "%_\\" else "%" for letter in typed).lower()
    return func.lower(column).like(f"{rough}%" if begins else f"%{rough}%")
