"""Machines that report nothing: past its planned end a job of theirs is taken as done, until somebody says otherwise.

`spoolkeep serve` looks once a minute, and nothing else needs to.
"""

import logging
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import Refusal
from spoolkeep.domain.words import JobState, Outcome
from spoolkeep.services import endings
from spoolkeep.services.jobs import JobAnswer, end_within, open_job
from spoolkeep.store.acts import By, is_known, once
from spoolkeep.store.engine import Store
from spoolkeep.store.journal import change
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Act, Job, Machine

_log = logging.getLogger(__name__)


def take_all(store: Store, *, now: datetime) -> int:
    """Take as done every job whose planned end has passed on a machine that reports nothing; give how many."""
    with store.read() as session:
        past = _past(session, now)
    return sum(_took(store, now, job_id) for job_id in past)


def _took(store: Store, now: datetime, job_id: int) -> bool:
    """Take one job as done, and say whether it was: one that is refused holds up no other."""
    try:
        with store.write() as session:
            return take_as_done(session=session, now=now, job_id=job_id) is not None
    except Refusal as refusal:
        _log.warning("Job %s is past its planned end and was not taken as done: %s", job_id, refusal.words)
        return False


def take_as_done(*, session: Session, now: datetime, job_id: int) -> JobAnswer | None:
    """Take one job as done at its planned end; None where meanwhile somebody said how it ended."""
    if job_id not in _past(session, now):
        return None
    job = open_job(session, job_id)
    ended_at = _planned_end(job)
    by = _by(job)

    def do(act: Act) -> JobAnswer:
        grams = endings.needs(session, job)
        answer = end_within(session, act, job, outcome=Outcome.GOOD, at=ended_at, grams=grams)
        change(session, act, job, assumed=True)
        return answer

    request = {"job_id": job_id}
    return once(session, "taken as done", by=by, now=now, request=request, answers=JobAnswer, about=job.title, do=do)


def _past(session: Session, now: datetime) -> list[int]:
    """Give the running jobs whose planned end has passed, on machines that report nothing, oldest first."""
    query = (
        select(Job)
        .join(Machine, col(Machine.id) == col(Job.machine_id))
        .where(col(Job.live), col(Job.state) == JobState.RUNNING, col(Machine.silent), col(Job.started_at).is_not(None))
        .where(col(Job.duration_s) > 0)
    )
    past = [job for job in session.scalars(query) if _planned_end(job) <= now]
    return [job.id for job in sorted(past, key=_planned_end) if not is_known(session, _by(job))]


def _by(job: Job) -> By:
    """Give the key of taking a job as done: one that was undone is not done again, one that runs anew has another."""
    return By(FIRST_ACTOR, f"taken-as-done-{job.id}-{_planned_end(job).isoformat()}")


def _planned_end(job: Job) -> datetime:
    assert job.started_at is not None  # noqa: S101 - `_past` asks for it
    return job.started_at + timedelta(seconds=job.duration_s or 0)
