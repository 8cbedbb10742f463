"""Stops: hours in which a machine stood still for want of a spool.

The Jobs page, the start page and a stop's own page call it. What opens and closes them by itself is `standstill`.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.services import finding
from spoolkeep.services.finding import Item
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, Job, Machine, Stop

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
    by_itself: bool = False
    """Seen by the program."""
    corrected: bool = False
    """A person has said when it was, or that it was none."""
    job: str = ""
    """The title of the job that waited."""

    @property
    def was_none(self) -> bool:
        """Give whether a person said that it was no stop."""
        return self.corrected and self.until_at == self.from_at


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
        change(session, act, stop, until_at=until_at or now, corrected=stop.by_itself or stop.corrected)
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


def correct(
    *, session: Session, now: datetime, by: By, stop_id: int, from_at: datetime, until_at: datetime | None = None
) -> StopAnswer:
    """Say when a stop was, or since when it lasts; the program leaves it from then on.

    Errors: BadInput for times that cannot be; NotFound; Conflict where its machine stood still in these hours already.
    """

    def do(act: Act) -> StopAnswer:
        stop = _stop(session, stop_id)
        _check_times(from_at, until_at, now)
        if until_at == from_at:
            words = "The stop would have no hours at all. Where it was none, press “It was no stop” instead."
            raise BadInput("no_hours", words)
        if until_at is None and _standing(session, stop.machine_id, but=stop_id):
            words = "This machine stands still by a later stop already. Say until when this one was."
            raise Conflict("stands_already", words)
        if _overlaps(session, stop.machine_id, from_at, until_at or now, but=stop_id):
            words = (
                "Its machine stood still in some of these hours by another stop. Correct that one, or choose others."
            )
            raise Conflict("stood_already", words)
        change(session, act, stop, from_at=from_at, until_at=until_at, corrected=True)
        return StopAnswer(act.id, stop.id)

    request = {"stop_id": stop_id, "from_at": from_at, "until_at": until_at}
    return once(
        session,
        "correct stop",
        by=by,
        now=now,
        request=request,
        answers=StopAnswer,
        about=lambda: session.get_one(Machine, _stop(session, stop_id).machine_id).name,
        do=do,
    )


def was_none(*, session: Session, now: datetime, by: By, stop_id: int) -> StopAnswer:
    """Say that a stop was none: it has no hours from then on, and the program leaves it.

    Errors: NotFound; Conflict where that was said before.
    """

    def do(act: Act) -> StopAnswer:
        stop = _stop(session, stop_id)
        if stop.corrected and stop.until_at == stop.from_at:
            raise Conflict("none_before", "It was said before that this was no stop. Nothing was changed.")
        change(session, act, stop, until_at=stop.from_at, corrected=True)
        return StopAnswer(act.id, stop.id)

    return once(
        session,
        "no stop",
        by=by,
        now=now,
        request={"stop_id": stop_id},
        answers=StopAnswer,
        about=lambda: session.get_one(Machine, _stop(session, stop_id).machine_id).name,
        do=do,
    )


def ends_within(session: Session, act: Act, machine_id: int, *, at: datetime) -> None:
    """End within an act the stop that a machine's own start shows to be over, where one opened by itself."""
    query = select(Stop).where(col(Stop.machine_id) == machine_id, col(Stop.live), col(Stop.until_at).is_(None))
    stop = session.scalars(query.where(col(Stop.by_itself), ~col(Stop.corrected))).first()
    if stop is not None and at > stop.from_at:  # a start that is told late says nothing of a stop since
        change(session, act, stop, until_at=at)


def standing(*, session: Session) -> dict[int, str]:
    """Give the machines that stand still just now, by number, and the item that each waits for, where that is told."""
    query = select(col(Stop.machine_id), col(Stop.article_id)).where(col(Stop.live), col(Stop.until_at).is_(None))
    rows = session.execute(query).all()
    items = finding.items(session, [article for _, article in rows if article])
    return {machine: items[article].name if article in items else "" for machine, article in rows}


def recent(*, session: Session, limit: int | None = 30) -> list[StopView]:
    """Give the last stops, all where the limit is None: those that last first, then newest first."""
    lasting_first = (col(Stop.until_at).is_not(None), col(Stop.from_at).desc(), col(Stop.id).desc())
    return _views(session, _STOPS.order_by(*lasting_first).limit(limit))


def one(*, session: Session, stop_id: int) -> StopView:
    """Give one stop. Errors: NotFound."""
    _stop(session, stop_id)
    return _views(session, _STOPS.where(col(Stop.id) == stop_id))[0]


_COLUMNS: tuple[Any, ...] = (Stop, col(Machine.name), col(Job.title))
_STOPS: Select[Any] = (
    select(*_COLUMNS)
    .join(Machine, col(Machine.id) == col(Stop.machine_id))
    .outerjoin(Job, col(Job.id) == col(Stop.job_id))
    .where(col(Stop.live))
)


def _views(session: Session, query: Select[Any]) -> list[StopView]:
    rows = session.execute(query).all()
    items = finding.items(session, [row[0].article_id for row in rows if row[0].article_id])
    return [
        StopView(
            stop_id=stop.id,
            machine=machine,
            item=items.get(stop.article_id or 0),
            from_at=stop.from_at,
            until_at=stop.until_at,
            hours=(stop.until_at - stop.from_at).total_seconds() / 3600 if stop.until_at else None,
            why=stop.why,
            by_itself=stop.by_itself,
            corrected=stop.corrected,
            job=job or "",
        )
        for stop, machine, job in rows
    ]


def _check_times(from_at: datetime, until_at: datetime | None, now: datetime) -> None:
    if from_at.year < FIRST_YEAR:
        raise BadInput("long_ago", f"A stop before {FIRST_YEAR} cannot be. Check the times.")
    if from_at > now or (until_at is not None and until_at > now):
        raise BadInput("in_the_future", "A stop cannot lie in the future. Check the times.")
    if until_at is not None and until_at < from_at:
        raise BadInput("ends_before_it_begins", "The stop would end before it began. Check the times.")


def _standing(session: Session, machine_id: int, *, but: int | None = None) -> bool:
    query = select(col(Stop.id)).where(col(Stop.machine_id) == machine_id, col(Stop.live), col(Stop.until_at).is_(None))
    return any(number != but for number in session.scalars(query))


def _overlaps(
    session: Session, machine_id: int, from_at: datetime, until_at: datetime, *, but: int | None = None
) -> bool:
    """Give whether another stop of a machine has some of these hours; one that lasts has all since it began."""
    lasts_on = or_(col(Stop.until_at).is_(None), col(Stop.until_at) > from_at)
    within = (
        (col(Stop.from_at) < until_at)
        & lasts_on
        & or_(col(Stop.until_at).is_(None), col(Stop.until_at) > col(Stop.from_at))
    )
    query = select(col(Stop.id)).where(col(Stop.machine_id) == machine_id, col(Stop.live), within)
    return any(number != but for number in session.scalars(query))


def _stop(session: Session, stop_id: int) -> Stop:
    stop = session.get(Stop, stop_id)
    if stop is None or not stop.live:
        raise NotFound("no_such_stop", f"There is no stop {stop_id}, or it was undone.")
    return stop
