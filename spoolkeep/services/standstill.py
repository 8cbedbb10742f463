"""Stops that open and close by themselves: a job is due, its machine runs nothing, and no fitting spool is held.

`spoolkeep serve` looks once a minute; a job that starts ends its machine's stop at once (`stops.ends_within`). What a
person has said of a stop is left alone.
"""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain.words import JobState, Outcome
from spoolkeep.services import finding, floor
from spoolkeep.services.floor import JobToCome, MachineState
from spoolkeep.services.lacking import due_from, due_jobs, lacking
from spoolkeep.services.openhours import open_hours
from spoolkeep.services.stops import StopAnswer
from spoolkeep.store.acts import By, once
from spoolkeep.store.engine import Store
from spoolkeep.store.journal import batched, change, create
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Act, Job, Machine, Stop

MOST_TITLE = 120
Lacks = Mapping[int, Mapping[int, int | None]]
"""By machine, its due jobs with the item that each lacks."""


@dataclass(frozen=True)
class Opening:
    """A stop to be opened."""

    machine: MachineState
    job: JobToCome
    article_id: int | None


@dataclass(frozen=True)
class Closing:
    """A stop that is over, and since when."""

    stop: Stop
    until_at: datetime


def look_at_all(store: Store, *, now: datetime) -> int:
    """Open and close every stop that is due; give how many that were. Two that look at once do it once."""
    with store.read() as session:
        opens, closes = _seen(session, now)
    if not opens and not closes:
        return 0
    with store.write() as session:
        return len(look(session=session, now=now))


def look(*, session: Session, now: datetime) -> list[StopAnswer]:
    """Open and close what is due at a moment."""
    opens, closes = _seen(session, now)
    return [*(_close(session, now, one) for one in closes), *(_open(session, now, one) for one in opens)]


def _open(session: Session, now: datetime, seen: Opening) -> StopAnswer:
    machine_id = seen.machine.machine_id

    def do(act: Act) -> StopAnswer:
        stop = Stop(
            machine_id=machine_id,
            article_id=seen.article_id,
            job_id=seen.job.job_id,
            from_at=now,
            why=f"“{seen.job.title[:MOST_TITLE]}” is due, and no fitting spool is held.",
            by_itself=True,
        )
        return StopAnswer(act.id, create(session, act, stop).id)

    item = f", {finding.item_name(session, seen.article_id)}" if seen.article_id else ""
    by = By(FIRST_ACTOR, f"stop-seen-{machine_id}-{now.isoformat()}")
    request = {"machine_id": machine_id, "job_id": seen.job.job_id}
    about = f"{seen.machine.name}{item}"
    return once(session, "stop seen", by=by, now=now, request=request, answers=StopAnswer, about=about, do=do)


def _close(session: Session, now: datetime, over: Closing) -> StopAnswer:
    def do(act: Act) -> StopAnswer:
        change(session, act, over.stop, until_at=over.until_at)
        return StopAnswer(act.id, over.stop.id)

    about = session.get_one(Machine, over.stop.machine_id).name
    by, request = _closes_by(over.stop), {"stop_id": over.stop.id}
    return once(session, "stop over", by=by, now=now, request=request, answers=StopAnswer, about=about, do=do)


def _closes_by(stop: Stop) -> By:
    """Give the key of closing a stop: one for good, so that a closing which a person took back is not done again."""
    return By(FIRST_ACTOR, f"stop-over-{stop.id}")


def _seen(session: Session, now: datetime) -> tuple[list[Opening], list[Closing]]:
    """Give the stops to open and to close."""
    due = _due(session, now)
    standing = session.scalars(select(Stop).where(col(Stop.live), col(Stop.until_at).is_(None))).all()
    own = _not_closed_before(session, [one for one in standing if one.by_itself and not one.corrected])
    stands = {one.machine_id for one in standing}
    if not own and due <= stands:
        return [], []
    machines = floor.machines(session, due | {one.machine_id for one in own})
    wanting = lacking(session, now, machines)
    closes = _closes(session, own, wanting, now)
    stands -= {one.stop.machine_id for one in closes}
    waiting = [one for one in machines if one.machine_id in wanting and one.machine_id not in stands]
    return _opens(session, now, waiting, wanting) if waiting else [], closes


def _not_closed_before(session: Session, stops: Sequence[Stop]) -> list[Stop]:
    """Give the stops that were never closed by themselves: of the others a person took it back."""
    keys = {_closes_by(one).key: one for one in stops}
    for some in batched(sorted(keys)):
        query = select(col(Act.key)).where(col(Act.actor_id) == FIRST_ACTOR, col(Act.key).in_(some))
        for key in session.scalars(query):
            keys.pop(key)
    return list(keys.values())


def _due(session: Session, now: datetime) -> set[int]:
    """Give the machines that run nothing and have a job that is due."""
    running = aliased(Job)
    runs = select(col(running.id)).where(
        col(running.machine_id) == col(Job.machine_id), col(running.live), col(running.state) == JobState.RUNNING
    )
    query = (
        select(col(Job.machine_id), col(Job.due_at), col(Job.duration_s))
        .join(Machine, col(Machine.id) == col(Job.machine_id))
        .where(col(Job.live), col(Job.state) == JobState.PLANNED, col(Machine.live), ~col(Machine.retired))
        .where(~runs.exists())
    )
    found: set[int] = set()
    for machine_id, due_at, duration_s in session.execute(query):
        due = due_from(due_at, timedelta(seconds=duration_s or 0))
        if due is None or due <= now:
            found.add(machine_id or 0)
    return found


def _opens(session: Session, now: datetime, waiting: Sequence[MachineState], wanting: Lacks) -> list[Opening]:
    """Give the stops to open: of machines that would be begun on now, and that no person has said to leave."""
    hours = open_hours(session, since=now)
    there = hours.someone_is_there(now)
    would = [one for one in waiting if there or one.self_starting]
    if not would:
        return []
    left_alone = _left_alone(session, {one.machine_id: wanting[one.machine_id] for one in would})
    never = _no_reason(session, [job_id for one in would for job_id in wanting[one.machine_id]])
    found = []
    for machine in would:
        job = next((one for one in due_jobs(machine, now) if one.job_id not in never), None)
        if job is not None and machine.machine_id not in left_alone:
            found.append(Opening(machine, job, wanting[machine.machine_id][job.job_id]))
    return found


def _no_reason(session: Session, job_ids: Sequence[int]) -> set[int]:
    """Give the jobs of which a person said that they stopped no machine, or took back that they did."""
    was_none = col(Stop.corrected) & (col(Stop.until_at) == col(Stop.from_at))
    found: set[int] = set()
    for some in batched(job_ids):
        query = select(col(Stop.job_id)).where(col(Stop.job_id).in_(some), col(Stop.by_itself))
        found.update(number or 0 for number in session.scalars(query.where(or_(~col(Stop.live), was_none))))
    return found


def _left_alone(session: Session, wanting: Lacks) -> set[int]:
    """Give the machines of whose last stop a person's word still stands: its job waits, and none has run since."""
    last = select(func.max(col(Stop.id))).where(col(Stop.by_itself)).group_by(col(Stop.machine_id))
    query = select(Stop).where(col(Stop.id).in_(last), col(Stop.machine_id).in_(wanting))
    told = [
        one
        for one in session.scalars(query.where(or_(col(Stop.corrected), ~col(Stop.live))))
        if one.job_id in wanting[one.machine_id]
    ]
    if not told:
        return set()
    ran = _ran(session, [one.machine_id for one in told], min(one.from_at for one in told))
    return {one.machine_id for one in told if all(ended <= one.from_at for _, ended in ran[one.machine_id])}


def _closes(session: Session, own: Sequence[Stop], wanting: Lacks, now: datetime) -> list[Closing]:
    if not own:
        return []
    ran = _ran(session, [one.machine_id for one in own], min(one.from_at for one in own))
    jobs = {one.id: one for one in session.scalars(select(Job).where(col(Job.id).in_([one.job_id for one in own])))}
    found = []
    for stop in own:
        over = [began for began, ended in ran[stop.machine_id] if ended > stop.from_at]
        job = jobs.get(stop.job_id or 0)
        if job is not None and job.state == JobState.ENDED and job.ended_at is not None:
            over.append(job.ended_at)
        if stop.job_id not in wanting.get(stop.machine_id, {}):
            over.append(now)
        if over:
            found.append(Closing(stop, max(stop.from_at, min(over))))
    return found


def _ran(session: Session, machine_ids: Collection[int], since: datetime) -> dict[int, list[tuple[datetime, datetime]]]:
    """Give from when until when machines ran since a moment, by their jobs; what was called off never ran."""
    did = or_(col(Job.started_at).is_not(None), col(Job.outcome) != Outcome.STOPPED)
    query = (
        select(Job)
        .where(col(Job.live), col(Job.machine_id).in_(machine_ids), did)
        .where(or_(col(Job.ended_at) > since, col(Job.state) == JobState.RUNNING))
    )
    found: dict[int, list[tuple[datetime, datetime]]] = defaultdict(list)
    for job in session.scalars(query):
        lasted = timedelta(seconds=job.duration_s or 0)
        began = job.started_at or (job.ended_at or since) - lasted
        found[job.machine_id or 0].append((began, job.ended_at or datetime.max.replace(tzinfo=since.tzinfo)))
    return found
