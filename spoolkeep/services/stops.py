"""Stops: hours in which a machine stood still for want of a spool.

The Jobs page and the start page call it.
"""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.services import finding
from spoolkeep.services.finding import Item
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, Machine, Stop

FIRST_YEAR = 2000


@dataclass(frozen=True)
class StopAnswer:
    """A stop that was entered or ended."""

    act_id: int
    stop_id: int


@dataclass(frozen=True)
class StopView:
    """A stop in a list."""

    stop_id: int
    machine: str
    item: Item | None
    """What it waited for."""
    from_at: datetime
    until_at: datetime | None
    hours: float | None
    """None while it lasts."""
    why: str


def book_stop(
    *,
    session: Session,
    now: datetime,
    by: By,
    machine_id: int,
    from_at: datetime,
    until_at: datetime | None = None,
    article_id: int | None = None,
    why: str = "",
) -> StopAnswer:
    """Enter that a machine stood still, or stands still, for want of a spool. Errors: BadInput, NotFound, Conflict."""

    def do(act: Act) -> StopAnswer:
        machine = finding.live(session, Machine, machine_id)
        if article_id is not None:
            finding.item(session, article_id)
        _check_times(from_at, until_at, now)
        if until_at is None and _standing(session, machine_id):
            raise Conflict("stands_already", f"{machine.name} stands still already by the books. End that stop first.")
        if _overlaps(session, machine_id, from_at, until_at or now):
            words = f"{machine.name} stood still in these hours already, by the books. Enter only what is missing."
            raise Conflict("stood_already", words)
        stop = Stop(
            machine_id=machine_id, article_id=article_id, from_at=from_at, until_at=until_at, why=why.strip()[:200]
        )
        return StopAnswer(act.id, create(session, act, stop).id)

    request = {
        "machine_id": machine_id,
        "from_at": from_at,
        "until_at": until_at,
        "article_id": article_id,
        "why": why,
    }
    return once(
        session,
        "stop",
        by=by,
        now=now,
        request=request,
        answers=StopAnswer,
        about=lambda: finding.live(session, Machine, machine_id).name,
        do=do,
    )


def end_stop(*, session: Session, now: datetime, by: By, stop_id: int, until_at: datetime | None = None) -> StopAnswer:
    """Say that a machine runs again. Errors: BadInput, NotFound; Conflict where it ran again before."""

    def do(act: Act) -> StopAnswer:
        stop = _stop(session, stop_id)
        if stop.until_at is not None:
            raise Conflict("ended_before", "That stop has ended already. Undo that first if it was wrong.")
        _check_times(stop.from_at, until_at or now, now)
        change(session, act, stop, until_at=until_at or now)
        return StopAnswer(act.id, stop.id)

    request = {"stop_id": stop_id, "until_at": until_at}
    return once(
        session,
        "end stop",
        by=by,
        now=now,
        request=request,
        answers=StopAnswer,
        about=lambda: session.get_one(Machine, _stop(session, stop_id).machine_id).name,
        do=do,
    )


def standing(*, session: Session) -> dict[int, str]:
    """Give the machines that stand still just now, by number, and the item that each waits for, where that is told."""
    query = select(col(Stop.machine_id), col(Stop.article_id)).where(col(Stop.live), col(Stop.until_at).is_(None))
    rows = session.execute(query).all()
    items = finding.items(session, [article for _, article in rows if article])
    return {machine: items[article].name if article in items else "" for machine, article in rows}


def recent(*, session: Session, limit: int = 30) -> list[StopView]:
    """Give the last stops: those that last first, then newest first."""
    query = select(Stop, Machine).join(Machine, col(Machine.id) == col(Stop.machine_id)).where(col(Stop.live))
    lasting_first = (col(Stop.until_at).is_not(None), col(Stop.from_at).desc(), col(Stop.id).desc())
    rows = session.execute(query.order_by(*lasting_first).limit(limit)).all()
    items = finding.items(session, [stop.article_id for stop, _ in rows if stop.article_id])
    return [
        StopView(
            stop_id=stop.id,
            machine=machine.name,
            item=items.get(stop.article_id or 0),
            from_at=stop.from_at,
            until_at=stop.until_at,
            hours=(stop.until_at - stop.from_at).total_seconds() / 3600 if stop.until_at else None,
            why=stop.why,
        )
        for stop, machine in rows
    ]


def _check_times(from_at: datetime, until_at: datetime | None, now: datetime) -> None:
    if from_at.year < FIRST_YEAR:
        raise BadInput("long_ago", f"A stop before {FIRST_YEAR} cannot be. Check the times.")
    if from_at > now or (until_at is not None and until_at > now):
        raise BadInput("in_the_future", "A stop cannot lie in the future. Check the times.")
    if until_at is not None and until_at < from_at:
        raise BadInput("ends_before_it_begins", "The stop would end before it began. Check the times.")


def _standing(session: Session, machine_id: int) -> bool:
    query = select(col(Stop.id)).where(col(Stop.machine_id) == machine_id, col(Stop.live), col(Stop.until_at).is_(None))
    return session.scalars(query).first() is not None


def _overlaps(session: Session, machine_id: int, from_at: datetime, until_at: datetime) -> bool:
    within = (col(Stop.from_at) < until_at) & (col(Stop.until_at) > from_at)
    query = select(col(Stop.id)).where(col(Stop.machine_id) == machine_id, col(Stop.live), within)
    return session.scalars(query).first() is not None


def _stop(session: Session, stop_id: int) -> Stop:
    stop = session.get(Stop, stop_id)
    if stop is None or not stop.live:
        raise NotFound("no_such_stop", f"There is no stop {stop_id}, or it was undone.")
    return stop
