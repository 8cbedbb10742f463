"""Jobs that ended early: what was drawn by the point at which they did, or about then where nobody saw it.

The web's Jobs page and its JSON door call it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.words import Cause, FailedWhen, Outcome
from spoolkeep.services import motionfiles
from spoolkeep.services.jobs import FeedGrams, JobAnswer, end_within, moment_of, open_job, put_on
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change
from spoolkeep.store.tables import Act, Job, JobFeed, MotionFile

PPM = 1_000_000
BETWEEN = {
    FailedWhen.EARLY: (0.0, 1 / 3),
    FailedWhen.HALF: (1 / 3, 2 / 3),
    FailedWhen.LATE: (2 / 3, 1.0),
    FailedWhen.RAN_ON: (1.0, 1.0),
    FailedWhen.UNKNOWN: (0.0, 1.0),
}
"""Between what shares of its file a job failed. The middle is booked; the spool's next weighing settles the rest."""


@dataclass(frozen=True)
class Early:
    """Where a job ended early: a point of its file (one of layer, line, byte, share), or about when."""

    point: Mapping[str, float] | None = None
    when: FailedWhen | None = None


def end_early(
    *,
    session: Session,
    now: datetime,
    by: By,
    job_id: int,
    outcome: Outcome,
    early: Early,
    ended_at: datetime | None = None,
    machine_id: int | None = None,
) -> JobAnswer:
    """End a job that failed or was stopped, and book what it drew by then, by its own motion file where it has one.

    Errors: BadInput where the point cannot be, or a good job is said to have ended early; NotFound, Conflict.
    """

    def do(act: Act) -> JobAnswer:
        job = open_job(session, job_id)
        if machine_id is not None and machine_id != job.machine_id:
            put_on(session, act, job, machine_id)
        drawn = charge(session, act, job, outcome=outcome, early=early)
        return end_within(session, act, job, outcome=outcome, at=moment_of(ended_at, now), grams=drawn)

    request = {"job_id": job_id, "outcome": outcome, "early": early, "ended_at": ended_at, "machine_id": machine_id}
    return once(
        session,
        "end job",
        by=by,
        now=now,
        request=request,
        answers=JobAnswer,
        about=lambda: open_job(session, job_id).title,
        do=do,
    )


def charge(
    session: Session, act: Act, job: Job, *, outcome: Outcome, early: Early, whole: bool = False
) -> list[FeedGrams]:
    """Give what a job drew by where it ended early, and mark that on it; with `whole`, all that it needs.

    Errors: BadInput where the point cannot be, or a good job is said to have ended early.
    """
    rows = session.scalars(select(JobFeed).where(col(JobFeed.job_id) == job.id, col(JobFeed.live))).all()
    if whole:
        return [_part(row, 1.0) for row in rows]
    if outcome is Outcome.GOOD:
        raise Conflict("good_is_whole", "A good job is whole. Say that it failed or was stopped.")
    middle = _share(early)
    shares = _shares(session, job, early, middle)
    grams = [_part(row, shares.get(row.tool, middle)) for row in rows]
    _mark(session, act, job, early, rows=rows, grams=grams)
    return [one for one in grams if one.mg]


def _share(early: Early) -> float:
    """Give the share of the file at which a job ended, as far as it is said as one."""
    if (early.point is None) == (early.when is None):
        raise BadInput("no_point", "Say where it ended: a layer, a line or a share of its file, or about when.")
    if early.when is not None:
        return sum(BETWEEN[early.when]) / 2
    share = (early.point or {}).get("share", 0.0)
    if not 0 <= share <= 1:
        raise BadInput("no_such_point", "A share of the file lies between 0 and 100 %.")
    return share


def _shares(session: Session, job: Job, early: Early, middle: float) -> dict[int | None, float]:
    """Give the share of each tool's plastic that was drawn, by the job's motion file."""
    if job.motion_file_id is None:
        if early.point is not None and "share" not in early.point:
            words = f"“{job.title}” has no motion file by the books. Say a share of it instead of a layer or line."
            raise Conflict("no_motion_file", words)
        return {}
    course = motionfiles.course_of(session.get_one(MotionFile, job.motion_file_id))
    return motionfiles.shares_by(course, early.point or {"share": middle})


def _part(row: JobFeed, share: float) -> FeedGrams:
    cause = None if row.cause == Cause.GOOD else Cause(row.cause)
    return FeedGrams(
        round(row.needs_mg * share), feed_id=row.feed_id, article_id=row.article_id, tool=row.tool, cause=cause
    )


def _mark(
    session: Session, act: Act, job: Job, early: Early, *, rows: Sequence[JobFeed], grams: Sequence[FeedGrams]
) -> None:
    """Keep at what share of its plastic the job ended, and between which that lies."""
    whole = sum(row.needs_mg for row in rows)
    ppm = PPM * sum(one.mg for one in grams) // whole if whole else 0
    low, high = BETWEEN[early.when] if early.when else (ppm / PPM, ppm / PPM)
    change(
        session,
        act,
        job,
        failed_at_ppm=ppm,
        failed_from_ppm=min(ppm, round(low * PPM)),
        failed_until_ppm=max(ppm, round(high * PPM)),
    )
