"""The first hour of a new workshop: its steps, what is done of them, and several machines, places or spools at once.

The web's First hour and Today call it. A step is done by what is in the books, or because a person says so.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from enum import StrEnum

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain import measures
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.names import folded
from spoolkeep.domain.patterns import names_in
from spoolkeep.domain.sheets import SheetRow
from spoolkeep.domain.spelling import PLAIN_SHADES, shade_for
from spoolkeep.domain.words import Kind, PlaceKind
from spoolkeep.services import setup
from spoolkeep.services.catalogue import Made, make_machine, make_place
from spoolkeep.services.imports import spools
from spoolkeep.services.imports.cells import Reading
from spoolkeep.services.imports.lookups import Items, item_in_one
from spoolkeep.services.imports.manner import Manner
from spoolkeep.services.shop import Settings, Shop, load_shop
from spoolkeep.store.acts import By, once
from spoolkeep.store.tables import Act, Loading, Machine, Movement, Place, Spool, Token, Walk

_SEEN, _OPEN = "step done", "step open"
_SHELF = "first hour"


class Step(StrEnum):
    """The steps, in their order."""

    WORKSHOP = "workshop"
    MACHINES = "machines"
    PLACES = "places"
    SPOOLS = "spools"
    LABELS = "labels"
    STATION = "station"
    COUNT = "count"
    LOAD = "load"


@dataclass(frozen=True)
class Hour:
    """How far a workshop is."""

    done: frozenset[Step]
    """By what is in the books."""
    said: frozenset[Step]
    """By what a person said: done elsewhere, or not wanted."""
    has_spools: bool
    is_over: bool
    """Whether nobody needs to be led any more."""

    @property
    def open(self) -> tuple[Step, ...]:
        """Give the steps that are still to do, in their order."""
        return tuple(step for step in Step if step not in self.done | self.said)

    @property
    def next(self) -> Step | None:
        """Give the first of them."""
        return next(iter(self.open), None)


def hour(session: Session, shop: Shop) -> Hour:
    """Give how far the workshop is, in two queries.

    It is over once nothing is open; once anything was drawn; or once spools came in by a delivery, as in a workshop
    that was there before.
    """
    there = {
        Step.MACHINES: select(col(Machine.id)).where(col(Machine.live)),
        Step.PLACES: select(col(Place.id)).where(col(Place.live)),
        Step.SPOOLS: select(col(Spool.id)).where(col(Spool.live)),
        Step.STATION: select(col(Token.id)).where(col(Token.kind) == "station"),
        Step.COUNT: select(col(Walk.id)).where(col(Walk.settled_at).is_not(None)),
        Step.LOAD: select(col(Loading.id)).where(col(Loading.live)),
    }
    drawn = select(col(Movement.id)).where(col(Movement.kind) == Kind.DRAW)
    delivered = select(col(Spool.id)).where(col(Spool.live), col(Spool.delivery_id).is_not(None))
    found = session.execute(select(*(query.exists() for query in (*there.values(), drawn, delivered)))).one()
    done = {step for step, is_there in zip(there, found, strict=False) if is_there}
    done |= {Step.WORKSHOP} if shop.is_set_up else set()
    said = _said(session)
    return Hour(
        frozenset(done),
        frozenset(said),
        Step.SPOOLS in done,
        is_over=bool(found[-2] or found[-1]) or not set(Step) - done - said,
    )


def _said(session: Session) -> set[Step]:
    """Give the steps of which a person said last that they are done."""
    undo, redo = aliased(Act), aliased(Act)
    again = select(col(redo.id)).where(col(redo.undoes_id) == col(undo.id)).exists()
    undone = select(col(undo.id)).where(col(undo.undoes_id) == col(Act.id), ~again).exists()
    query = select(col(Act.about), col(Act.kind)).where(col(Act.kind).in_((_SEEN, _OPEN)), ~undone)
    last = {row.about: row.kind for row in session.execute(query.order_by(col(Act.id)))}
    return {step for step in Step if last.get(str(step)) == _SEEN}


def say(*, session: Session, now: datetime, by: By, step: Step, done: bool) -> Made:
    """Say that a step is done or not wanted, or that it is open again. It changes nothing else."""
    kind = _SEEN if done else _OPEN
    return once(
        session,
        kind,
        by=by,
        now=now,
        request={"step": step},
        answers=Made,
        about=str(step),
        do=lambda act: Made(act.id, act.id),
    )


@dataclass(frozen=True)
class WorkshopEntry:
    """What a workshop is: its name, its locale like en_GB, its currency by ISO 4217, its zone by the tz database."""

    name: str
    locale: str
    currency: str
    zone: str


def name_workshop(*, session: Session, now: datetime, by: By, entry: WorkshopEntry) -> Made:
    """Say what the workshop is; all other settings stay. Errors: as `setup.set_up`."""
    told = {name: value for name, value in vars(load_shop(session)).items() if name != "is_set_up"}
    return setup.set_up(session=session, now=now, by=by, settings=replace(Settings(**told), **vars(entry)))


@dataclass(frozen=True)
class Several:
    """What was made at once, by name."""

    act_id: int
    names: tuple[str, ...]


def add_machines(*, session: Session, now: datetime, by: By, names: str, feeds: int) -> Several:
    """Add machines alike, named by a pattern, each with so many feeds. Errors: BadInput, Conflict."""
    read = names_in(names)

    def do(act: Act) -> Several:
        for name in read:
            make_machine(session, act, name=name, feeds=feeds)
        return Several(act.id, tuple(read))

    request = {"names": names, "feeds": feeds}
    return once(session, "machines", by=by, now=now, request=request, answers=Several, about=_about(read), do=do)


def add_places(*, session: Session, now: datetime, by: By, names: str, kind: PlaceKind) -> Several:
    """Add places, named by a pattern: each of the kind that its name says, else of this. Errors: BadInput, Conflict."""
    read = names_in(names)

    def do(act: Act) -> Several:
        for name in read:
            said = [one for one in PlaceKind if one in name.casefold()]
            make_place(session, act, name=name, kind=said[0] if len(said) == 1 else kind)
        return Several(act.id, tuple(read))

    request = {"names": names, "kind": kind}
    return once(session, "places", by=by, now=now, request=request, answers=Several, about=_about(read), do=do)


def _about(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}"


@dataclass(frozen=True)
class OnShelf:
    """A spool, or several alike, as a person finds it: all in the words that are typed."""

    item: str
    """Material and colour, like PLA Chalk."""
    weight: str
    """Like 850 g or 0.85 kg."""
    tare: str
    """Of the empty reel, where `weight` is with it; else empty."""
    full: str
    """What was on it when it was new; empty for the same."""
    place: str
    count: str
    shade: str
    """Of a colour that is new."""


@dataclass(frozen=True)
class Shelved:
    """What came in: the codes for its labels, and what it is."""

    act_id: int
    codes: tuple[str, ...]
    item: str
    left_mg: int


def shelve(*, session: Session, now: datetime, by: By, entry: OnShelf) -> Shelved:
    """Bring in a spool that is there already, by the rules of the sheet of spools. Errors: BadInput."""

    def do(act: Act) -> Shelved:
        manner = Manner(shades=_usual_shade(session, entry.item))
        reading = Reading(session, now, load_shop(session), _SHELF, manner, columns=("item", "left_g"))
        book = spools.read(reading, [SheetRow(1, _cells(entry))])
        if reading.problems:
            raise BadInput(reading.problems[0].code, reading.problems[0].words)
        booked, shown = book(act), reading.shows[0]
        return Shelved(act.id, booked.codes, shown.item, shown.left_mg)

    return once(
        session, "on the shelf", by=by, now=now, request=vars(entry), answers=Shelved, about=entry.item[:80], do=do
    )


def _usual_shade(session: Session, item: str) -> dict[str, str]:
    """Give the usual shade of the plain word in a colour's name, where it has one: for a colour that is new."""
    colour = item_in_one(item, Items(session).materials).colour
    return {folded(colour): shade} if (shade := shade_for(colour)) else {}


def _cells(entry: OnShelf) -> dict[str, str]:
    left = measures.grams(entry.weight)
    if entry.tare:
        left = f"{Decimal(left) - Decimal(measures.grams(entry.tare)):f}"
    told = {
        "item": entry.item,
        "left_g": left,
        "received_g": entry.full,
        "tare_g": entry.tare,
        "place": entry.place,
        "spools": entry.count,
        "shade": PLAIN_SHADES.get(entry.shade.lower(), entry.shade),
    }
    return {column.name: "" for column in spools.COLUMNS} | told
