"""Finding what a sheet names: items, machines, places, suppliers, products; and making what is new.

The modules of the sheets call it. It reads each list once, so that a long sheet stays quick.
"""

import re
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.colour import srgb
from spoolkeep.domain.errors import BadInput, NotFound
from spoolkeep.domain.names import folded
from spoolkeep.domain.words import Finish
from spoolkeep.services.catalogue import make_article
from spoolkeep.services.imports.cells import Cells, Column, Reading, diameter_from, one_word
from spoolkeep.services.imports.manner import Manner, said
from spoolkeep.services.names import ItemNames, Said, numbers
from spoolkeep.store.tables import Act, Article, Colour, ColourValue, Feed, Machine, Material

USUAL_UM = 1750
_MOST_SHADES = 4

FINISH = Column("finish", needed=False, says="matt, satin, gloss, silk, clear, glow or filled; satin for a new colour")
DIAMETER = Column("diameter_mm", needed=False, says="diameter in millimetres; 1.75 if empty")


class ItemName(NamedTuple):
    """An item as a sheet names it."""

    material: str
    colour: str
    finish: Finish | None
    """None where the sheet does not say."""
    diameter_um: int

    def __str__(self) -> str:
        """Give it as a person would say it."""
        return f"{self.material} {self.colour}" + (f" ({self.finish})" if self.finish else "")


@dataclass
class Items:
    """The items in the books, and those that this sheet adds."""

    session: Session
    new: dict[ItemName, tuple[str, ...]] = field(default_factory=dict)
    """Shades of the items to be made, by name with a finish."""

    def __post_init__(self) -> None:
        self._known = ItemNames(self.session)
        self._names: dict[Said, str] = {}
        for item in self._known.used:
            said = Said(folded(item.material), folded(item.colour), item.diameter_um)
            self._names.setdefault(said, item.colour)
        self.materials = frozenset(self.session.scalars(select(col(Material.code)).where(col(Material.live))))
        self._colours = _colours(self.session)
        self._will_be: dict[Said, list[ItemName]] = {}

    def find(self, name: ItemName) -> int | None:
        """Give the number of an item, or None. Errors: BadInput where it is there in several finishes."""
        if name.finish:
            return self._known.find(_folded(name), name.finish)
        found = self._known.finishes(_folded(name))
        if len(set(found.values())) > 1:
            words = f"{name} is there as {' and as '.join(sorted(found))}. Say which in the column “finish”."
            raise BadInput("which_finish", words)
        return next(iter(found.values()), None)

    def need(self, name: ItemName) -> int:
        """Give the number of an item. Errors: BadInput, NotFound."""
        found = self.find(name)
        if found is None:
            words = f"There is no item {name}. Add it under Setup or import it with the sheet “articles” first."
            raise NotFound("no_such_item", words)
        return found

    def add(self, name: ItemName, shades: tuple[str, ...]) -> ItemName:
        """Give the name under which a new item will be made, once for all rows. Errors: BadInput, NotFound."""
        pending = self._will_be.setdefault(_folded(name), [])
        for other in pending:
            if name.finish in {None, other.finish}:
                return other
        full = name._replace(finish=name.finish or Finish.SATIN)
        if full.material.upper() not in self.materials:
            known = ", ".join(sorted(self.materials))
            raise NotFound("no_such_material", f"“{name.material}” is not a known material. Known are {known}.")
        if not shades and (folded(full.colour), full.finish) not in self._colours:
            words = f"“{name.colour}” is a new colour: give its shade, like #1f6feb, so that it can be shown."
            raise BadInput("no_shade", words)
        pending.append(full)
        self.new[full] = shades
        return full

    def colours_of(self, material: str) -> list[str]:
        """Give the names of the colours in which a material is there, each once."""
        found = {said.colour: name for said, name in self._names.items() if said.material == folded(material)}
        return sorted(found.values())

    def has_colour(self, name: str, finish: Finish | None) -> bool:
        """Give whether a colour of this name has a shade, in the finish that an item would be made in."""
        return (folded(name), finish or Finish.SATIN) in self._colours

    def shades(self, name: ItemName) -> tuple[tuple[str, ...], bool]:
        """Give the shades by which an item is shown, and whether it would be made."""
        finish = name.finish or Finish.SATIN
        if name in self.new:
            return self.new[name] or self._colours.get((folded(name.colour), finish), ()), True
        return self._colours.get((folded(name.colour), finish), ()) or self._any_finish(name.colour), False

    def _any_finish(self, colour: str) -> tuple[str, ...]:
        return next((shades for (name, _), shades in self._colours.items() if name == folded(colour)), ())

    def make(self, act: Act) -> dict[ItemName, int]:
        """Make the items that were added, and give their numbers."""
        return {name: self._made(act, name, shades).id for name, shades in self.new.items()}

    def _made(self, act: Act, name: ItemName, shades: tuple[str, ...]) -> Article:
        return make_article(
            self.session,
            act,
            material=name.material,
            colour=name.colour,
            finish=name.finish or Finish.SATIN,
            srgb=shades,
            diameter_um=name.diameter_um,
        )


def _colours(session: Session) -> dict[tuple[str, str], tuple[str, ...]]:
    """Give the shades of every colour by its folded name and its finish."""
    query = select(col(Colour.name), col(Colour.finish), col(ColourValue.srgb)).join(
        ColourValue, col(ColourValue.colour_id) == col(Colour.id)
    )
    found: dict[tuple[str, str], tuple[str, ...]] = {}
    for name, finish, srgb_ in session.execute(query.order_by(col(ColourValue.position))):
        found[folded(name), finish] = (*found.get((folded(name), finish), ()), srgb_)
    return found


def _folded(name: ItemName) -> Said:
    return Said(folded(name.material), folded(name.colour), name.diameter_um)


def item_name(cells: Cells) -> ItemName:
    """Give the item that a row names by material, colour, finish and diameter, as its source spells them."""
    return as_meant(
        cells.reading.manner,
        ItemName(
            material=cells.needed("material").upper(),
            colour=" ".join(cells.needed("colour").split()),
            finish=cells.read("finish", lambda text: one_word(text, Finish), None),
            diameter_um=cells.read("diameter_mm", diameter_from, USUAL_UM),
        ),
    )


def as_meant(manner: Manner, name: ItemName) -> ItemName:
    """Give the item that a spelling of its material and its colour means."""
    material = manner.materials.get(folded(name.material), name.material).upper()
    return name._replace(material=material, colour=manner.colour(material, name.colour))


def in_force(session: Session, manner: Manner) -> Manner:
    """Give a manner without what it remembers of names that are items in use, or materials, by now: these win."""
    if not manner.spellings and not manner.materials:
        return manner
    items = Items(session)
    there = {said(material, colour) for material in items.materials for colour in items.colours_of(material)}
    known = {folded(material) for material in items.materials}
    return replace(
        manner,
        spellings={key: meant for key, meant in manner.spellings.items() if key not in there},
        materials={key: meant for key, meant in manner.materials.items() if key not in known},
    )


def item_in_one(text: str, materials: Collection[str]) -> ItemName:
    """Give the item in a cell that has material and colour, in any order, like PLA Chalk or Chalk, PLA (matt).

    Where no word is one of `materials`, the first is taken for one that is not known. Errors: BadInput where two are.
    """
    plain, _, rest = text.strip().partition("(")
    words = [word for word in re.split(r"[\s,;/|]+", plain) if word.strip("-\N{EN DASH}:")]
    known = [word for word in words if word.upper() in materials]
    if len(known) > 1 or len(words) < 2:  # noqa: PLR2004 - one word cannot be both
        named = "names two materials" if len(known) > 1 else "is not a material and a colour"
        raise BadInput("no_such_item", f"“{text.strip()}” {named}. Write material and colour, like PLA Black.")
    material = known[0] if known else words[0]
    colour = " ".join(word for word in words if word is not material)
    finish = one_word(rest.rstrip(") "), Finish) if rest else None
    return ItemName(material.upper(), colour, finish, USUAL_UM)


def item_said(text: str) -> ItemName:
    """Give the item that a text names, like PLA Black, or PLA Gold (silk). Errors: BadInput."""
    plain, _, rest = text.strip().partition("(")
    material, _, colour = plain.strip().partition(" ")
    if not colour.strip():
        raise BadInput("no_such_item", f"“{text.strip()}” is not an item. Write material and colour, like PLA Black.")
    finish = one_word(rest.rstrip(") "), Finish) if rest else None
    return ItemName(material.upper(), " ".join(colour.split()), finish, USUAL_UM)


def shades_from(text: str) -> tuple[str, ...]:
    """Give one or more colours typed like #ff0000/#0000ff. Errors: BadInput."""
    shades = tuple(srgb(part) for part in text.split("/"))
    if len(shades) > _MOST_SHADES:
        raise BadInput("too_many_shades", f"A colour has at most {_MOST_SHADES} shades.")
    return shades


def named(known: dict[str, int], what: str, sheet: str) -> Callable[[str], int]:
    """Give a reader of cells that name one of these. Its errors: NotFound."""

    def reader(text: str) -> int:
        found = known.get(folded(text))
        if found is None:
            words = (
                f"There is no {what} named “{text}”. Add it under Setup or import it with the sheet “{sheet}” first."
            )
            raise NotFound(f"no_such_{what}", words)
        return found

    return reader


class Machines:
    """Machines by name, and their feeds by position."""

    def __init__(self, session: Session) -> None:
        self.by_name = named(numbers(session, Machine), "machine", "machines")
        self.retired = frozenset(session.scalars(select(col(Machine.id)).where(col(Machine.retired))))
        self._feeds: dict[int, dict[int, int]] = {}
        for feed in session.scalars(select(Feed).where(col(Feed.live))):
            self._feeds.setdefault(feed.machine_id, {})[feed.position] = feed.id

    def only_feed(self, machine_id: int) -> int | None:
        """Give the feed of a machine that has one only."""
        feeds = self._feeds.get(machine_id, {})
        return next(iter(feeds.values())) if len(feeds) == 1 else None

    def feed(self, machine_id: int, position: int) -> int:
        """Give a feed by its position. Errors: NotFound."""
        feeds = self._feeds.get(machine_id, {})
        if position not in feeds:
            words = f"That machine has no feed {position}. Its feeds are 1 to {max(feeds, default=0)}."
            raise NotFound("no_such_feed", words)
        return feeds[position]


def machine_and_feed(cells: Cells, machines: Machines) -> tuple[int | None, int | None]:
    """Give the machine and the feed that a row names, by number."""
    machine_id = cells.read("machine", machines.by_name, None)
    position = cells.whole("feed", 0)
    if not cells.text("feed"):
        return machine_id, None
    if machine_id is None:
        if not cells.bad:
            cells.problem("machine", "A feed is given but no machine. Name the machine too.", "no_machine")
        return None, None
    return machine_id, cells.read("feed", lambda _: machines.feed(machine_id, position), None)


def new_name(cells: Cells, known: dict[str, int], what: str, reading: Reading) -> str:
    """Give a name that nothing has yet, neither in the books nor on an earlier row."""
    longest = 80
    name = " ".join(cells.needed("name").split())
    if len(name) > longest:
        cells.problem("name", f"Give it a name of 1 to {longest} characters.", "no_name")
    if folded(name) in known and name:
        words = f"There is a {what} named “{name}” already. Leave this row out of {reading.source}, or rename it."
        cells.problem("name", words, "name_is_taken")
    known[folded(name)] = 0
    return name
