"""The board: every machine with its feeds, what is on them, how long it lasts, and what is not right about it.

The Bench shows it. It only reads.
"""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from spoolkeep.domain.rightspool import SURE, Weight
from spoolkeep.services import tonight
from spoolkeep.services.checking import Checked
from spoolkeep.services.finding import Item
from spoolkeep.services.floor import On
from spoolkeep.services.tonight import FeedTonight, Floor, Lacking


@dataclass(frozen=True)
class Loaded:
    """A spool on a feed."""

    spool_code: str
    item: Item
    left_mg: int
    doubtful: bool
    since: datetime


@dataclass(frozen=True)
class FeedView:
    """One feed on the board."""

    feed_id: int
    code: str
    position: int
    loaded: Loaded | None
    checked: Checked
    standby: Loaded | None = None
    """What waits there to take over."""
    chance: float = 1.0
    """That it lasts until the hour."""
    prints: str = ""
    """What it prints until then."""
    ends_at: datetime | None = None
    """When it ends, where it may well end before the hour."""

    @property
    def may_end(self) -> bool:
        """Give whether it may well end before the hour."""
        return self.chance < SURE


@dataclass(frozen=True)
class MachineView:
    """One machine on the board, with its feeds in order."""

    machine_id: int
    name: str
    feeds: tuple[FeedView, ...]
    lacking: tuple[Lacking, ...] = ()
    """What its job needs and no feed of it carries."""

    @property
    def weight(self) -> Weight | None:
        """Give how much the gravest fault on it weighs."""
        weights = {feed.checked.weight for feed in self.feeds}
        return next((one for one in Weight if one in weights), None)


def board(*, session: Session, now: datetime) -> list[MachineView]:
    """Give every machine by name with its feeds."""
    return of_floor(tonight.look_ahead(session=session, now=now))


def of_floor(ahead: Floor) -> list[MachineView]:
    """Give the board of a floor that was looked at."""
    feeds: dict[int, dict[int, FeedView]] = {}
    for one in ahead.feeds:
        feeds.setdefault(one.machine.machine_id, {})[one.feed.feed_id] = _feed(one)
    return [
        MachineView(
            machine_id=machine.machine_id,
            name=machine.name,
            feeds=tuple(feeds[machine.machine_id][one.feed_id] for one in machine.feeds),
            lacking=tuple(one for one in ahead.lacking if one.machine.machine_id == machine.machine_id),
        )
        for machine in ahead.machines
    ]


def _feed(one: FeedTonight) -> FeedView:
    return FeedView(
        feed_id=one.feed.feed_id,
        code=one.feed.code,
        position=one.feed.position,
        loaded=_loaded(one.feed.in_use),
        standby=_loaded(one.feed.standby),
        checked=one.checked,
        chance=one.chance,
        prints=one.what,
        ends_at=one.night.risk.ends_at if one.chance < SURE else None,
    )


def _loaded(on: On | None) -> Loaded | None:
    if on is None:
        return None
    spool = on.spool
    return Loaded(spool.code, spool.item, spool.left_mg, spool.doubtful, on.from_at)
