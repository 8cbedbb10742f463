"""Jobs that ended early: what was drawn by the point at which they did, or about then where nobody saw it.

The web's Jobs page and its JSON door call it.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.course import Course
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.words import Cause, FailedWhen, Outcome
from spoolkeep.services import motionfiles
from spoolkeep.services.jobs import FeedGrams, JobAnswer, end_within, moment_of, open_job, put_on
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change
from spoolkeep.store.tables import Act, Feed, Job, JobFeed, Loading, MotionFile, Spool

PPM = 1_000_000
BETWEEN = {
    FailedWhen.EARLY: (0.0, 1 / 3),
    FailedWhen.HALF: (1 / 3, 2 / 3),
    FailedWhen.LATE: (2 / 3, 1.0),
    FailedWhen.RAN_ON: (1.0, 1.0),
    FailedWhen.UNKNOWN: (0.0, 1.0),
}
"""Between what shares of its file a job failed. The middle is booked; the spool's next weighing settles the rest."""


Point = Mapping[str, float]
"""One of layer, line, byte and share of a motion file."""


@dataclass(frozen=True)
class Early:
    """Where a job ended early: a point of its file (one of layer, line, byte, share), or about when."""

    point: Point | None = None
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
        return end_within(session, act, job, outcome=outcome, at=moment_of(ended_at, now, job), grams=drawn)

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


def needs(session: Session, job: Job) -> list[FeedGrams]:
    """Give all that a job needs; what is asked of an item, on the first feed of its machine that has it loaded."""
    return [
        FeedGrams(
            row.needs_mg,
            feed_id=row.feed_id or _feed_with(session, job, row.article_id),
            article_id=row.article_id,
            tool=row.tool,
            cause=None if row.cause == Cause.GOOD else Cause(row.cause),
        )
        for row in rows_of(session, job)
    ]


def rows_of(session: Session, job: Job) -> Sequence[JobFeed]:
    """Give what a job needs as it was planned, in order."""
    query = select(JobFeed).where(col(JobFeed.job_id) == job.id, col(JobFeed.live)).order_by(col(JobFeed.id))
    return session.scalars(query).all()


def began(session: Session, job: Job) -> Job:
    """Give the job that began what this one went on with: all of the print, and not only the rest."""
    while job.resumes_id is not None:
        job = session.get_one(Job, job.resumes_id)
    return job


def _feed_with(session: Session, job: Job, article_id: int | None) -> int | None:
    """Give the first feed of a job's machine on which an item is loaded, or None."""
    if job.machine_id is None or article_id is None:
        return None
    in_use = col(Loading.live) & col(Loading.until_at).is_(None) & ~col(Loading.standby)
    query = (
        select(col(Feed.id))
        .join(Loading, (col(Loading.feed_id) == col(Feed.id)) & in_use)
        .join(Spool, col(Spool.id) == col(Loading.spool_id))
        .where(col(Feed.machine_id) == job.machine_id, col(Feed.live), col(Spool.article_id) == article_id)
        .order_by(col(Feed.position))
    )
    return session.scalars(query).first()


def charge(session: Session, act: Act, job: Job, *, outcome: Outcome, early: Early) -> list[FeedGrams]:
    """Give what a job drew by where it ended early, and keep on it at what share of its plastic that was.

    Errors: BadInput where no point is said, or one that cannot be; NotFound where its file has no such point; Conflict
    where it has no file, or a good job is said to have ended early.
    """
    if outcome is Outcome.GOOD:
        raise Conflict("good_is_whole", "A good job is whole. Say that it failed or was stopped.")
    whole, points = needs(session, job), _points(early)
    if job.resumes_id is None or early.point is None:
        course = _course(session, job) if job.resumes_id is None else None
        least, middle, most = (_by(whole, course, point, job=job) for point in points)
    else:
        least = middle = most = _by_since(session, job, whole, early.point)
    all_mg = sum(one.mg for one in whole)
    ppm = [PPM * sum(one.mg for one in drawn) // all_mg if all_mg else 0 for drawn in (least, middle, most)]
    change(session, act, job, failed_from_ppm=ppm[0], failed_at_ppm=ppm[1], failed_until_ppm=ppm[2])
    return [one for one in middle if one.mg]


def _by_since(session: Session, job: Job, whole: Sequence[FeedGrams], point: Point) -> list[FeedGrams]:
    """Give what a job that went on with another drew by a point of the file that they print together."""
    first = began(session, job)
    all_of_it = needs(session, first)
    by_then = _by(all_of_it, _course(session, first), point, job=first)
    gone = Counter[_Which]()
    for row, then in zip(rows_of(session, first), by_then, strict=True):
        gone[_which(row)] += then.mg - row.needs_mg
    since = {_which(row): gone[_which(row)] + row.needs_mg for row in rows_of(session, job)}
    return [
        replace(one, mg=min(one.mg, max(0, since[_which(row)])))
        for row, one in zip(rows_of(session, job), whole, strict=True)
    ]


_Which = tuple[int | None, int | None, int | None, str]


def _which(row: JobFeed) -> _Which:
    return row.tool, row.feed_id, row.article_id, row.cause


def _points(early: Early) -> tuple[Point, Point, Point]:
    """Give the first, the middle and the last point at which a job may have ended."""
    if early.point is not None and early.when is None:
        return early.point, early.point, early.point
    if early.when is None or early.point is not None:
        raise BadInput("no_point", "Say where it ended: a layer, a line or a share of its file, or about when.")
    low, high = BETWEEN[early.when]
    return {"share": low}, {"share": (low + high) / 2}, {"share": high}


def _course(session: Session, job: Job) -> Course | None:
    file = session.get_one(MotionFile, job.motion_file_id) if job.motion_file_id else None
    return motionfiles.course_of(file) if file else None


def _by(whole: Sequence[FeedGrams], course: Course | None, point: Point, *, job: Job) -> list[FeedGrams]:
    """Give what was drawn by a point: by the file's course, else a share of all."""
    if course is None:
        if "share" not in point:
            words = f"“{job.title}” has no motion file by the books. Say a share of it instead of a layer or line."
            raise Conflict("no_motion_file", words)
        if not 0 <= point["share"] <= 1:
            raise BadInput("no_such_point", "A share of the file lies between 0 and 100 %.")
        return [replace(one, mg=round(one.mg * point["share"])) for one in whole]
    shares = motionfiles.shares_by(course, point)
    return [replace(one, mg=round(one.mg * shares.get(one.tool, 0.0))) for one in whole]
