"""By which names things are known: those that they have, and those that they had before.

Imports, the search and the pages that rename call it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.names import folded
from spoolkeep.domain.words import Finish
from spoolkeep.services import finding
from spoolkeep.services.finding import Item
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, FormerName, Machine, Material, Place, Product, Supplier

Named = Machine | Place | Product | Supplier
POINTERS: Mapping[type[Named], str] = {
    Machine: "machine_id",
    Place: "place_id",
    Product: "product_id",
    Supplier: "supplier_id",
}
"""Of what a former name was, by its column."""


class Said(NamedTuple):
    """An item as somebody says it, with folded names; finishes are told apart by themselves."""

    material: str
    colour: str
    diameter_um: int


@dataclass(frozen=True)
class Former:
    """A name that something had before."""

    kind: str
    number: int
    name: str


class ItemNames:
    """The items by what they are called, and were called where nothing is called so now."""

    def __init__(self, session: Session) -> None:
        known = finding.items(session)
        self.used = [one for one in known.values() if not one.retired]
        self._known: dict[Said, dict[str, int]] = {}
        for row, material in session.execute(_FORMER_ITEMS):
            if row.article_id in known:
                said = Said(folded(material), folded(row.name), row.diameter_um or 0)
                self._known.setdefault(said, {})[row.finish or ""] = known[row.article_id].now_id or row.article_id
        for one in sorted(known.values(), key=lambda one: not one.retired):
            self._known.setdefault(_said(one), {})[one.finish] = one.now_id or one.article_id
        self._used = {(_said(one), one.finish) for one in self.used}

    def finishes(self, said: Said) -> dict[str, int]:
        """Give the items of a name by finish: those in use, or all where none is."""
        found = self._known.get(said, {})
        used = {finish: number for finish, number in found.items() if (said, finish) in self._used}
        return used or found

    def find(self, said: Said, finish: str) -> int | None:
        """Give the item of a name and a finish, in use or not."""
        return self._known.get(said, {}).get(finish)


def _said(item: Item) -> Said:
    return Said(folded(item.material), folded(item.colour), item.diameter_um)


_FORMER_ITEMS = (
    select(FormerName, col(Material.code))
    .join(Material, col(Material.id) == col(FormerName.material_id))
    .where(col(FormerName.live))
    .order_by(col(FormerName.id))
)


def numbers(session: Session, model: type[Named], *, in_use: bool = False) -> dict[str, int]:
    """Give the numbers of what stands, by folded names: former ones too where nothing has them now.

    With `in_use` without what is retired.
    """
    pointer = col(getattr(FormerName, POINTERS[model]))
    former = select(col(FormerName.name), pointer).where(col(FormerName.live), pointer.is_not(None))
    found = {folded(name): number for name, number in session.execute(former.order_by(col(FormerName.id)))}
    now = [col(model.now_id)] if model is Supplier else []
    rows = select(col(model.name), col(model.id), *now).where(col(model.live)).order_by(col(model.retired).desc())
    for name, number, *other in session.execute(rows):
        found[folded(name)] = next(filter(None, other), number)
    if in_use:
        used = set(session.scalars(select(col(model.id)).where(col(model.live), ~col(model.retired))))
        found = {name: number for name, number in found.items() if number in used}
    return found


def former(session: Session) -> list[Former]:
    """Give every name that something had before."""
    found: list[Former] = []
    for row, material in session.execute(_FORMER):
        kinds = {"item": row.article_id} | {
            model.__name__.lower(): getattr(row, name) for model, name in POINTERS.items()
        }
        name = finding.named(material, row.name, row.diameter_um or 0) if material else row.name
        found += [Former(kind, number, name) for kind, number in kinds.items() if number is not None]
    return found


_FORMER = (
    select(FormerName, col(Material.code))
    .outerjoin(Material, col(Material.id) == col(FormerName.material_id))
    .where(col(FormerName.live))
    .order_by(col(FormerName.id))
)


def remember_item(session: Session, act: Act, item: Item, material_id: int) -> None:
    """Keep what an item was called until now."""
    was = FormerName(name=item.colour, finish=Finish(item.finish), diameter_um=item.diameter_um)
    was.article_id, was.material_id = item.article_id, material_id
    create(session, act, was)


def remember(session: Session, act: Act, row: Named, name: str) -> None:
    """Keep what something was called until now; the name that it gets is its former one no more."""
    pointer = POINTERS[type(row)]
    before = select(FormerName).where(col(getattr(FormerName, pointer)) == row.id, col(FormerName.live))
    for one in session.scalars(before).all():
        if folded(one.name) == folded(name):
            change(session, act, one, live=False)
    was = FormerName(name=row.name)
    setattr(was, pointer, row.id)
    create(session, act, was)
