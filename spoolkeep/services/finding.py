"""Finding rows by what a person scans or types, and describing items in the shop's words.

Every service may use it. It only reads.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy import Select, bindparam, func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import SQLModel, col

from spoolkeep.domain.codes import Code, CodeKind, read_code_of
from spoolkeep.domain.errors import Conflict, NotFound
from spoolkeep.domain.words import Kind
from spoolkeep.store.rows import read
from spoolkeep.store.tables import (
    Article,
    Colour,
    ColourValue,
    Feed,
    Job,
    Line,
    Machine,
    Material,
    Order,
    Place,
    Spool,
    Supplier,
)

USUAL_UM, UM_PER_MM = 1750, 1000
Row = TypeVar("Row", bound=SQLModel)
Labelled = TypeVar("Labelled", Spool, Feed, Place, Job, Order)


@dataclass(frozen=True)
class Item:
    """An article as pages and labels show it."""

    article_id: int
    material: str
    colour: str
    finish: str
    srgb: tuple[str, ...]
    diameter_um: int
    density_mg_per_cm3: int
    retired: bool = False
    """Nobody chooses, plans or orders it any more."""
    now_id: int | None = None
    """The item that it was merged into."""

    @property
    def name(self) -> str:
        """Give its name."""
        return named(self.material, self.colour, self.diameter_um)


def items(session: Session, article_ids: Iterable[int] | None = None) -> dict[int, Item]:
    """Give the items with these numbers, or all that are live, retired ones too, by number."""
    some = None if article_ids is None else {"numbers": list(set(article_ids))}
    rows = read(session, _ITEMS).all() if some is None else read(session, _ITEMS_OF, some).all()
    shades = _shades(session, None if article_ids is None else {row.colour_id for row in rows})
    return {
        row.id: Item(
            article_id=row.id,
            material=row.code,
            colour=row.name,
            finish=row.finish,
            srgb=tuple(row.srgb.split() if row.srgb else shades.get(row.colour_id, ())),
            diameter_um=row.diameter_um,
            density_mg_per_cm3=row.density,
            retired=row.retired,
            now_id=row.now_id,
        )
        for row in rows
    }


def in_use(session: Session) -> dict[int, Item]:
    """Give the items that may be chosen, planned and ordered, by number: those that are not retired."""
    return {number: one for number, one in items(session).items() if not one.retired}


_ALL_ITEMS = (
    select(
        col(Article.id),
        col(Material.code),
        col(Article.colour_id),
        col(Colour.name),
        col(Colour.finish),
        col(Article.diameter_um),
        func.coalesce(col(Article.density_mg_per_cm3), col(Material.density_mg_per_cm3)).label("density"),
        *(col(Article.srgb), col(Article.retired), col(Article.now_id)),
    )
    .join(Material, col(Material.id) == col(Article.material_id))
    .join(Colour, col(Colour.id) == col(Article.colour_id))
    .order_by(col(Material.code), col(Colour.name), col(Article.diameter_um))
)
_ITEMS = _ALL_ITEMS.where(col(Article.live))
_ITEMS_OF = _ALL_ITEMS.where(col(Article.id).in_(bindparam("numbers", expanding=True)))
_SHADES = select(col(ColourValue.colour_id), col(ColourValue.srgb)).order_by(col(ColourValue.position))
_SHADES_OF = _SHADES.where(col(ColourValue.colour_id).in_(bindparam("numbers", expanding=True)))


def _shades(session: Session, colour_ids: Collection[int] | None) -> dict[int, list[str]]:
    """Give the sRGB values of these colours, or of all, in order."""
    shades: dict[int, list[str]] = {}
    rows = read(session, _SHADES) if colour_ids is None else read(session, _SHADES_OF, {"numbers": list(colour_ids)})
    for colour_id, srgb in rows:
        shades.setdefault(colour_id, []).append(srgb)
    return shades


def item(session: Session, article_id: int) -> Item:
    """Give one item. Errors: NotFound; Conflict where it was merged into another."""
    found = items(session, [article_id]).get(article_id)
    if found is None:
        raise NotFound("no_such_item", "There is no such item. Choose one from the list.")
    if found.now_id is not None:
        raise is_now(found.name, item_name(session, found.now_id))
    return found


def is_now(name: str, now: str) -> Conflict:
    """Give the refusal of what was merged into another."""
    return Conflict("is_now", f"{name} is now {now}. Choose that.")


def item_now(session: Session, article_id: int) -> int:
    """Give the number under which an item is kept now: that of another where it was merged into one."""
    row = session.get(Article, article_id)
    return article_id if row is None or row.now_id is None else row.now_id


def supplier_now(session: Session, supplier_id: int) -> int:
    """Give the number under which a supplier is kept now: that of another where it was merged into one."""
    row = session.get(Supplier, supplier_id)
    return supplier_id if row is None or row.now_id is None else row.now_id


def item_name(session: Session, article_id: int) -> str:
    """Give an item's name. Errors: NotFound."""
    found = read(session, _ITEM_NAME, {"article": article_id}).first()
    if found is None:
        raise NotFound("no_such_article", "There is no such article. Choose one from the list.")
    return named(*found)


_ITEM_NAME = (
    select(col(Material.code), col(Colour.name), col(Article.diameter_um))
    .join(Material, col(Material.id) == col(Article.material_id))
    .join(Colour, col(Colour.id) == col(Article.colour_id))
    .where(col(Article.id) == bindparam("article"), col(Article.live))
)


def named(material: str, colour: str, diameter_um: int) -> str:
    """Give an item's name: material, colour, and the diameter where it is not the usual one."""
    return f"{material} {colour}" + ("" if diameter_um == USUAL_UM else f" {diameter_um / UM_PER_MM:g} mm")


def spool_of(session: Session, code: str) -> Spool:
    """Give the spool with this label code. Errors: BadInput where the code is no spool's; NotFound."""
    return spool_by_serial(session, read_code_of(code, CodeKind.SPOOL).serial)


def spool_by_serial(session: Session, serial: int) -> Spool:
    """Give the spool with this serial. Errors: NotFound."""
    return _by_serial(session, Spool, CodeKind.SPOOL, serial)


def feed_of(session: Session, code: str) -> Feed:
    """Give the feed with this label code. Errors: BadInput where the code is no feed's; NotFound."""
    return feed_by_serial(session, read_code_of(code, CodeKind.FEED).serial)


def feed_by_serial(session: Session, serial: int) -> Feed:
    """Give the feed with this serial. Errors: NotFound; Conflict where its machine is retired."""
    feed = _by_serial(session, Feed, CodeKind.FEED, serial)
    machine = session.get_one(Machine, feed.machine_id)
    if machine.retired:
        raise Conflict("machine_is_retired", f"{machine.name} is retired. Take it back under Setup, then scan again.")
    return feed


def place_by_serial(session: Session, serial: int) -> Place:
    """Give the place with this serial. Errors: NotFound; Conflict where it is retired."""
    place = _by_serial(session, Place, CodeKind.PLACE, serial)
    if place.retired:
        raise Conflict("place_is_retired", f"{place.name} is retired. Take it back under Setup, then scan again.")
    return place


def went_on(session: Session, job: Job) -> Job | None:
    """Give the job that goes on with one that was stopped, or None."""
    query = select(Job).where(col(Job.resumes_id) == job.id, col(Job.live))
    return session.scalars(query).first()


def job_by_serial(session: Session, serial: int) -> Job:
    """Give the job whose ticket has this serial; once it was stopped and goes on, the later one. Errors: NotFound."""
    job = _by_serial(session, Job, CodeKind.JOB, serial)
    while (later := went_on(session, job)) is not None:
        job = later
    return job


def order_by_serial(session: Session, serial: int) -> Order:
    """Give the order with this serial. Errors: NotFound."""
    return _by_serial(session, Order, CodeKind.ORDER, serial)


def feed(session: Session, feed_id: int) -> Feed:
    """Give the feed with this number. Errors: NotFound."""
    return live(session, Feed, feed_id)


def live(session: Session, model: type[Row], number: int) -> Row:
    """Give the row with this number, unless it was undone. Errors: NotFound; Conflict where it is another now."""
    found = session.get(model, number)
    if found is None or not getattr(found, "live"):  # noqa: B009 - not every table says it to the type checker
        words = f"There is no such {str(model.__tablename__).replace('_', ' ')}. Choose one from the list."
        raise NotFound(f"no_such_{model.__tablename__}", words)
    if isinstance(found, Article) and found.now_id is not None:
        raise is_now(item_name(session, number), item_name(session, found.now_id))
    if isinstance(found, Supplier) and found.now_id is not None:
        raise is_now(found.name, session.get_one(Supplier, found.now_id).name)
    return found


_WHERE = {
    CodeKind.SPOOL: "Book it in under Deliveries",
    CodeKind.FEED: "Add its machine under Setup",
    CodeKind.PLACE: "Add it under Setup",
    CodeKind.ORDER: "Draft it under Orders",
    CodeKind.JOB: "Print its ticket under Jobs",
    CodeKind.CARD: "Print the bench cards anew under Setup, Labels",
}
_NAMES = {CodeKind.JOB: "job", CodeKind.CARD: "bench card"}


def not_there(code: Code) -> NotFound:
    """Give the refusal of a code that nothing carries."""
    name = _NAMES.get(code.kind, code.kind.name.lower())
    words = f"No {name} has the code {code.text}. {_WHERE[code.kind]}, then scan again."
    return NotFound(f"no_such_{code.kind.name.lower()}", words)


_OF_SERIAL: dict[type, Select[Any]] = {
    model: select(model).where(col(model.serial) == bindparam("serial"), col(model.live))
    for model in (Spool, Feed, Place, Job, Order)
}


def _by_serial(session: Session, model: type[Labelled], kind: CodeKind, serial: int) -> Labelled:
    found: Labelled | None = session.scalars(_OF_SERIAL[model], {"serial": serial}).first()
    if found is None:
        raise not_there(Code(kind, serial))
    return found


def feed_name(session: Session, of: Feed) -> str:
    """Give a feed's name: its machine's, and its position where the machine has several."""
    feeds, machine = read(session, _FEED_NAME, {"machine": of.machine_id}).one()
    return feed_named(machine, of.position, feeds)


def feed_named(machine: str, position: int, feeds: int) -> str:
    """Give the name of a feed of a machine that has so many."""
    return machine if feeds == 1 else f"{machine} feed {position}"


_FEED_NAME = (
    select(func.count(col(Feed.id)), col(Machine.name))
    .join(Machine, col(Machine.id) == col(Feed.machine_id))
    .where(col(Machine.id) == bindparam("machine"), col(Feed.live))
    .group_by(col(Machine.id), col(Machine.name))
)


def feed_names(session: Session, feed_ids: Collection[int] | None = None) -> dict[int, str]:
    """Give the names of these feeds, or of all that stand, by number, machine by machine: as `feed_name`, at once."""
    others = aliased(Feed)
    several = (
        select(func.count(col(others.id)))
        .where(col(others.machine_id) == col(Feed.machine_id), col(others.live))
        .correlate(Feed)
        .scalar_subquery()
    )
    query = (
        select(col(Feed.id), col(Feed.position), col(Machine.name), several)
        .join(Machine, col(Machine.id) == col(Feed.machine_id))
        .where(col(Feed.live) if feed_ids is None else col(Feed.id).in_(feed_ids))
        .order_by(col(Feed.machine_id), col(Feed.position))
    )
    return {number: feed_named(machine, position, feeds) for number, position, machine, feeds in session.execute(query)}


def overdrawn(session: Session, movement_ids: Sequence[int]) -> tuple[str, ...]:
    """Give the names of the items of which these movements drew more than was left on the spool."""
    if not movement_ids:
        return ()
    query = (
        select(col(Spool.article_id))
        .join(Line, col(Line.spool_id) == col(Spool.id))
        .where(col(Line.movement_id).in_(movement_ids), col(Line.kind) == Kind.FOUND)
        .distinct()
    )
    known = items(session, session.scalars(query).all())
    return tuple(one.name for one in known.values())


def feed_ids(session: Session, machine_id: int) -> list[int]:
    """Give the numbers of a machine's feeds, in order."""
    query = select(col(Feed.id)).where(col(Feed.machine_id) == machine_id, col(Feed.live)).order_by(col(Feed.position))
    return list(session.scalars(query))
