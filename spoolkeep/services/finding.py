"""Finding rows by what a person scans or types, and describing items in the shop's words.

Every service may use it. It only reads.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from spoolkeep.domain.codes import CodeKind, read_code_of
from spoolkeep.domain.errors import NotFound
from spoolkeep.domain.words import Kind
from spoolkeep.services.shop import code_text
from spoolkeep.store.tables import Article, Colour, ColourValue, Feed, Line, Machine, Material, Place, Spool

Row = TypeVar("Row", bound=SQLModel)
Labelled = TypeVar("Labelled", Spool, Feed, Place)


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

    @property
    def name(self) -> str:
        """Give its name: material, colour, and the diameter where it is not the usual one."""
        usual = 1750
        size = "" if self.diameter_um == usual else f" {self.diameter_um / 1000:g} mm"
        return f"{self.material} {self.colour}{size}"


def items(session: Session, article_ids: Iterable[int] | None = None) -> dict[int, Item]:
    """Give the items with these numbers, or all that are live, by number."""
    query = (
        select(Article, Material, Colour)
        .join(Material, col(Material.id) == col(Article.material_id))
        .join(Colour, col(Colour.id) == col(Article.colour_id))
        .order_by(col(Material.code), col(Colour.name), col(Article.diameter_um))
    )
    wanted = col(Article.live) if article_ids is None else col(Article.id).in_(set(article_ids))
    shades: dict[int, list[str]] = {}
    for value in session.scalars(select(ColourValue).order_by(col(ColourValue.position))):
        shades.setdefault(value.colour_id, []).append(value.srgb)
    return {
        article.id: Item(
            article_id=article.id,
            material=material.code,
            colour=colour.name,
            finish=colour.finish,
            srgb=tuple(shades.get(colour.id, ())),
            diameter_um=article.diameter_um,
            density_mg_per_cm3=article.density_mg_per_cm3 or material.density_mg_per_cm3,
        )
        for article, material, colour in session.execute(query.where(wanted))
    }


def item(session: Session, article_id: int) -> Item:
    """Give one item. Errors: NotFound."""
    found = items(session, [article_id]).get(article_id)
    if found is None:
        raise NotFound("no_such_item", "There is no such item. Choose one from the list.")
    return found


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
    """Give the feed with this serial. Errors: NotFound."""
    return _by_serial(session, Feed, CodeKind.FEED, serial)


def place_by_serial(session: Session, serial: int) -> Place:
    """Give the place with this serial. Errors: NotFound."""
    return _by_serial(session, Place, CodeKind.PLACE, serial)


def feed(session: Session, feed_id: int) -> Feed:
    """Give the feed with this number. Errors: NotFound."""
    return live(session, Feed, feed_id)


def live(session: Session, model: type[Row], number: int) -> Row:
    """Give the row with this number, unless it was undone. Errors: NotFound."""
    found = session.get(model, number)
    if found is None or not getattr(found, "live"):  # noqa: B009 - not every table says it to the type checker
        words = f"There is no such {str(model.__tablename__).replace('_', ' ')}. Choose one from the list."
        raise NotFound(f"no_such_{model.__tablename__}", words)
    return found


_WHERE = {CodeKind.SPOOL: "Book it in under Deliveries", CodeKind.FEED: "Add its machine under Setup"}


def _by_serial(session: Session, model: type[Labelled], kind: CodeKind, serial: int) -> Labelled:
    found = session.scalars(select(model).where(col(model.serial) == serial, col(model.live))).first()
    if found is None:
        first = _WHERE.get(kind, "Add it under Setup")
        name, code = kind.name.lower(), code_text(kind, serial)
        raise NotFound(f"no_such_{name}", f"No {name} has the code {code}. {first}, then scan again.")
    return found


def feed_name(session: Session, of: Feed) -> str:
    """Give a feed's name: its machine's, and its position where the machine has several."""
    machine = session.get_one(Machine, of.machine_id)
    several = session.scalars(select(col(Feed.id)).where(col(Feed.machine_id) == machine.id, col(Feed.live))).all()
    return machine.name if len(several) == 1 else f"{machine.name} feed {of.position}"


def overdrawn(session: Session, movement_ids: Sequence[int]) -> tuple[str, ...]:
    """Give the names of the items of which these movements drew more than was left on the spool."""
    query = (
        select(col(Spool.article_id))
        .join(Line, col(Line.spool_id) == col(Spool.id))
        .where(col(Line.movement_id).in_(movement_ids), col(Line.kind) == Kind.FOUND)
        .distinct()
    )
    known = items(session, session.scalars(query).all())
    return tuple(one.name for one in known.values())
