"""Jobs: planned, reported, ended; and the open draws that wait for a person to name their spool.

The web's Jobs page and its JSON door call it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import Cause, JobState, Kind, Outcome, Purpose
from spoolkeep.services import finding
from spoolkeep.services.draws import Drawn, draw_events
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.ledger import Event, book, take_back_one
from spoolkeep.store.tables import Act, Job, JobFeed, Machine, Movement, Product

CLOCK_SLACK = timedelta(minutes=5)
"""How far a reporting machine's clock may run ahead before its time is a mistake."""


@dataclass(frozen=True)
class FeedGrams:
    """Grams on one feed; on an item where no feed is known yet."""

    mg: int
    feed_id: int | None = None
    article_id: int | None = None


@dataclass(frozen=True)
class JobReport:
    """A print run as it was planned or reported."""

    title: str
    machine_id: int | None
    grams: tuple[FeedGrams, ...]
    product_id: int | None = None
    purpose: Purpose = Purpose.SOLD
    started_at: datetime | None = None
    due_at: datetime | None = None
    duration_s: int | None = None
    outside_id: str | None = None


@dataclass(frozen=True)
class JobAnswer:
    """What became of a job."""

    act_id: int
    job_id: int
    drawn_mg: int = 0
    open_draws: int = 0
    """Draws whose spool is not known: no spool was loaded."""
    overdrawn: tuple[str, ...] = field(default=())
    """Names of items whose spool gave more than was left on it."""


def plan_job(*, session: Session, now: datetime, by: By, report: JobReport) -> JobAnswer:
    """Enter a job to come: its grams are committed. Errors: BadInput, NotFound."""

    def do(act: Act) -> JobAnswer:
        job = _enter(session, act, report)
        return JobAnswer(act.id, job.id)

    request = {"report": report}
    return once(session, "plan job", by=by, now=now, request=request, answers=JobAnswer, about=report.title, do=do)


def report_job(
    *, session: Session, now: datetime, by: By, report: JobReport, outcome: Outcome, ended_at: datetime | None = None
) -> JobAnswer:
    """Enter a job that has ended, and book its draws. Errors: BadInput, NotFound."""

    def do(act: Act) -> JobAnswer:
        job = _enter(session, act, report)
        return _end(session, act, job, outcome=outcome, at=_moment(ended_at, now), grams=report.grams)

    request = {"report": report, "outcome": outcome, "ended_at": ended_at}
    return once(session, "job", by=by, now=now, request=request, answers=JobAnswer, about=report.title, do=do)


def start_job(*, session: Session, now: datetime, by: By, job_id: int) -> JobAnswer:
    """Say that a planned job runs. Errors: NotFound, Conflict."""

    def do(act: Act) -> JobAnswer:
        job = _open_job(session, job_id)
        change(session, act, job, state=JobState.RUNNING, started_at=now)
        return JobAnswer(act.id, job.id)

    request = {"job_id": job_id}
    about = _title(session, job_id)
    return once(session, "start job", by=by, now=now, request=request, answers=JobAnswer, about=about, do=do)


def end_job(
    *,
    session: Session,
    now: datetime,
    by: By,
    job_id: int,
    outcome: Outcome,
    grams: Sequence[FeedGrams],
    ended_at: datetime | None = None,
) -> JobAnswer:
    """End a planned or running job and book what it drew. Errors: BadInput, NotFound, Conflict."""

    def do(act: Act) -> JobAnswer:
        job = _open_job(session, job_id)
        return _end(session, act, job, outcome=outcome, at=_moment(ended_at, now), grams=grams)

    request = {"job_id": job_id, "outcome": outcome, "grams": list(grams), "ended_at": ended_at}
    about = _title(session, job_id)
    return once(session, "end job", by=by, now=now, request=request, answers=JobAnswer, about=about, do=do)


def settle_open_draw(*, session: Session, now: datetime, by: By, movement_id: int, spool_code: str) -> JobAnswer:
    """Name the spool of an open draw, which is then booked on it at its own moment. Errors: NotFound, Conflict."""

    def do(act: Act) -> JobAnswer:
        waiting = session.get(Movement, movement_id)
        if waiting is None or waiting.spool_id is not None or waiting.sign != 1:
            raise NotFound("no_such_draw", "There is no open draw of that number.")
        spool = finding.spool_of(session, spool_code)
        take_back_one(session, act, waiting)
        event = Event(
            kind=Kind.DRAW,
            occurred_at=waiting.occurred_at,
            spool_id=spool.id,
            asked_mg=waiting.asked_mg,
            cause=waiting.cause,
            job_id=waiting.job_id,
            feed_id=waiting.feed_id,
        )
        book(session, act, [event])
        return JobAnswer(act.id, waiting.job_id or 0, drawn_mg=-(waiting.asked_mg or 0))

    request = {"movement_id": movement_id, "spool_code": spool_code}
    return once(session, "settle draw", by=by, now=now, request=request, answers=JobAnswer, about=spool_code, do=do)


def _title(session: Session, job_id: int) -> str:
    job = session.get(Job, job_id)
    return "" if job is None else job.title


def _enter(session: Session, act: Act, report: JobReport) -> Job:
    if not report.title.strip():
        raise BadInput("no_title", "Give the job a title, so that it can be found again.")
    if report.machine_id is not None and session.get(Machine, report.machine_id) is None:
        raise NotFound("no_such_machine", "There is no such machine. Choose one from the list.")
    if report.product_id is not None and session.get(Product, report.product_id) is None:
        raise NotFound("no_such_product", "There is no such product. Choose one from the list.")
    values = {name: value for name, value in vars(report).items() if name != "grams"}
    job = create(session, act, Job(**values))
    for one in report.grams:
        _check_feed(session, job, one)
        row = JobFeed(job_id=job.id, feed_id=one.feed_id, article_id=one.article_id, needs_mg=one.mg)
        create(session, act, row)
    return job


def _check_feed(session: Session, job: Job, one: FeedGrams) -> None:
    if one.mg <= 0:
        raise BadInput("nothing_drawn", "A job needs more than 0 g. Leave a feed that gives nothing empty.")
    if one.feed_id is None:
        if one.article_id is None:
            raise BadInput("no_feed_or_item", "Say which feed or which item gives the grams.")
        finding.item(session, one.article_id)
        return
    feed = finding.feed(session, one.feed_id)
    if job.machine_id is not None and feed.machine_id != job.machine_id:
        raise BadInput("feed_of_another_machine", "That feed belongs to another machine than the job's.")


def _open_job(session: Session, job_id: int) -> Job:
    job = session.get(Job, job_id)
    if job is None or not job.live:
        raise NotFound("no_such_job", f"There is no job {job_id}.")
    if job.state == JobState.ENDED:
        raise Conflict("ended_before", f"“{job.title}” has ended already. Undo that first if it was wrong.")
    return job


def _moment(given: datetime | None, now: datetime) -> datetime:
    """Give the moment of the end. Errors: BadInput where it lies ahead."""
    if given is None:
        return now
    if given > now + CLOCK_SLACK:
        raise BadInput("in_the_future", "The job's end lies in the future. Check the date, or plan the job instead.")
    return min(given, now)


def _end(
    session: Session, act: Act, job: Job, *, outcome: Outcome, at: datetime, grams: Sequence[FeedGrams]
) -> JobAnswer:
    if job.started_at is not None and job.started_at > at:
        raise BadInput("ends_before_it_starts", "The job would end before it started. Check the times.")
    for one in grams:
        _check_feed(session, job, one)
    change(session, act, job, state=JobState.ENDED, outcome=outcome, ended_at=at)
    cause = Cause.FAILED if outcome is Outcome.FAILED else Cause.GOOD
    drawn = [Drawn(one.mg, cause, one.feed_id, article_id=one.article_id) for one in grams]
    movements = book(session, act, draw_events(session, drawn, at=at, job_id=job.id))
    return JobAnswer(
        act_id=act.id,
        job_id=job.id,
        drawn_mg=sum(one.mg for one in grams),
        open_draws=sum(movement.spool_id is None for movement in movements),
        overdrawn=finding.overdrawn(session, [one.id for one in movements]),
    )
