"""Jobs that are printed once more, and jobs that were stopped and go on.

The web's Jobs page, its JSON door and the Bench's card call it.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import Conflict
from spoolkeep.domain.words import Cause, JobState, Kind, Outcome
from spoolkeep.services import endings, finding
from spoolkeep.services.draws import share_again
from spoolkeep.services.jobs import FeedGrams, JobAnswer, standing_draws, too_little
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import create
from spoolkeep.store.ledger import Event, book, take_back_one
from spoolkeep.store.tables import Act, Job, JobFeed, Movement

_AS_BEFORE = ("title", "machine_id", "product_id", "purpose", "motion_file_id")


def plan_again(*, session: Session, now: datetime, by: By, job_id: int) -> JobAnswer:
    """Plan once more what a job that ended was to print: its grams are committed. Errors: NotFound, Conflict."""

    def do(act: Act) -> JobAnswer:
        last = _ended(session, job_id)
        job = _copy(session, act, last, last.duration_s, state=JobState.PLANNED, planned_at=now, again_of_id=last.id)
        for one in endings.needs(session, _first(session, last)):
            _need(session, act, job, one)
        return JobAnswer(act.id, job.id)

    about = finding.live(session, Job, job_id).title
    request = {"job_id": job_id}
    return once(session, "plan again", by=by, now=now, request=request, answers=JobAnswer, about=about, do=do)


def start_again(session: Session, act: Act, last: Job, *, at: datetime) -> JobAnswer:
    """Start within an act a job like one that ended: what it prints, on the same feeds."""
    job = _copy(session, act, last, last.duration_s, state=JobState.RUNNING, started_at=at, again_of_id=last.id)
    for row in _rows(session, _first(session, last)):
        kept = {name: getattr(row, name) for name in ("feed_id", "article_id", "cause", "tool", "needs_mg", "one_lot")}
        create(session, act, JobFeed(job_id=job.id, **kept))
    return JobAnswer(act.id, job.id, odd=too_little(session, job))


def resume(*, session: Session, now: datetime, by: By, job_id: int) -> JobAnswer:
    """Go on with a job that was stopped, or failed: what it drew was good then, and a new job draws the rest.

    Errors: NotFound; Conflict where it came off good, went on before, or nothing is left of it to print.
    """

    def do(act: Act) -> JobAnswer:
        return resume_within(session, act, _ended(session, job_id), at=now)

    about = finding.live(session, Job, job_id).title
    request = {"job_id": job_id}
    return once(session, "go on", by=by, now=now, request=request, answers=JobAnswer, about=about, do=do)


def resume_within(session: Session, act: Act, stopped: Job, *, at: datetime) -> JobAnswer:
    """Go on with a job within an act, under the id by which another program knows it. Errors: as `resume`."""
    if stopped.state != JobState.ENDED:
        raise Conflict("not_ended", f"“{stopped.title}” has not ended by the books, so it cannot go on.")
    if stopped.outcome == Outcome.GOOD:
        raise Conflict("was_good", f"“{stopped.title}” came off good by the books. Print it again instead.")
    later = select(Job).where(col(Job.resumes_id) == stopped.id, col(Job.live))
    if session.scalars(later).first() is not None:
        raise Conflict("went_on_before", f"“{stopped.title}” went on already. Go on with the later one.")
    draws = standing_draws(session, stopped)
    rest = _rest(endings.needs(session, stopped), draws)
    if not rest:
        raise Conflict("nothing_left", f"Nothing is left of “{stopped.title}” by the books. Print it again instead.")
    _was_good(session, act, draws)
    share = sum(one.mg for one in rest) / sum(one.mg for one in endings.needs(session, stopped))
    job = _copy(
        session,
        act,
        stopped,
        round(stopped.duration_s * share) if stopped.duration_s else None,
        state=JobState.RUNNING,
        started_at=at,
        resumes_id=stopped.id,
        due_at=stopped.due_at,
        outside_id=stopped.outside_id,
    )
    for one in rest:
        _need(session, act, job, one)
    return JobAnswer(act.id, job.id, odd=too_little(session, job))


def _ended(session: Session, job_id: int) -> Job:
    job = finding.live(session, Job, job_id)
    if job.state != JobState.ENDED:
        raise Conflict("not_ended", f"“{job.title}” has not ended by the books. End it first.")
    return job


def _copy(session: Session, act: Act, last: Job, seconds: int | None, **more: Any) -> Job:  # noqa: ANN401 - fields of a job
    return create(session, act, Job(**{name: getattr(last, name) for name in _AS_BEFORE}, duration_s=seconds, **more))


def _need(session: Session, act: Act, job: Job, one: FeedGrams) -> None:
    fed = JobFeed(job_id=job.id, feed_id=one.feed_id, article_id=one.article_id, tool=one.tool, needs_mg=one.mg)
    fed.cause = one.cause or Cause.GOOD
    create(session, act, fed)


def _rows(session: Session, job: Job) -> Sequence[JobFeed]:
    return session.scalars(select(JobFeed).where(col(JobFeed.job_id) == job.id, col(JobFeed.live))).all()


def _first(session: Session, job: Job) -> Job:
    """Give the job that began what this one went on with: all of the print, and not only the rest."""
    while job.resumes_id is not None:
        job = session.get_one(Job, job.resumes_id)
    return job


def _rest(needs: Sequence[FeedGrams], draws: Sequence[Movement]) -> list[FeedGrams]:
    """Give what a job needs still, feed by feed, after what it drew."""
    drawn = Counter[int | None]()
    for draw in draws:
        drawn[draw.feed_id] -= draw.asked_mg or 0
    rest = []
    for one in needs:
        had = min(one.mg, drawn[one.feed_id])
        drawn[one.feed_id] -= had
        if one.mg > had:
            rest.append(replace(one, mg=one.mg - had))
    return rest


def _was_good(session: Session, act: Act, draws: Sequence[Movement]) -> None:
    """Book the draws of a job that goes on as good ones, where they were booked as failed."""
    failed = [one for one in draws if one.cause == Cause.FAILED]
    events = [
        Event(
            kind=Kind.DRAW,
            occurred_at=one.occurred_at,
            spool_id=one.spool_id,
            article_id=one.article_id,
            asked_mg=one.asked_mg,
            cause=Cause.GOOD,
            job_id=one.job_id,
            feed_id=one.feed_id,
            loading_id=one.loading_id,
        )
        for one in failed
    ]
    for one in failed:
        take_back_one(session, act, one)
    book(session, act, events)
    if failed:
        share_again(session, act, {one.spool_id for one in failed if one.spool_id}, since=failed[0].occurred_at)
