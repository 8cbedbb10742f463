"""A machine by itself: what it can take, how its feeds hold spools, what a change of colour costs, who ends its jobs.

The machine's own page calls it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.purging import Filament, Told, change_mg, purged_mg
from spoolkeep.services import airing, finding, floor
from spoolkeep.services.catalogue import Made
from spoolkeep.services.finding import Item
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, ChangePurge, Feed, Machine, Place, Spool

MOST_REEL_MM, MOST_PURGE_MG, MOST_HEIGHT_MM = 1000, 100_000, 10_000
MOST_EARNS, MOST_DRYER_HOURS = 10_000_000, 240


@dataclass(frozen=True)
class MachineEntry:
    """What a machine can take, as it is entered."""

    largest_reel_mm: int | None
    enclosed: bool
    hardened_nozzle: bool
    runout_sensor: bool
    cardboard_reels: bool
    self_starting: bool
    switches: bool
    """Its holders take two spools, and go over to the second by themselves."""
    earns_minor_per_hour: int | None
    keeps_dry: bool = False
    """Its holders are dry boxes."""


@dataclass(frozen=True)
class ChangeView:
    """What it costs to change from one item to another."""

    before: Item
    after: Item
    mg: int
    told: bool
    """Whether somebody told it; else it follows from the usual one."""


@dataclass(frozen=True)
class MachinePage:
    """A machine, and what is known of it."""

    machine_id: int
    name: str
    entry: MachineEntry
    feeds: int
    usual_purge_mg: int | None
    changes: tuple[ChangeView, ...]
    """Between what is loaded on its feeds, and those that were told."""


def view(*, session: Session, machine_id: int) -> MachinePage:
    """Give a machine. Errors: NotFound."""
    row = finding.live(session, Machine, machine_id)
    feeds = session.scalars(select(Feed).where(col(Feed.machine_id) == machine_id, col(Feed.live))).all()
    told = purges(session, machine_id)
    named = ("largest_reel_mm", "enclosed", "hardened_nozzle", "runout_sensor", "cardboard_reels", "self_starting")
    return MachinePage(
        machine_id=row.id,
        name=row.name,
        entry=MachineEntry(
            **{name: getattr(row, name) for name in named},
            switches=any(feed.switches for feed in feeds),
            keeps_dry=any(feed.keeps_dry for feed in feeds),
            earns_minor_per_hour=row.earns_minor_per_hour,
        ),
        feeds=len(feeds),
        usual_purge_mg=next((one.mg for one in told if one.from_id is None and one.to_id is None), None),
        changes=_changes(session, machine_id, told),
    )


def describe(*, session: Session, now: datetime, by: By, machine_id: int, entry: MachineEntry) -> Made:
    """Enter what a machine can take. Errors: BadInput, NotFound."""

    def do(act: Act) -> Made:
        machine = finding.live(session, Machine, machine_id)
        _check(entry)
        values = {name: value for name, value in vars(entry).items() if name not in {"switches", "keeps_dry"}}
        change(session, act, machine, **values)
        for feed in session.scalars(select(Feed).where(col(Feed.machine_id) == machine_id, col(Feed.live))).all():
            was_dry = feed.keeps_dry
            change(session, act, feed, switches=entry.switches, keeps_dry=entry.keeps_dry)
            if was_dry != entry.keeps_dry:
                airing.holder_changed(session, act, feed, at=now)
        return Made(act.id, machine_id)

    request = {"machine_id": machine_id, **vars(entry)}
    about = _name(session, machine_id)
    return once(session, "machine", by=by, now=now, request=request, answers=Made, about=about, do=do)


def tell_purge(
    *, session: Session, now: datetime, by: By, machine_id: int, mg: int, items: tuple[int | None, int | None]
) -> Made:
    """Enter what a change of the plastic purges, from one item to another, None for any. Errors: BadInput, NotFound."""
    before, after = items

    def do(act: Act) -> Made:
        finding.live(session, Machine, machine_id)
        if not 0 <= mg <= MOST_PURGE_MG:
            raise BadInput("no_such_purge", "A change purges 0 to 100 g.")
        if before is not None and before == after:
            raise BadInput("no_change", "From an item to itself nothing is purged. Choose two.")
        for article_id in filter(None, items):
            finding.item(session, article_id)
        rows = session.scalars(select(ChangePurge).where(col(ChangePurge.machine_id) == machine_id)).all()
        for row in rows:
            if row.live and (row.from_id, row.to_id) == items:
                change(session, act, row, live=False)
        create(session, act, ChangePurge(machine_id=machine_id, from_id=before, to_id=after, mg=mg))
        return Made(act.id, machine_id)

    request = {"machine_id": machine_id, "mg": mg, "items": list(items)}
    about = _name(session, machine_id)
    return once(session, "purge", by=by, now=now, request=request, answers=Made, about=about, do=do)


def set_height(*, session: Session, now: datetime, by: By, place_id: int, height_mm: int | None) -> Made:
    """Enter how high a place is above the floor: heavy reels are taken from low ones. Errors: BadInput, NotFound."""

    def do(act: Act) -> Made:
        place = finding.live(session, Place, place_id)
        if height_mm is not None and not 0 <= height_mm <= MOST_HEIGHT_MM:
            raise BadInput("no_such_height", "A place is 0 to 1000 cm above the floor.")
        change(session, act, place, height_mm=height_mm)
        return Made(act.id, place_id)

    request = {"place_id": place_id, "height_mm": height_mm}
    return once(session, "place", by=by, now=now, request=request, answers=Made, do=do)


def set_dryer(*, session: Session, now: datetime, by: By, place_id: int, hours: int | None) -> Made:
    """Say that a place is a dryer, and how many hours a spool stays in it at least; None: it is none.

    Errors: BadInput, NotFound; Conflict where spools lie in it, of which it would not be known how they lie.
    """

    def do(act: Act) -> Made:
        place = finding.live(session, Place, place_id)
        if hours is not None and not 0 < hours <= MOST_DRYER_HOURS:
            raise BadInput("no_such_hours", f"A dryer takes 1 to {MOST_DRYER_HOURS} hours. Empty: it is no dryer.")
        if (hours is None) != (place.ready_hours is None) and _lies_in(session, place_id):
            raise Conflict("not_empty", f"Spools are in {place.name}. Scan them to another place, then say what it is.")
        change(session, act, place, ready_hours=hours)
        return Made(act.id, place_id)

    request = {"place_id": place_id, "hours": hours}
    return once(session, "place", by=by, now=now, request=request, answers=Made, do=do)


def _lies_in(session: Session, place_id: int) -> bool:
    there = select(col(Spool.id)).where(
        col(Spool.place_id) == place_id, col(Spool.live), col(Spool.retired_on).is_(None)
    )
    return session.scalars(there.limit(1)).first() is not None


def purges(session: Session, machine_id: int) -> list[Told]:
    """Give what was told of a machine's changes."""
    query = select(ChangePurge).where(col(ChangePurge.machine_id) == machine_id, col(ChangePurge.live))
    return [Told(row.mg, row.from_id, row.to_id) for row in session.scalars(query.order_by(col(ChangePurge.id)))]


def purge_of(session: Session, machine_id: int, items: Sequence[Item], changes: int) -> dict[int, int]:
    """Give the milligrams that so many changes among items purge of each, by the item's number."""
    told = purges(session, machine_id)
    known = {item.article_id: item for item in items}
    each = purged_mg(told, [filament(item) for item in known.values()], changes)
    return dict(zip(known, each, strict=True))


def filament(item: Item) -> Filament:
    """Give an item as changes between plastics see it."""
    return Filament(item.article_id, item.srgb)


def _changes(session: Session, machine_id: int, told: Sequence[Told]) -> tuple[ChangeView, ...]:
    machine = floor.machines(session, [machine_id])
    loaded = [number for one in machine for number in one.loaded.values() if number]
    pairs = dict.fromkeys((one.from_id, one.to_id) for one in told if one.from_id and one.to_id)
    known = {(one.from_id, one.to_id) for one in told}
    if any((one.from_id, one.to_id) == (None, None) for one in told):
        pairs |= dict.fromkeys((one, other) for one in loaded for other in loaded if one != other)
    items = finding.items(session, {number for pair in pairs for number in pair if number}) if pairs else {}
    return tuple(
        ChangeView(
            items[one],
            items[other],
            change_mg(told, filament(items[one]), filament(items[other])),
            told=(one, other) in known,
        )
        for one, other in pairs
        if one in items and other in items
    )


def _check(entry: MachineEntry) -> None:
    if entry.largest_reel_mm is not None and not 1 <= entry.largest_reel_mm <= MOST_REEL_MM:
        raise BadInput("no_such_reel", f"The largest reel is 1 to {MOST_REEL_MM} mm wide. Empty: not known.")
    if entry.earns_minor_per_hour is not None and not 0 <= entry.earns_minor_per_hour <= MOST_EARNS:
        raise BadInput("no_such_earnings", "What it earns in an hour is 0 or more. Empty: as in the settings.")


def _name(session: Session, machine_id: int) -> str:
    machine = session.get(Machine, machine_id)
    return machine.name if machine else ""
