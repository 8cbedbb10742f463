"""Jobs as pages list them: to come, running, ended; and the open draws that wait for a spool.

The Jobs page calls it. It only reads.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, false, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import NotFound
from spoolkeep.domain.words import TO_COME, JobState, Kind, Outcome
from spoolkeep.services import finding
from spoolkeep.services.finding import Item
from spoolkeep.services.shop import code_text
from spoolkeep.store.journal import batched
from spoolkeep.store.tables import Feed, Job, JobFeed, Loading, Machine, MotionFile, Movement, Product, Spool

_EARLY = (Outcome.FAILED, Outcome.STOPPED)


@dataclass(frozen=True)
class JobView:
    """One job in a list."""

    job_id: int
    title: str
    machine: str
    state: str
    outcome: str | None
    purpose: str
    needs_mg: int
    drawn_mg: int
    due_at: datetime | None
    started_at: datetime | None
    ended_at: datetime | None
    assumed: bool
    """It was taken as done past its planned end; nobody said so."""
    can_go_on: bool
    """It was stopped or failed with plastic still to print, and did not go on yet."""


@dataclass(frozen=True)
class FeedNeed:
    """One feed of a machine on the form that plans, reports or ends a job."""

    feed_id: int
    position: int
    item: Item | None
    """What is loaded on it."""
    needs_mg: int | None


@dataclass(frozen=True)
class OpenDraw:
    """A draw whose spool is not known yet."""

    movement_id: int
    mg: int
    occurred_at: datetime
    job: str
    feed: str
    item: Item | None


@dataclass(frozen=True)
class Which:
    """Which jobs are listed; what is not said leaves none out."""

    machine_id: int | None = None
    state: JobState | None = None
    outcome: Outcome | None = None
    since: datetime | None = None
    """Those that ended since then."""
    fits: Callable[[str], bool] | None = None
    """Those whose title it says yes to."""

    @property
    def has_ended(self) -> bool:
        """Give whether only jobs that ended can be meant."""
        return self.state is JobState.ENDED or self.outcome is not None or self.since is not None

    @property
    def is_to_come(self) -> bool:
        """Give whether only jobs that are to come can be meant."""
        return self.state in TO_COME


EVERY = Which()


def to_come(*, session: Session, which: Which = EVERY) -> list[JobView]:
    """Give the planned and running jobs, those due first at the top."""
    if which.has_ended:
        return []
    query = (
        select(Job)
        .where(col(Job.live), col(Job.state).in_([which.state] if which.state else TO_COME))
        .order_by(col(Job.state).desc(), col(Job.due_at).is_(None), col(Job.due_at), col(Job.id))
    )
    if which.machine_id is not None:
        query = query.where(col(Job.machine_id) == which.machine_id)
    return [one for one in _views(session, query) if which.fits is None or which.fits(one.title)]


def ended(*, session: Session, which: Which = EVERY, limit: int | None = 30, skip: int = 0) -> list[JobView]:
    """Give the last jobs that ended, newest first, after so many of them; all where the limit is None."""
    if limit is not None and which.fits is None:
        return _views(session, _newest_first(_ended(select(Job), which)).limit(limit).offset(skip))
    numbers = _ended_ids(session, which)[skip : None if limit is None else skip + limit]
    some_at_a_time = batched(numbers)
    return [
        one
        for some in some_at_a_time
        for one in _views(session, _newest_first(select(Job).where(col(Job.id).in_(some))))
    ]


def count_ended(*, session: Session, which: Which = EVERY) -> int:
    """Give how many jobs that ended are meant."""
    if which.fits is not None:
        return len(_ended_ids(session, which))
    return session.scalar(_ended(select(func.count()).select_from(Job), which)) or 0


def _ended_ids(session: Session, which: Which) -> list[int]:
    rows = session.execute(_newest_first(_ended(select(col(Job.id), col(Job.title)), which)))
    return [number for number, title in rows if which.fits is None or which.fits(title)]


def _newest_first(query: Any) -> Any:  # noqa: ANN401 - of whole rows or of some columns
    return query.order_by(col(Job.ended_at).desc(), col(Job.id).desc())


def _ended(query: Any, which: Which) -> Any:  # noqa: ANN401 - of whole rows or of some columns
    if which.is_to_come:
        return query.where(false())
    query = query.where(
        col(Job.live), col(Job.outcome).is_not(None)
    )  # only an ended job has one: the moment is indexed
    if which.machine_id is not None:
        query = query.where(col(Job.machine_id) == which.machine_id)
    if which.outcome is not None:
        query = query.where(col(Job.outcome) == which.outcome)
    return query if which.since is None else query.where(col(Job.ended_at) >= which.since)


def one(*, session: Session, job_id: int) -> JobView:
    """Give one job. Errors: NotFound."""
    views = _views(session, select(Job).where(col(Job.id) == job_id, col(Job.live)))
    if not views:
        raise NotFound("no_such_job", f"There is no job {job_id}, or it was undone.")
    return views[0]


def feeds_of(*, session: Session, machine_id: int, job_id: int | None = None) -> list[FeedNeed]:
    """Give a machine's feeds with what is loaded, and what a job needs of each.

    What it needs of an item, its feed not known yet, is asked of the first feed that has the item.
    """
    of_feed: Counter[int] = Counter()
    of_item: Counter[int] = Counter()
    if job_id is not None:
        for row in session.scalars(select(JobFeed).where(col(JobFeed.job_id) == job_id, col(JobFeed.live))):
            if row.feed_id is not None:
                of_feed[row.feed_id] += row.needs_mg
            elif row.article_id is not None:
                of_item[row.article_id] += row.needs_mg
    in_use = col(Loading.live) & col(Loading.until_at).is_(None) & ~col(Loading.standby)
    query = (
        select(Feed, col(Spool.article_id))
        .outerjoin(Loading, (col(Loading.feed_id) == col(Feed.id)) & in_use)
        .outerjoin(Spool, col(Spool.id) == col(Loading.spool_id))
        .where(col(Feed.machine_id) == machine_id, col(Feed.live))
        .order_by(col(Feed.position))
    )
    rows: Sequence[Any] = session.execute(query).all()  # without a spool, which the joined columns' types do not say
    items = finding.items(session, {article_id for _, article_id in rows if article_id is not None})
    found = []
    for feed, article_id in rows:
        mg = of_feed[feed.id] + of_item.pop(article_id, 0)
        found.append(FeedNeed(feed.id, feed.position, items.get(article_id), mg or None))
    return found


def ticket_of(*, session: Session, job_id: int) -> str:
    """Give the code of a job's ticket. Errors: NotFound where none was printed."""
    job = session.get(Job, job_id)
    if job is None or not job.live or job.serial is None:
        raise NotFound("no_ticket", "That job has no ticket. Print one under Jobs.")
    return code_text(CodeKind.JOB, job.serial)


def machine_of(*, session: Session, job_id: int) -> int | None:
    """Give the number of the machine of a job, or None where it has none yet."""
    job = session.get(Job, job_id)
    return job.machine_id if job else None


@dataclass(frozen=True)
class FileView:
    """A job's motion file as it was metered."""

    name: str
    layers: int
    lines: int
    run: int
    of: int
    seconds: int | None
    seconds_from: str | None
    notes: tuple[str, ...]


def file_of(*, session: Session, job_id: int) -> FileView | None:
    """Give a job's motion file, or None where it has none."""
    job = session.get(Job, job_id)
    file = session.get(MotionFile, job.motion_file_id) if job and job.motion_file_id else None
    if file is None:
        return None
    notes = tuple(filter(None, file.notes.split("\n")))
    return FileView(file.name, file.layers, file.lines, file.run, file.of, file.seconds, file.seconds_from, notes)


def g90_governs_e(*, session: Session, machine_id: int | None) -> bool:
    """Give whether G90 and G91 also govern extrusion on a machine."""
    machine = session.get(Machine, machine_id) if machine_id else None
    return machine is not None and machine.g90_governs_e


def silent_machines(*, session: Session) -> frozenset[int]:
    """Give the machines of which nobody reports how their jobs end."""
    return frozenset(session.scalars(select(col(Machine.id)).where(col(Machine.live), col(Machine.silent))))


def machines(*, session: Session, retired: bool = False) -> list[tuple[int, str]]:
    """Give the machines, by number and name, with those that are retired where they are asked for."""
    query = select(Machine).where(col(Machine.live)).order_by(col(Machine.name))
    if not retired:
        query = query.where(~col(Machine.retired))
    return [(machine.id, machine.name) for machine in session.scalars(query)]


def products(*, session: Session) -> list[tuple[int, str]]:
    """Give the products that are sold, by number and name."""
    query = select(Product).where(col(Product.live), ~col(Product.retired)).order_by(col(Product.name))
    return [(product.id, product.name) for product in session.scalars(query)]


def open_draws(*, session: Session, limit: int | None = 50) -> list[OpenDraw]:
    """Give the draws that wait for a spool, all where the limit is None, oldest first."""
    back = select(col(Movement.reverses_id)).where(
        col(Movement.spool_id).is_(None), col(Movement.reverses_id).is_not(None)
    )
    query = (
        select(Movement, col(Job.title))
        .outerjoin(Job, col(Job.id) == col(Movement.job_id))
        .where(col(Movement.spool_id).is_(None), col(Movement.sign) == 1, col(Movement.id).not_in(back))
        .order_by(col(Movement.occurred_at))
        .limit(limit)
    )
    waiting = session.execute(query).all()
    feeds = finding.feed_names(session, {one.feed_id for one, _ in waiting if one.feed_id})
    items = finding.items(session, {one.article_id for one, _ in waiting if one.article_id})
    return [
        OpenDraw(
            movement_id=one.id,
            mg=-(one.asked_mg or 0),
            occurred_at=one.occurred_at,
            job=title or "",
            feed=feeds.get(one.feed_id or 0, ""),
            item=items.get(one.article_id or 0),
        )
        for one, title in waiting
    ]


def _views(session: Session, query: Select[Job]) -> list[JobView]:
    jobs = session.scalars(query).all()
    ids = [job.id for job in jobs]
    names = dict(session.execute(select(col(Machine.id), col(Machine.name))).all())
    needs, drawn = _needs(session, ids), _drawn(session, ids)
    resumes = select(col(Job.resumes_id)).where(col(Job.resumes_id).in_(ids), col(Job.live))
    went_on = set(session.scalars(resumes))
    return [
        JobView(
            job_id=job.id,
            title=job.title,
            machine=names.get(job.machine_id or 0, ""),
            state=job.state,
            outcome=job.outcome,
            purpose=job.purpose,
            needs_mg=needs.get(job.id, 0),
            drawn_mg=drawn.get(job.id, 0),
            due_at=job.due_at,
            started_at=job.started_at,
            ended_at=job.ended_at,
            assumed=job.assumed,
            can_go_on=job.outcome in _EARLY
            and job.id not in went_on
            and 0 < drawn.get(job.id, 0) < needs.get(job.id, 0),
        )
        for job in jobs
    ]


def _needs(session: Session, ids: Sequence[int]) -> dict[int, int]:
    query = (
        select(col(JobFeed.job_id), func.sum(col(JobFeed.needs_mg)))
        .where(col(JobFeed.job_id).in_(ids), col(JobFeed.live))
        .group_by(col(JobFeed.job_id))
    )
    return {job: int(mg) for job, mg in session.execute(query)}


def _drawn(session: Session, ids: Sequence[int]) -> dict[int, int]:
    query = (
        select(col(Movement.job_id), func.sum(col(Movement.sign) * col(Movement.asked_mg)))
        .where(col(Movement.job_id).in_(ids), col(Movement.kind) == Kind.DRAW)
        .group_by(col(Movement.job_id))
    )
    return {job: -int(mg) for job, mg in session.execute(query) if job is not None}
