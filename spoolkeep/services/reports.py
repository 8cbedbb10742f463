"""Reports of programs: what a feed gave in any unit, and jobs by the id under which the program knows them.

The JSON doors call it. Rules by which reports that disagree are settled:
the first report of an end stands, and a second one is a conflict; a start that comes after the end only adds when the
job began; what is ahead of now by more than a clock's slack is refused.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import Code, CodeKind, read_code
from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.geometry import mg_of, mg_of_mm3
from spoolkeep.domain.words import Cause, JobState, Outcome
from spoolkeep.services import endings, finding
from spoolkeep.services.again import resume_within
from spoolkeep.services.draws import share_again
from spoolkeep.services.endings import Early
from spoolkeep.services.finding import Item
from spoolkeep.services.jobs import FeedGrams, JobAnswer, check_open, end_within, moment_of, of_outside, start_within
from spoolkeep.services.loadings import in_use_at
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change
from spoolkeep.store.tables import Act, Feed, Job, JobFeed, Machine, Movement, Spool

_MM_PER_M = 1000


@dataclass(frozen=True)
class FeedAmount:
    """What one feed gave, or will give: milligrams, millimetres of filament or cubic millimetres; one of them."""

    feed: str
    """The feed's label code."""
    mg: int | None = None
    mm: float | None = None
    mm3: float | None = None
    cause: Cause | None = None
    """What it was for; by how the job ended where it is not said."""


@dataclass(frozen=True)
class Ending:
    """How a job ended: what its feeds gave, else where it ended early, else as it was planned."""

    outcome: Outcome = Outcome.GOOD
    feeds: tuple[FeedAmount, ...] = ()
    early: Early | None = None
    ended_at: datetime | None = None


def grams_of(session: Session, amounts: Sequence[FeedAmount], *, at: datetime) -> tuple[int, tuple[FeedGrams, ...]]:
    """Give the machine of these feeds and the milligrams of each, by what was loaded there at a moment.

    Errors: BadInput where they are of several machines, a length has no item, or one says no amount or two; NotFound.
    """
    feeds = [finding.feed_of(session, one.feed) for one in amounts]
    machines = {feed.machine_id for feed in feeds}
    if len(machines) > 1:
        raise BadInput("several_machines", "A job runs on one machine: report a job for each.")
    grams = tuple(
        FeedGrams(mg=_mg(session, one, feed, at), feed_id=feed.id, cause=one.cause)
        for one, feed in zip(amounts, feeds, strict=True)
    )
    return machines.pop(), grams


def _mg(session: Session, one: FeedAmount, feed: Feed, at: datetime) -> int:
    told = [unit for unit in (one.mg, one.mm, one.mm3) if unit is not None]
    if len(told) != 1:
        raise BadInput("one_amount", "Say what a feed gave once: in milligrams, in mm or in mm³.")
    if one.mg is not None:
        return one.mg
    item = _item_on(session, feed, at)
    how = {"density_mg_per_cm3": item.density_mg_per_cm3, "diameter_um": item.diameter_um}
    if one.mm is not None:
        return mg_of(one.mm / _MM_PER_M, **how)
    return mg_of_mm3(one.mm3 or 0.0, density_mg_per_cm3=item.density_mg_per_cm3)


def _item_on(session: Session, feed: Feed, at: datetime) -> Item:
    loading = in_use_at(session, feed.id, at)
    if loading is None:
        where = finding.feed_name(session, feed)
        raise Conflict("no_item", f"Nothing is loaded on {where} by the books, so a length has no weight. Send mg.")
    return finding.item(session, session.get_one(Spool, loading.spool_id).article_id)


def machine_named(session: Session, name: str) -> int:
    """Give the number of the machine of this name. Errors: NotFound."""
    query = select(col(Machine.id)).where(col(Machine.live), col(Machine.name) == name.strip())
    found = session.scalars(query).first()
    if found is None:
        raise NotFound("no_such_machine", f"There is no machine “{name[:60]}”. Setup lists their names.")
    return found


def job_named(session: Session, name: str) -> Job:
    """Give the job with this ticket's code, else the one that a program knows by this id. Errors: NotFound."""
    try:
        code = read_code(name)
    except BadInput:
        code = None
    if isinstance(code, Code) and code.kind is CodeKind.JOB:
        return finding.job_by_serial(session, code.serial)
    job = of_outside(session, name)
    if job is None:
        raise NotFound("no_such_job", f"There is no job “{name[:60]}”. Plan it first, or report it with its feeds.")
    return job


def start(
    *,
    session: Session,
    now: datetime,
    by: By,
    job: str,
    started_at: datetime | None = None,
    machine: str | None = None,
) -> JobAnswer:
    """Say that a job began. After its end that only adds when it began.

    Errors: BadInput where the moment lies ahead; NotFound; Conflict where it has begun before, or would begin after it.
    """

    def do(act: Act) -> JobAnswer:
        row, at = job_named(session, job), moment_of(started_at, now)
        if row.state == JobState.ENDED:
            return _began_before(session, act, row, started_at)
        if row.state == JobState.RUNNING:
            raise Conflict("runs_already", f"“{row.title}” runs already by the books. Nothing was changed.")
        machine_id = machine_named(session, machine) if machine else None
        return start_within(session, act, row, at=at, machine_id=machine_id)

    request = {"job": job, "started_at": started_at, "machine": machine}
    return once(session, "start job", by=by, now=now, request=request, answers=JobAnswer, about=job, do=do)


def _began_before(session: Session, act: Act, job: Job, started_at: datetime | None) -> JobAnswer:
    """Add to a job that has ended when it began, and share its draws by that."""
    if started_at is None or job.started_at is not None:
        raise Conflict("ended_before", f"“{job.title}” has ended already. Undo that first if it was wrong.")
    if job.ended_at is not None and started_at > job.ended_at:
        raise Conflict("ends_before_it_starts", "The job would end before it started. Check the times.")
    change(session, act, job, started_at=started_at)
    query = select(col(Movement.spool_id)).where(col(Movement.job_id) == job.id, col(Movement.spool_id).is_not(None))
    before = _spools_before(session, job)
    share_again(session, act, [*before, *(one for one in session.scalars(query) if one)], since=started_at)
    return JobAnswer(act.id, job.id, odd=("It had ended before this start came: only its beginning was added.",))


def _spools_before(session: Session, job: Job) -> list[int]:
    """Give the spools that were on the job's feeds when it began."""
    feeds = select(col(JobFeed.feed_id)).where(col(JobFeed.job_id) == job.id, col(JobFeed.feed_id).is_not(None))
    began = job.started_at
    found = [in_use_at(session, feed, began) for feed in session.scalars(feeds) if feed and began]
    return [loading.spool_id for loading in found if loading]


def resume(*, session: Session, now: datetime, by: By, job: str, resumed_at: datetime | None = None) -> JobAnswer:
    """Say that a job which was stopped goes on, under the id by which the program knows it.

    Errors: BadInput where the moment lies ahead, or before the stop; NotFound; Conflict as `again.resume`.
    """

    def do(act: Act) -> JobAnswer:
        row, at = job_named(session, job), moment_of(resumed_at, now)
        if row.ended_at is not None and at < row.ended_at:
            raise Conflict("before_the_stop", f"“{row.title}” would go on before it was stopped. Check the times.")
        return resume_within(session, act, row, at=at)

    request = {"job": job, "resumed_at": resumed_at}
    return once(session, "go on", by=by, now=now, request=request, answers=JobAnswer, about=job, do=do)


def end(*, session: Session, now: datetime, by: By, job: str, ending: Ending) -> JobAnswer:
    """End a job: by what its feeds gave, by where it ended early, else with all that it needs.

    Errors: BadInput, NotFound; Conflict where it has ended.
    """

    def do(act: Act) -> JobAnswer:
        row = job_named(session, job)
        check_open(row)
        at = moment_of(ending.ended_at, now, row)
        if ending.feeds:
            _, grams = grams_of(session, ending.feeds, at=at)
            return end_within(session, act, row, outcome=ending.outcome, at=at, grams=grams)
        if ending.early is None:
            drawn = endings.needs(session, row)
        else:
            drawn = endings.charge(session, act, row, outcome=ending.outcome, early=ending.early)
        return end_within(session, act, row, outcome=ending.outcome, at=at, grams=drawn)

    request = {"job": job, "ending": ending}
    return once(session, "end job", by=by, now=now, request=request, answers=JobAnswer, about=job, do=do)
