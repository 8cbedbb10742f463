"""Jobs that are printed once more, and jobs that were stopped and go on.

The web's Jobs page, its JSON door and the Bench's card call it.
"""

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from spoolkeep.domain.errors import Conflict
from spoolkeep.domain.words import Cause, JobState, Outcome
from spoolkeep.services import endings, finding
from spoolkeep.services.draws import book_again
from spoolkeep.services.jobs import JobAnswer, standing_draws, too_little
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import create
from spoolkeep.store.tables import Act, Job, JobFeed, Movement, Spool

_AS_BEFORE = ("title", "machine_id", "product_id", "purpose", "motion_file_id")


def plan_again(*, session: Session, now: datetime, by: By, job_id: int) -> JobAnswer:
    """Plan once more what a job that ended was to print: its grams are committed. Errors: NotFound, Conflict."""

    def do(act: Act) -> JobAnswer:
        last = finding.live(session, Job, job_id)
        if last.state != JobState.ENDED:
            raise Conflict("not_ended", f"“{last.title}” has not ended by the books. End it first.")
        return JobAnswer(act.id, _once_more(session, act, last, state=JobState.PLANNED, planned_at=now).id)

    request = {"job_id": job_id}
    about = _title(session, job_id)
    return once(session, "plan again", by=by, now=now, request=request, answers=JobAnswer, about=about, do=do)


def start_again(session: Session, act: Act, last: Job, *, at: datetime) -> JobAnswer:
    """Start within an act a job like one that ended: what it prints, on the same feeds."""
    job = _once_more(session, act, last, state=JobState.RUNNING, started_at=at)
    return JobAnswer(act.id, job.id, odd=too_little(session, job))


def resume(*, session: Session, now: datetime, by: By, job_id: int) -> JobAnswer:
    """Go on with a job that was stopped, or failed: what it drew was good then, and a new job draws the rest.

    Errors: NotFound; Conflict where it came off good, went on before, or nothing is left of it to print.
    """

    def do(act: Act) -> JobAnswer:
        return resume_within(session, act, finding.live(session, Job, job_id), at=now)

    request = {"job_id": job_id}
    about = _title(session, job_id)
    return once(session, "go on", by=by, now=now, request=request, answers=JobAnswer, about=about, do=do)


def resume_within(session: Session, act: Act, stopped: Job, *, at: datetime) -> JobAnswer:
    """Go on with a job within an act, under the id by which another program knows it. Errors: as `resume`."""
    if stopped.state != JobState.ENDED:
        raise Conflict("not_ended", f"“{stopped.title}” has not ended by the books, so it cannot go on.")
    if stopped.outcome == Outcome.GOOD:
        raise Conflict("was_good", f"“{stopped.title}” came off good by the books. Print it again instead.")
    if finding.went_on(session, stopped) is not None:
        raise Conflict("went_on_before", f"“{stopped.title}” went on already. Go on with the later one.")
    rows, draws = endings.rows_of(session, stopped), standing_draws(session, stopped)
    rest = _rest(session, rows, draws)
    if not any(rest):
        raise Conflict("nothing_left", f"Nothing is left of “{stopped.title}” by the books. Print it again instead.")
    failed = [one for one in draws if one.cause == Cause.FAILED]
    book_again(session, act, failed, lambda _: {"cause": Cause.GOOD})
    share = sum(rest) / sum(row.needs_mg for row in rows)
    job = _copy(
        session,
        act,
        stopped,
        duration_s=round(stopped.duration_s * share) if stopped.duration_s else None,
        state=JobState.RUNNING,
        started_at=at,
        resumes_id=stopped.id,
        due_at=stopped.due_at,
        outside_id=stopped.outside_id,
    )
    _copy_rows(session, act, job, [(row, mg) for row, mg in zip(rows, rest, strict=True) if mg])
    return JobAnswer(act.id, job.id, odd=too_little(session, job))


def _once_more(session: Session, act: Act, last: Job, **state: Any) -> Job:  # noqa: ANN401 - fields of a job
    """Make a job that prints all that the first of these printed or was to print."""
    first = endings.began(session, last)
    job = _copy(session, act, last, duration_s=first.duration_s, again_of_id=last.id, **state)
    _copy_rows(session, act, job, [(row, row.needs_mg) for row in endings.rows_of(session, first)])
    return job


def _copy(session: Session, act: Act, last: Job, **more: Any) -> Job:  # noqa: ANN401 - fields of a job
    return create(session, act, Job(**{name: getattr(last, name) for name in _AS_BEFORE}, **more))


def _copy_rows(session: Session, act: Act, job: Job, rows: Sequence[tuple[JobFeed, int]]) -> None:
    for row, mg in rows:
        kept = {name: getattr(row, name) for name in ("feed_id", "article_id", "cause", "tool", "one_lot")}
        create(session, act, JobFeed(job_id=job.id, needs_mg=mg, **kept))


def _rest(session: Session, rows: Sequence[JobFeed], draws: Sequence[Movement]) -> list[int]:
    """Give what each row needs still after these draws: told apart by feed or item and cause, then by less and less."""
    rest, had = [row.needs_mg for row in rows], [-(one.asked_mg or 0) for one in draws]
    items = [_item_of(session, one) for one in draws]
    for fits in _FITS:
        for of, draw in enumerate(draws):
            for at, row in enumerate(rows):
                if fits(row, draw, items[of]):
                    taken = min(rest[at], had[of])
                    rest[at] -= taken
                    had[of] -= taken
    return rest


def _is_its_cause(row: JobFeed, draw: Movement) -> bool:
    return row.cause == (Cause.GOOD if draw.cause == Cause.FAILED else draw.cause)


def _is_there(row: JobFeed, draw: Movement, item: int | None) -> bool:
    return row.feed_id == draw.feed_id if row.feed_id else row.article_id in {None, item}


_FITS: tuple[Callable[[JobFeed, Movement, int | None], bool], ...] = (
    lambda row, draw, item: _is_there(row, draw, item) and _is_its_cause(row, draw),
    _is_there,
    lambda _row, _draw, _item: True,
)


def _item_of(session: Session, draw: Movement) -> int | None:
    return session.get_one(Spool, draw.spool_id).article_id if draw.spool_id else draw.article_id


def _title(session: Session, job_id: int) -> Callable[[], str]:
    return lambda: finding.live(session, Job, job_id).title
