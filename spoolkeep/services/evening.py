"""What to do before going home: for each feed that cannot be left as it is, what to load from where, or what helps.

The page Tonight, its half sheet and the command line call it. It only reads.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain import night
from spoolkeep.domain.night import Print
from spoolkeep.domain.rightspool import SURE, Weight
from spoolkeep.domain.units import MG_PER_G
from spoolkeep.services import checking, floor, picking, tonight, untold
from spoolkeep.services.floor import JobToCome
from spoolkeep.services.picking import Advice
from spoolkeep.services.shop import load_shop
from spoolkeep.services.tonight import FeedTonight, Floor
from spoolkeep.store.tables import Place, Walk, WalkedPlace

MOST_ADVISED = 40
"""For so many feeds a spool is looked for; beyond them nobody loads in one evening."""
_WORTH = 1.5
"""A scale narrows the bounds enough where they are so many times as wide as after it. Source: our own choice."""
_HOPELESS = 0.05


@dataclass(frozen=True)
class ToDo:
    """One feed that cannot be left as it is, and what helps."""

    feed: FeedTonight
    take: Advice | None
    hints: tuple[str, ...]
    order: int
    """When it comes on a walk along the places; those without a place last."""

    @property
    def place(self) -> str:
        """Give where the spool to take is."""
        return self.take.spool.place if self.take and self.take.spool else ""


@dataclass(frozen=True)
class Evening:
    """What to do, the dearest first, and the floor as it will then be."""

    ahead: Floor
    todo: tuple[ToDo, ...]

    @property
    def walk(self) -> list[ToDo]:
        """Give what is to be fetched, in walking order."""
        return sorted((one for one in self.todo if one.take and one.take.spool), key=lambda one: one.order)

    @property
    def fine(self) -> list[FeedTonight]:
        """Give the feeds that print and last, by name."""
        return sorted((one for one in self.ahead.feeds if one.lasts and one.prints), key=lambda one: one.feed.name)

    @property
    def idle(self) -> list[FeedTonight]:
        """Give the feeds that print nothing until the hour, by name."""
        return sorted((one for one in self.ahead.feeds if one.lasts and not one.prints), key=lambda one: one.feed.name)


def plan(*, session: Session, now: datetime, until: datetime | None = None) -> Evening:
    """Give what to do before an hour, tomorrow's opening where none is said. Errors: BadInput."""
    ahead = tonight.look_ahead(session=session, now=now, until=until)
    waiting = floor.without_machine(session) + [job for one in ahead.machines for job in one.jobs if not job.runs]
    places = _walking_order(session)
    taken: list[int] = []
    todo = []
    for number, one in enumerate(ahead.to_see_to):
        take = _take(session, ahead, one, taken) if number < MOST_ADVISED else None
        if take is not None and take.spool is not None:
            taken.append(take.spool.spool_id)
        at = places.get(take.spool.place_id or 0, len(places)) if take and take.spool else len(places) + 1
        todo.append(ToDo(one, take, tuple(_hints(session, ahead, one, take, waiting=waiting)), at))
    return Evening(ahead, tuple(todo))


def _take(session: Session, ahead: Floor, one: FeedTonight, taken: Sequence[int]) -> Advice | None:
    """Give the spool to load instead: one that lasts to the end of what is printed then."""
    needs_mg = _to_the_end_mg(one, ahead.night)
    if one.article_id is None or needs_mg <= 0:
        return None
    limits = one.machine.limits
    return picking.to_take(
        session=session, now=ahead.night.now, article_id=one.article_id, needs_mg=needs_mg, limits=limits, but=taken
    )


def _to_the_end_mg(one: FeedTonight, hours: night.Night) -> int:
    """Give what is still drawn on a feed from now until the last of what is begun before the hour has ended."""
    ends = [hours.until, *(run.ends_at for run in one.prints if run.ends_at)]
    return round(night.needed_mg(one.prints, one.feed.feed_id, since=hours.now, until=max(ends)))


def _hints(
    session: Session, ahead: Floor, one: FeedTonight, take: Advice | None, *, waiting: Sequence[JobToCome]
) -> list[str]:
    return [*_weigh(one), *_other_job(one, waiting), *_dry(session, ahead, one, take)]


def _weigh(one: FeedTonight) -> list[str]:
    """Say from what reading on the scale on nothing need be done, where a scale would settle it."""
    on, after = one.feed.in_use, one.night.after
    settles = _HOPELESS < one.chance < SURE and after.sd > _WORTH * untold.WEIGHED_SD_MG
    if on is None or not settles or one.checked.weight is Weight.STOP:
        return []
    enough_mg = one.night.needs_mg + 2 * untold.WEIGHED_SD_MG
    if on.spool.tare_mg is None:
        return [f"Or weigh it: with {enough_mg / MG_PER_G:.0f} g of plastic or more on it, leave it on."]
    gross = (enough_mg + on.spool.tare_mg) / MG_PER_G
    return [f"Or weigh only this one: from {gross:.0f} g on the scale, with its reel, leave it on."]


def _other_job(one: FeedTonight, waiting: Sequence[JobToCome]) -> list[str]:
    """Name a shorter job of the same item that is planned and would be done with what is there."""
    first = one.prints[0] if one.prints else None
    if one.feed.in_use is None or first is None or first.starts_at is None or _runs(first, one):
        return []
    article_id, low_mg = one.feed.in_use.spool.item.article_id, one.left_between_mg[0]
    fitting = [
        job
        for job in waiting
        if job.job_id not in {run.job_id for run in one.prints}
        and len(job.needs) == 1
        and job.needs[0].article_id == article_id
        and job.needs[0].mg <= low_mg
    ]
    if not fitting:
        return []
    best = max(fitting, key=lambda job: job.needs[0].mg)
    return [f"Or print “{best.title}” here instead: it needs {best.needs[0].mg / MG_PER_G:.0f} g."]


def _runs(first: Print, one: FeedTonight) -> bool:
    return any(job.runs and job.job_id == first.job_id for job in one.machine.jobs)


def _dry(session: Session, ahead: Floor, one: FeedTonight, take: Advice | None) -> list[str]:
    """Say until when a thirsty spool must be in the dryer, so that it is ready when it is needed."""
    if take is None or take.spool is None:
        return []
    books = checking.read_books(session, ahead.night.now, [])
    material, held = books.materials[take.spool.item.material], checking.held(books, take.spool)
    if held.drying:
        return [held.drying]
    if held.out_hours is None or held.may_hours is None or held.out_hours <= held.may_hours or not material.dry_hours:
        return []
    begins = [run.starts_at for run in one.prints if run.starts_at and run.starts_at > ahead.night.now]
    needed_at = min([one.night.risk.ends_at or ahead.night.leaves_at, *begins])
    by = needed_at - timedelta(hours=material.dry_hours)
    clock = load_shop(session).clock
    when = f"by {clock.local(by):%H:%M}" if by > ahead.night.now else "now, and it will be late"
    return [f"Start drying it {when}: {held.dry}."]


def _walking_order(session: Session) -> dict[int, int]:
    """Give the order of the places on a walk: as the last count went along them, then as they were set up."""
    last = (
        select(col(Walk.id))
        .where(col(Walk.live), col(Walk.settled_at).is_not(None))
        .order_by(col(Walk.id).desc())
        .limit(1)
        .scalar_subquery()
    )
    walked = select(col(WalkedPlace.place_id)).where(col(WalkedPlace.walk_id) == last).order_by(col(WalkedPlace.at))
    rest = select(col(Place.id)).where(col(Place.live)).order_by(col(Place.serial))
    order = dict.fromkeys([*session.scalars(walked), *session.scalars(rest)])
    return {place_id: at for at, place_id in enumerate(order)}
