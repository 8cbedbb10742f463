"""Draws: from grams on a feed to events on the spools that were there, or an open draw where none was.

Jobs and imports call it inside their own acts.
"""

import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy import exists, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.ledger import replay
from spoolkeep.domain.words import Cause, Kind, Outcome
from spoolkeep.services.loadings import changed_between, in_use_at
from spoolkeep.store.ledger import Event, book, life_of, take_back_one
from spoolkeep.store.tables import Act, Job, Loading, Movement, Spool

MOST_DRAW_MG = 100_000_000
"""A draw of more than 100 kg is a slip of the key: no reel holds it."""
_TICK = timedelta(microseconds=1)
_BACK = aliased(Movement)


@dataclass(frozen=True)
class Drawn:
    """Grams that one feed, spool or item gave, and for what."""

    mg: int
    cause: Cause = Cause.GOOD
    feed_id: int | None = None
    spool_id: int | None = None
    article_id: int | None = None


def cause_of(outcome: Outcome) -> Cause:
    """Give what a job's grams were for, by how it ended: one that was stopped made nothing good, as one that failed."""
    return Cause.GOOD if outcome is Outcome.GOOD else Cause.FAILED


def check_amount(mg: int) -> None:
    """Refuse grams that no draw can have. Errors: BadInput."""
    if mg <= 0:
        raise BadInput("nothing_drawn", "A draw must be more than 0 g. Leave a feed that gives nothing empty.")
    if mg > MOST_DRAW_MG:
        raise BadInput("too_heavy", "A draw of more than 100 kg cannot be. Enter grams, not milligrams.")


def draw_events(
    session: Session, drawn: Sequence[Drawn], *, at: datetime, job_id: int | None, began_at: datetime | None = None
) -> list[Event]:
    """Give the events of these draws: on the spool named, else on those that were on the feed, else open.

    Where the spool on a feed was changed while the job ran, from `began_at` until `at`, the draw is shared: a spool
    that ran out gave all that was left on it, and one that was taken off as much as its part of the time.
    Errors: BadInput where one draws nothing, less than nothing, or more than any reel holds.
    """
    for one in drawn:
        check_amount(one.mg)
    return [event for one in drawn for event in _shared(session, one, _Span(began_at or at, at, job_id))]


@dataclass(frozen=True)
class _Span:
    """From when until when a job drew."""

    began_at: datetime
    at: datetime
    job_id: int | None


def _shared(session: Session, one: Drawn, span: _Span) -> Iterator[Event]:
    """Give one draw as what each spool gave, in the order in which they were on the feed."""
    rest_mg = one.mg
    last = None
    if one.feed_id and not one.spool_id:
        last = in_use_at(session, one.feed_id, span.at)
        before = changed_between(session, one.feed_id, span.began_at, last.from_at if last else span.at)
        for number, loading in enumerate(before):
            mg = _given(session, rest_mg, [*before[number:], *([last] if last else [])], span)
            if mg:
                yield _event(one, mg, loading.until_at or span.at, job_id=span.job_id, loading=loading)
            rest_mg -= mg
    if rest_mg:
        yield _event(one, rest_mg, span.at, job_id=span.job_id, loading=last)


def _given(session: Session, mg: int, loadings: Sequence[Loading], span: _Span) -> int:
    """Give what the first of these loadings gave of a draw that they all gave."""
    had_mg = _emptied_with(session, loadings[0], span.job_id)
    if had_mg is not None:
        return min(mg, had_mg)
    hours = [min(span.at, one.until_at or span.at) - max(span.began_at, one.from_at) for one in loadings]
    whole = sum(hours, timedelta())
    return mg * (hours[0] // _TICK) // (whole // _TICK) if whole else 0


def _emptied_with(session: Session, loading: Loading, job_id: int | None) -> int | None:
    """Give what was left, but for the job's own draw, on a spool that came off empty; None where it did not."""
    on_spool = col(Movement.spool_id) == loading.spool_id
    back = select(col(Movement.reverses_id)).where(on_spool, col(Movement.reverses_id).is_not(None))
    zero = session.scalars(
        select(col(Movement.id)).where(
            on_spool,
            col(Movement.kind) == Kind.COUNT,
            col(Movement.leaves_mg) == 0,
            col(Movement.occurred_at) == loading.until_at,
            col(Movement.sign) == 1,
            col(Movement.id).not_in(back),
        )
    ).first()
    if zero is None:
        return None
    own = set(session.scalars(select(col(Movement.id)).where(on_spool, col(Movement.job_id) == job_id)))
    reports = life_of(session, loading.spool_id).reports
    before = itertools.takewhile(lambda report: report.movement_id != zero, reports)
    return replay(report for report in before if report.movement_id not in own)[0].left_mg


def share_again(session: Session, act: Act, spool_ids: Iterable[int], *, since: datetime) -> None:
    """Share again, within an act, what jobs drew while these spools were changed, from a moment on.

    A draw that is reported late leaves less on a spool that ran out later, so the next one gave more of the job that
    ran then; which may be true of that one in turn.
    """
    waiting, done = sorted(set(spool_ids)), set[int]()
    while waiting:
        spool_id = waiting.pop(0)
        done.add(spool_id)
        for job, draws in _spanning(session, spool_id, since):
            touched = _rebook(session, act, job, draws)
            waiting += sorted(touched - done - set(waiting))


def _spanning(session: Session, spool_id: int, since: datetime) -> list[tuple[Job, list[Movement]]]:
    """Give the jobs that ran while a spool was taken off, each with its draws on that feed that stand, in order."""
    came_off = select(Loading).where(
        col(Loading.spool_id) == spool_id, col(Loading.live), ~col(Loading.standby), col(Loading.until_at) >= since
    )
    found = []
    for loading in session.scalars(came_off.order_by(col(Loading.until_at))).all():
        query = (
            select(Movement, Job)
            .join(Job, col(Job.id) == col(Movement.job_id))
            .where(col(Movement.feed_id) == loading.feed_id, col(Movement.kind) == Kind.DRAW, col(Movement.sign) == 1)
            .where(col(Job.started_at) < loading.until_at, col(Job.ended_at) >= loading.until_at)
            .where(~exists().where(col(_BACK.reverses_id) == col(Movement.id)))
            .order_by(col(Job.ended_at), col(Movement.id))
        )
        by_job: dict[int, tuple[Job, list[Movement]]] = {}
        for movement, job in session.execute(query):
            by_job.setdefault(job.id, (job, []))[1].append(movement)
        found += list(by_job.values())
    return found


def _rebook(session: Session, act: Act, job: Job, draws: Sequence[Movement]) -> set[int]:
    """Book a job's draws on one feed as they are shared now, where that is otherwise; give the spools concerned."""
    if job.started_at is None or job.ended_at is None:
        return set()
    span = _Span(job.started_at, job.ended_at, job.id)
    totals: dict[str, Drawn] = {}
    for one in draws:
        cause = Cause(one.cause or Cause.GOOD)
        known = totals.get(cause, Drawn(0, cause, one.feed_id, article_id=_item_of(session, one)))
        totals[cause] = replace(known, mg=known.mg - (one.asked_mg or 0))
    wanted = [event for one in totals.values() for event in _shared(session, one, span)]
    is_as_was = sorted(map(_essence, wanted)) == sorted(map(_essence, draws))
    if is_as_was:
        return set()
    for one in draws:
        take_back_one(session, act, one)
    book(session, act, wanted)
    concerned = {one.spool_id for one in wanted} | {one.spool_id for one in draws}
    return {number for number in concerned if number is not None}


def book_again(
    session: Session, act: Act, draws: Sequence[Movement], changed: Callable[[Movement], Mapping[str, object]]
) -> None:
    """Take draws back within an act and book each again with what is otherwise about it; one of nothing is left out."""
    if not draws:
        return
    kept = ("kind", "occurred_at", "spool_id", "article_id", "asked_mg", "cause", "job_id", "feed_id", "loading_id")
    events = [Event(**{**{name: getattr(one, name) for name in kept}, **changed(one)}) for one in draws]
    for one in draws:
        take_back_one(session, act, one)
    book(session, act, [event for event in events if event.asked_mg])
    share_again(
        session, act, {one.spool_id for one in draws if one.spool_id}, since=min(one.occurred_at for one in draws)
    )


def _essence(one: Event | Movement) -> tuple[int, int, datetime, str]:
    return one.spool_id or 0, one.asked_mg or 0, one.occurred_at, one.cause or ""


def _item_of(session: Session, draw: Movement) -> int | None:
    return draw.article_id or (session.get_one(Spool, draw.spool_id).article_id if draw.spool_id else None)


def _event(one: Drawn, mg: int, at: datetime, *, job_id: int | None, loading: Loading | None) -> Event:
    spool_id = one.spool_id or (loading.spool_id if loading else None)
    return Event(
        kind=Kind.DRAW,
        occurred_at=at,
        spool_id=spool_id,
        article_id=None if spool_id else one.article_id,
        asked_mg=-mg,
        cause=one.cause,
        job_id=job_id,
        feed_id=one.feed_id,
        loading_id=loading.id if loading else None,
    )
