"""Jobs: planned, reported, ended; and the open draws that wait for a person to name their spool.

The web's Jobs page and its JSON door call it.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.split import largest_remainders
from spoolkeep.domain.units import MG_PER_G
from spoolkeep.domain.words import Cause, JobState, Kind, Outcome, Purpose
from spoolkeep.services import checking, finding, stops, untold
from spoolkeep.services.draws import Drawn, cause_of, check_amount, draw_events, share_again
from spoolkeep.services.loadings import loaded_on
from spoolkeep.services.shop import next_serials
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.ledger import Event, book, take_back_one
from spoolkeep.store.tables import Act, Balance, Job, JobFeed, Machine, Movement, Product, Spool

CLOCK_SLACK = timedelta(minutes=5)
"""How far a reporting machine's clock may run ahead before its time is a mistake."""


@dataclass(frozen=True)
class FeedGrams:
    """Grams on one feed; on an item where no feed is known yet."""

    mg: int
    feed_id: int | None = None
    article_id: int | None = None
    tool: int | None = None
    """Of the job's motion file, where it has one."""
    cause: Cause | None = None
    """What it was for, such as purging; by how the job ended where it is not said."""


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
    overdrawn: tuple[str, ...] = ()
    """Names of items whose spool gave more than was left on it."""
    odd: tuple[str, ...] = ()
    """What a person should know of it, in sentences; it was booked all the same."""


def plan_job(*, session: Session, now: datetime, by: By, report: JobReport) -> JobAnswer:
    """Enter a job to come: its grams are committed. Errors: BadInput, NotFound."""

    def do(act: Act) -> JobAnswer:
        job = enter_within(session, act, report)
        return JobAnswer(act.id, job.id)

    request = {"report": report}
    return once(session, "plan job", by=by, now=now, request=request, answers=JobAnswer, about=report.title, do=do)


def report_job(
    *, session: Session, now: datetime, by: By, report: JobReport, outcome: Outcome, ended_at: datetime | None = None
) -> JobAnswer:
    """Enter a job that has ended, and book its draws; one that is not good may have drawn nothing.

    Errors: BadInput, NotFound.
    """

    def do(act: Act) -> JobAnswer:
        known = of_outside(session, report.outside_id)
        at = moment_of(ended_at, now, known)
        if known is not None:
            return _end_known(session, act, known, report, outcome=outcome, at=at)
        _check_end(report.started_at, at, outcome=outcome, grams=report.grams)
        job = enter_within(session, act, report, state=JobState.ENDED, outcome=outcome, ended_at=at)
        return _draw(session, act, job, outcome=outcome, at=at, grams=report.grams)

    request = {"report": report, "outcome": outcome, "ended_at": ended_at}
    return once(session, "job", by=by, now=now, request=request, answers=JobAnswer, about=report.title, do=do)


def of_outside(session: Session, outside_id: str | None) -> Job | None:
    """Give the job that another program knows under this id, or None."""
    if outside_id is None:
        return None
    query = select(Job).where(col(Job.live), col(Job.outside_id) == outside_id).order_by(col(Job.id).desc())
    return session.scalars(query).first()


def _end_known(session: Session, act: Act, job: Job, report: JobReport, *, outcome: Outcome, at: datetime) -> JobAnswer:
    """End a job that another program planned or started before under the same id. Errors: Conflict where it ended."""
    job = open_job(session, job.id)
    if report.machine_id is not None and report.machine_id != job.machine_id:
        put_on(session, act, job, report.machine_id)
    if report.started_at is not None:
        change(session, act, job, started_at=report.started_at)
    return end_within(session, act, job, outcome=outcome, at=at, grams=report.grams)


def start_job(*, session: Session, now: datetime, by: By, job_id: int, machine_id: int | None = None) -> JobAnswer:
    """Say that a planned job runs, and on which machine where it had none yet. Errors: NotFound, Conflict."""

    def do(act: Act) -> JobAnswer:
        return start_within(session, act, open_job(session, job_id), at=now, machine_id=machine_id)

    request = {"job_id": job_id} if machine_id is None else {"job_id": job_id, "machine_id": machine_id}
    about = _title(session, job_id)
    return once(session, "start job", by=by, now=now, request=request, answers=JobAnswer, about=about, do=do)


def start_within(session: Session, act: Act, job: Job, *, at: datetime, machine_id: int | None = None) -> JobAnswer:
    """Start a job within an act. Errors: as `start_job`."""
    if machine_id is not None and machine_id != job.machine_id:
        put_on(session, act, job, machine_id)
    _forget_assumed(session, act, job)
    change(session, act, job, state=JobState.RUNNING, outcome=None, ended_at=None, started_at=at)
    if job.machine_id is not None:
        stops.ends_within(session, act, job.machine_id, at=at)
    session.flush()
    wrong = checking.odd_about_machine(session, at, job.machine_id) if job.machine_id is not None else ()
    return JobAnswer(act.id, job.id, odd=(*wrong, *too_little(session, job)))


def end_job(
    *,
    session: Session,
    now: datetime,
    by: By,
    job_id: int,
    outcome: Outcome,
    grams: Sequence[FeedGrams],
    ended_at: datetime | None = None,
    machine_id: int | None = None,
) -> JobAnswer:
    """End a planned or running job and book what it drew; without grams it is called off, or failed at the start.

    `machine_id` says which machine printed it, where the job has none yet. Errors: BadInput, NotFound, Conflict.
    """

    def do(act: Act) -> JobAnswer:
        job = open_job(session, job_id)
        if machine_id is not None and machine_id != job.machine_id:
            put_on(session, act, job, machine_id)
        return end_within(session, act, job, outcome=outcome, at=moment_of(ended_at, now, job), grams=grams)

    request = {
        "job_id": job_id,
        "outcome": outcome,
        "grams": list(grams),
        "ended_at": ended_at,
        "machine_id": machine_id,
    }
    about = _title(session, job_id)
    return once(session, "end job", by=by, now=now, request=request, answers=JobAnswer, about=about, do=do)


def give_ticket(*, session: Session, now: datetime, by: By, job_id: int) -> JobAnswer:
    """Give a job the code of its ticket, where it has none yet. Errors: NotFound; Conflict where it has ended."""

    def do(act: Act) -> JobAnswer:
        job = open_job(session, job_id)
        if job.serial is None:
            change(session, act, job, serial=next_serials(session, CodeKind.JOB)[0])
        return JobAnswer(act.id, job.id)

    about = _title(session, job_id)
    request = {"job_id": job_id}
    return once(session, "ticket", by=by, now=now, request=request, answers=JobAnswer, about=about, do=do)


def settle_open_draw(*, session: Session, now: datetime, by: By, movement_id: int, spool_code: str) -> JobAnswer:
    """Name the spool of an open draw, which is then booked on it at its own moment. Errors: NotFound, Conflict."""

    def do(act: Act) -> JobAnswer:
        waiting = _open_draw(session, movement_id)
        spool = finding.spool_of(session, spool_code)
        answer = _book_again(session, act, waiting, spool_id=spool.id)
        return replace(answer, odd=_another_item(session, waiting, spool))

    request = {"movement_id": movement_id, "spool_code": spool_code}
    return once(session, "settle draw", by=by, now=now, request=request, answers=JobAnswer, about=spool_code, do=do)


def name_item(*, session: Session, now: datetime, by: By, movement_id: int, article_id: int) -> JobAnswer:
    """Name the item of an open draw: it waits for its spool still, and counts as demand of the item from its own day.

    Errors: NotFound, Conflict.
    """

    def do(act: Act) -> JobAnswer:
        waiting = _open_draw(session, movement_id)
        item = finding.item(session, article_id)
        if waiting.article_id == article_id:
            raise Conflict("named_before", f"That draw is of {item.name} by the books already. Nothing was changed.")
        return _book_again(session, act, waiting, article_id=article_id)

    request = {"movement_id": movement_id, "article_id": article_id}
    return once(
        session,
        "name item",
        by=by,
        now=now,
        request=request,
        answers=JobAnswer,
        about=lambda: finding.item(session, article_id).name,
        do=do,
    )


def too_little(session: Session, job: Job) -> tuple[str, ...]:
    """Give what a person should know about the spools under a job that starts: it runs all the same."""
    needs = Counter[int]()
    for row in session.scalars(select(JobFeed).where(col(JobFeed.job_id) == job.id, col(JobFeed.live))):
        if row.feed_id:
            needs[row.feed_id] += row.needs_mg
    loadings = {feed_id: loaded_on(session, feed_id) for feed_id in needs}
    lefts = untold.left_of(session, [one.spool_id for one in loadings.values() if one], anew=False)
    odd = []
    for feed_id, needs_mg in needs.items():
        loading = loadings[feed_id]
        where = finding.feed_name(session, finding.feed(session, feed_id))
        left_mg = session.get_one(Balance, loading.spool_id).left_mg if loading else 0
        known = lefts.get(loading.spool_id) if loading else None
        low, high = known.probably.ninety if known and known.since.mg else (left_mg, left_mg)
        if left_mg < needs_mg:
            odd.append(f"{where} needs {needs_mg / MG_PER_G:g} g and has {left_mg / MG_PER_G:g} g: it will not last.")
        elif low < needs_mg:
            words = f"probably has {max(0, low) / MG_PER_G:.0f} to {high / MG_PER_G:.0f} g: it may not last. Weigh it."
            odd.append(f"{where} needs {needs_mg / MG_PER_G:g} g and {words}")
    return tuple(odd)


def _another_item(session: Session, waiting: Movement, spool: Spool) -> tuple[str, ...]:
    if waiting.article_id in {None, spool.article_id}:
        return ()
    told, booked = (finding.item(session, number).name for number in (waiting.article_id or 0, spool.article_id))
    return (f"The draw was told as {told}; that spool is {booked}. Undo it under Setup if that is wrong.",)


def _open_draw(session: Session, movement_id: int) -> Movement:
    waiting = session.get(Movement, movement_id)
    if waiting is None or waiting.spool_id is not None or waiting.sign != 1:
        raise NotFound("no_such_draw", "There is no open draw of that number.")
    return waiting


def _book_again(
    session: Session, act: Act, waiting: Movement, *, spool_id: int | None = None, article_id: int | None = None
) -> JobAnswer:
    """Take an open draw back, and book it with what is now known of it, at its own moment."""
    take_back_one(session, act, waiting)
    event = Event(
        kind=Kind.DRAW,
        occurred_at=waiting.occurred_at,
        spool_id=spool_id,
        article_id=article_id,
        asked_mg=waiting.asked_mg,
        cause=waiting.cause,
        job_id=waiting.job_id,
        feed_id=waiting.feed_id,
    )
    book(session, act, [event])
    if spool_id is not None:
        share_again(session, act, [spool_id], since=waiting.occurred_at)
    return JobAnswer(
        act.id, waiting.job_id or 0, drawn_mg=-(waiting.asked_mg or 0), open_draws=0 if spool_id is not None else 1
    )


def _title(session: Session, job_id: int) -> str:
    job = session.get(Job, job_id)
    return "" if job is None else job.title


def enter_within(session: Session, act: Act, report: JobReport, **more: Any) -> Job:  # noqa: ANN401 - fields of a job
    """Enter a job within an act, with what it needs. Errors: BadInput, NotFound."""
    if not report.title.strip():
        raise BadInput("no_title", "Give the job a title, so that it can be found again.")
    if report.machine_id is not None:
        _check_machine(session, report.machine_id)
    if report.product_id is not None and session.get(Product, report.product_id) is None:
        raise NotFound("no_such_product", "There is no such product. Choose one from the list.")
    values = {name: value for name, value in vars(report).items() if name != "grams"}
    job = create(session, act, Job(**values, **more))
    for one in report.grams:
        _check_feed(session, job, one)
        fed = JobFeed(job_id=job.id, feed_id=one.feed_id, article_id=one.article_id, tool=one.tool, needs_mg=one.mg)
        fed.cause = one.cause or Cause.GOOD
        create(session, act, fed)
    return job


def _check_machine(session: Session, machine_id: int) -> None:
    machine = session.get(Machine, machine_id)
    if machine is None or not machine.live:
        raise NotFound("no_such_machine", "There is no such machine. Choose one from the list.")


def put_on(session: Session, act: Act, job: Job, machine_id: int) -> None:
    """Say which machine prints a job that had none: its file's tools are that one's feeds.

    Errors: NotFound; Conflict where it had another.
    """
    _check_machine(session, machine_id)
    if job.machine_id is not None:
        raise Conflict("on_another_machine", f"“{job.title}” is on another machine by the books. Open its page again.")
    change(session, act, job, machine_id=machine_id)
    feeds = dict(enumerate(finding.feed_ids(session, machine_id)))
    for row in session.scalars(select(JobFeed).where(col(JobFeed.job_id) == job.id, col(JobFeed.live))).all():
        if row.feed_id is None and row.tool in feeds:
            change(session, act, row, feed_id=feeds[row.tool])


def _check_feed(session: Session, job: Job, one: FeedGrams) -> None:
    check_amount(one.mg)
    if one.feed_id is None:
        if one.article_id is None:
            raise BadInput("no_feed_or_item", "Say which feed or which item gives the grams.")
        finding.item(session, one.article_id)
        return
    feed = finding.feed(session, one.feed_id)
    if job.machine_id is not None and feed.machine_id != job.machine_id:
        raise BadInput("feed_of_another_machine", "That feed belongs to another machine than the job's.")


def _on_doubtful_spools(session: Session, movements: Sequence[Movement]) -> list[int]:
    """Give those of these movements that may have drawn more than was left: their spool asks for a weighing."""
    on_spools = [one for one in movements if one.spool_id is not None]
    return [one.id for one in on_spools if session.get_one(Balance, one.spool_id).doubtful]


def open_job(session: Session, job_id: int) -> Job:
    """Give a job that has not ended, or was only taken as done. Errors: NotFound, Conflict."""
    job = session.get(Job, job_id)
    if job is None or not job.live:
        raise NotFound("no_such_job", f"There is no job {job_id}.")
    check_open(job)
    return job


def check_open(job: Job) -> None:
    """Refuse a job of which somebody said that it ended. Errors: Conflict."""
    if job.state == JobState.ENDED and not job.assumed:
        raise Conflict("ended_before", f"“{job.title}” has ended already. Undo that first if it was wrong.")


def moment_of(given: datetime | None, now: datetime, job: Job | None = None) -> datetime:
    """Give the moment of the end; where none is given now, or as booked of a job that was taken as done.

    Errors: BadInput where it lies ahead.
    """
    if given is None:
        return job.ended_at if job and job.assumed and job.ended_at else now
    if given > now + CLOCK_SLACK:
        raise BadInput("in_the_future", "The job's end lies in the future. Check the date, or plan the job instead.")
    return min(given, now)


def end_within(
    session: Session, act: Act, job: Job, *, outcome: Outcome, at: datetime, grams: Sequence[FeedGrams]
) -> JobAnswer:
    """End a job within an act. Errors: as `end_job`."""
    _check_end(job.started_at, at, outcome=outcome, grams=grams)
    for one in grams:
        _check_feed(session, job, one)
    _forget_assumed(session, act, job)
    change(session, act, job, state=JobState.ENDED, outcome=outcome, ended_at=at)
    return _draw(session, act, job, outcome=outcome, at=at, grams=grams)


def _forget_assumed(session: Session, act: Act, job: Job) -> None:
    """Take back what was booked when a job was taken as done, where it was."""
    if not job.assumed:
        return
    draws = standing_draws(session, job)
    for draw in draws:
        take_back_one(session, act, draw)
    change(session, act, job, assumed=False)
    if draws:
        since = min(one.occurred_at for one in draws)
        share_again(session, act, {one.spool_id for one in draws if one.spool_id}, since=since)


def standing_draws(session: Session, job: Job) -> list[Movement]:
    """Give the draws of a job that stand, in order."""
    back = aliased(Movement)
    query = (
        select(Movement)
        .where(col(Movement.job_id) == job.id, col(Movement.kind) == Kind.DRAW, col(Movement.sign) == 1)
        .where(~select(col(back.id)).where(col(back.reverses_id) == col(Movement.id)).exists())
        .order_by(col(Movement.sort_key), col(Movement.id))
    )
    return list(session.scalars(query))


def _check_end(started_at: datetime | None, at: datetime, *, outcome: Outcome, grams: Sequence[FeedGrams]) -> None:
    if started_at is not None and started_at > at:
        raise BadInput("ends_before_it_starts", "The job would end before it started. Check the times.")
    if not grams and outcome is Outcome.GOOD:
        raise BadInput("nothing_drawn", "A good job drew something. Enter the grams of at least one feed.")


def _as_planned(session: Session, job: Job, grams: Sequence[FeedGrams]) -> list[FeedGrams]:
    """Share what a feed gave by the causes that were planned for it, where nobody said what it was for."""
    told = {one.feed_id for one in grams if one.cause is not None}
    query = select(JobFeed).where(col(JobFeed.job_id) == job.id, col(JobFeed.live), col(JobFeed.feed_id).is_not(None))
    planned: dict[int | None, Counter[str]] = {}
    for row in session.scalars(query.order_by(col(JobFeed.id))):
        planned.setdefault(row.feed_id, Counter())[row.cause] += row.needs_mg
    found: list[FeedGrams] = []
    for one in grams:
        causes = planned.get(one.feed_id, Counter())
        if one.feed_id in told or not causes.keys() - {Cause.GOOD}:
            found.append(one)
            continue
        parts = zip(largest_remainders(one.mg, list(causes.values())), causes, strict=True)
        found += [replace(one, mg=mg, cause=None if cause == Cause.GOOD else Cause(cause)) for mg, cause in parts if mg]
    return found


def _draw(
    session: Session, act: Act, job: Job, *, outcome: Outcome, at: datetime, grams: Sequence[FeedGrams]
) -> JobAnswer:
    told = _as_planned(session, job, grams)
    drawn = [Drawn(one.mg, one.cause or cause_of(outcome), one.feed_id, article_id=one.article_id) for one in told]
    movements = book(session, act, draw_events(session, drawn, at=at, job_id=job.id, began_at=job.started_at))
    if movements:
        spools = {one.spool_id for one in movements if one.spool_id}
        share_again(session, act, spools, since=min(one.occurred_at for one in movements))
    return JobAnswer(
        act_id=act.id,
        job_id=job.id,
        drawn_mg=sum(one.mg for one in grams),
        open_draws=sum(movement.spool_id is None for movement in movements),
        overdrawn=finding.overdrawn(session, _on_doubtful_spools(session, movements)),
    )
