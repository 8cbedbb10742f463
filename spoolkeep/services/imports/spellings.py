"""Spellings of materials and colours in a sheet: which of them may be one item, and what a new colour looks like.

The drafts call it. It proposes; a person accepts, joins to an item that is there, or keeps apart. It only reads.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from itertools import combinations

from sqlalchemy.orm import Session

from spoolkeep.domain.errors import Refusal
from spoolkeep.domain.names import folded
from spoolkeep.domain.sheets import Record
from spoolkeep.domain.spelling import Plain, as_plain, may_be_one, nearest, shade_for
from spoolkeep.domain.words import Finish
from spoolkeep.services.imports.cells import one_word
from spoolkeep.services.imports.lookups import USUAL_UM, ItemName, Items, item_in_one
from spoolkeep.services.imports.manner import Manner, rows, said, theirs

_ASKED = ("item", "material", "colour", "finish")
MOST_COMPARED = 60
"""New colours of one material that are held against each other and against those that are there; more are not."""


@dataclass(frozen=True)
class Spelling:
    """A colour that a sheet names and the books do not have under this name, and what it may be."""

    key: str
    material: str
    name: str
    lines: tuple[int, ...]
    meant: str
    """The colour that it goes in as; its own name where it is a colour of its own."""
    near: tuple[str, ...]
    """Colours that it may well be: of items that are there, and of this sheet."""
    others: tuple[str, ...]
    """All other colours of this material, to choose from."""
    shade: str
    """Of a colour of its own that the books do not know: the shade that was told or is proposed."""
    wants_shade: bool


@dataclass(frozen=True)
class OtherMaterial:
    """A word for a material that is not known here."""

    key: str
    name: str
    lines: tuple[int, ...]
    meant: str


@dataclass(frozen=True)
class Spelled:
    """What of a sheet's words a person is asked about."""

    colours: tuple[Spelling, ...]
    materials: tuple[OtherMaterial, ...]
    known_materials: tuple[str, ...]
    not_compared: tuple[str, ...]
    """Materials with so many new colours that each is proposed as its own."""


def read(session: Session, records: Sequence[Record], manner: Manner) -> Spelled:
    """Give the spellings in a sheet that the books do not know as they are written, and what each goes in as."""
    items = Items(session)
    named = _named(records, manner, items)
    other = [
        OtherMaterial(folded(material), material, tuple(lines), manner.materials.get(folded(material), ""))
        for material, lines in _materials(named).items()
        if material.upper() not in items.materials
    ]
    by_material: dict[str, dict[str, _Named]] = {}
    for name, line in named:
        material = manner.materials.get(folded(name.material), name.material).upper()
        if material in items.materials:
            one = by_material.setdefault(material, {}).setdefault(folded(name.colour), _Named(name.colour))
            one.lines.append(line)
            one.finishes.add(name.finish)
    colours = [one for material in sorted(by_material) for one in _of(material, by_material[material], items, manner)]
    count = Counter(one.material for one in colours)
    return Spelled(
        colours=tuple(_asked_once(colours)),
        materials=tuple(other),
        known_materials=tuple(sorted(items.materials)),
        not_compared=tuple(material for material, times in count.items() if times > MOST_COMPARED),
    )


def _asked_once(colours: Iterable[Spelling]) -> Iterable[Spelling]:
    """Ask for a colour's shade once, whatever materials it comes in."""
    asked: set[str] = set()
    for one in colours:
        yield replace(one, wants_shade=one.wants_shade and folded(one.name) not in asked)
        if one.wants_shade:
            asked.add(folded(one.name))


@dataclass
class _Named:
    """A colour as a sheet spells it first, where, and in which finishes."""

    name: str
    lines: list[int] = field(default_factory=list)
    finishes: set[Finish | None] = field(default_factory=set)


def _of(material: str, names: Mapping[str, _Named], items: Items, manner: Manner) -> Iterable[Spelling]:
    there = items.colours_of(material)
    known = {folded(colour) for colour in there}
    new = [one for key, one in names.items() if key not in known]
    often = sorted(new, key=lambda one: (-len(one.lines), min(one.lines)))
    compared = len(often) <= MOST_COMPARED
    beside = [one.name for one in often] if compared else []
    near = _near(there, beside)
    for at, one in enumerate(often):
        close = near.get(one.name, [])
        told = manner.spellings.get(said(material, one.name), "")
        earlier = {other.name for other in often[:at]} if compared else set()
        meant = told or _proposed(one.name, close, {*there}, earlier)
        own = folded(meant) == folded(one.name)
        names_near = [other.name for other in close]
        yield Spelling(
            key=said(material, one.name),
            material=material,
            name=one.name,
            lines=tuple(one.lines),
            meant=meant,
            near=tuple(names_near),
            others=tuple(
                name for name in dict.fromkeys((*there, *beside, meant)) if name not in {one.name, *names_near}
            ),
            shade=manner.shades.get(folded(one.name), "")
            or next(filter(None, map(shade_for, (one.name, *names_near))), ""),
            wants_shade=own and not all(items.has_colour(one.name, finish) for finish in one.finishes),
        )


def _near(there: Sequence[str], new: Sequence[str]) -> dict[str, list[Plain]]:
    """Give what may be one with each new name: of those that are there, then of the new. Each pair is compared once."""
    plain, own = [as_plain(name) for name in there], [as_plain(name) for name in new]
    found = {one.name: [other for other in plain if may_be_one(one, other)] for one in own}
    for one, other in combinations(own, 2):
        if may_be_one(one, other):
            found[one.name].append(other)
            found[other.name].append(one)
    return found


def _proposed(name: str, near: Sequence[Plain], there: AbstractSet[str], earlier: AbstractSet[str]) -> str:
    """Give the item that is there and is nearest, else a more frequent spelling of this sheet, else the name itself."""
    one = as_plain(name)
    first = nearest(one, [other for other in near if other.name in there])
    return first or nearest(one, [other for other in near if other.name in earlier]) or name


def propose(session: Session, records: Sequence[Record], manner: Manner) -> tuple[Manner, list[str]]:
    """Give the manner with each spelling decided, and those that were proposed to be another."""
    told, shades, proposed = dict(manner.spellings), dict(manner.shades), []
    spelled = read(session, records, manner)
    for one in spelled.colours:
        if one.key not in told:
            told[one.key] = one.meant
            if folded(one.meant) != folded(one.name):
                proposed.append(f"{one.material} “{one.name}” is “{one.meant}”")
        if one.wants_shade and folded(one.name) not in shades and one.shade:
            shades[folded(one.name)] = one.shade
            proposed.append(f"“{one.name}” looks like {one.shade}")
    if undecided := {one.material for one in spelled.colours if one.key not in manner.spellings}:
        proposed += [
            f"more than {MOST_COMPARED} colours of {material} are new: none was compared, each is its own"
            for material in spelled.not_compared
            if material in undecided
        ]
    return replace(manner, spellings=told, shades=shades), proposed


def _named(records: Sequence[Record], manner: Manner, items: Items) -> list[tuple[ItemName, int]]:
    """Give the items that the rows name as they are written, with their lines.

    What names none is left to the row's own problem.
    """
    ours = [manner.columns.get(name, "") for name in theirs(records, manner)]
    places: dict[str, int] = {name: ours.index(name) for name in _ASKED if name in ours}
    found = []
    for record in rows(records, manner):
        cells = {name: record.cells[at].strip() for name, at in places.items() if at < len(record.cells)}
        name = _name(cells, items)
        if name is not None:
            found.append((name, record.line))
    return found


def _name(cells: Mapping[str, str], items: Items) -> ItemName | None:
    try:
        finish = one_word(cells["finish"], Finish) if cells.get("finish") else None
        if cells.get("item"):
            name = item_in_one(cells["item"], items.materials)
            return name._replace(finish=finish or name.finish)
    except Refusal:
        return None
    if not (cells.get("material") and cells.get("colour")):
        return None
    return ItemName(cells["material"].upper(), " ".join(cells["colour"].split()), finish, USUAL_UM)


def _materials(named: Iterable[tuple[ItemName, int]]) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for name, line in named:
        found.setdefault(name.material, []).append(line)
    return found
