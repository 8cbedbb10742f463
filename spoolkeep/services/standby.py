"""The end of a spool, and the spool that stands by to take over on the same feed.

The spool's page calls it; scans that load and move are the Bench's.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.words import Kind
from spoolkeep.services import airing, finding
from spoolkeep.services.asides import odd_about
from spoolkeep.services.draws import share_again
from spoolkeep.services.loadings import loaded_on, standby_on, take_off
from spoolkeep.services.shop import code_text, load_shop
from spoolkeep.services.spools import RAN_OUT
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.ledger import Event, book, take_back_one
from spoolkeep.store.tables import Act, Balance, Feed, Job, Loading, Movement, Spool


@dataclass(frozen=True)
class StandbyAnswer:
    """A spool that waits on a feed for the one in use to end."""

    act_id: int
    spool_code: str
    words: str


@dataclass(frozen=True)
class RanOut:
    """A spool that ended, and the one that took over."""

    act_id: int
    spool_code: str
    change_mg: int
    """What the books still had on it, as a negative number: a spool that ran out is a known zero."""
    next_code: str | None
    words: str


def stand_by(*, session: Session, now: datetime, by: By, spool_code: str, feed_code: str) -> StandbyAnswer:
    """Let a spool wait on a feed whose holder switches over by itself when the one in use ends.

    Errors: BadInput, NotFound; Conflict where nothing is in use there, another one waits, or it is in use there itself.
    """

    def do(act: Act) -> StandbyAnswer:
        spool, feed = finding.spool_of(session, spool_code), finding.feed_of(session, feed_code)
        return stand_by_within(session, act, spool, feed, at=now)

    request = {"spool_code": spool_code, "feed_code": feed_code}
    return once(session, "stand by", by=by, now=now, request=request, answers=StandbyAnswer, about=spool_code, do=do)


def stand_by_within(session: Session, act: Act, spool: Spool, feed: Feed, *, at: datetime) -> StandbyAnswer:
    """Let a spool wait on a feed within an act. Errors: Conflict, as `stand_by`."""
    where = finding.feed_name(session, feed)
    if spool.retired_on is not None:
        raise Conflict("given_up", "That spool was scrapped, returned or written off. Choose another to stand by.")
    _refuse_where_none_can_wait(session, spool, feed, where)
    take_off(session, act, spool=spool, at=at)
    if spool.opened_on is None:
        change(session, act, spool, opened_on=load_shop(session).today(at))
    airing.put_on(session, act, spool, feed, at=at)
    create(session, act, Loading(spool_id=spool.id, feed_id=feed.id, from_at=at, standby=True))
    name = finding.item_name(session, spool.article_id)
    words = " ".join(filter(None, (f"{name} stands by on {where}.", odd_about(session, spool))))
    return StandbyAnswer(act.id, code_text(CodeKind.SPOOL, spool.serial), words)


def ran_out(*, session: Session, now: datetime, by: By, spool_code: str, at: datetime | None = None) -> RanOut:
    """Say that a spool ended: nothing is left on it, it comes off, and the one that stands by takes over.

    Errors: BadInput where the moment lies ahead; NotFound.
    """

    def do(act: Act) -> RanOut:
        spool, when = finding.spool_of(session, spool_code), at or now
        if when > now:
            raise BadInput("in_the_future", "That moment lies in the future. Check the date.")
        return end_spool(session, act, spool, at=when)

    request = {"spool_code": spool_code, "at": at}
    return once(session, RAN_OUT, by=by, now=now, request=request, answers=RanOut, about=spool_code, do=do)


def end_spool(session: Session, act: Act, spool: Spool, *, at: datetime) -> RanOut:
    """Book within an act that a spool ended at a moment."""
    before_mg = session.get_one(Balance, spool.id).left_mg
    later = [take_back_one(session, act, one) for one in _drawn_after(session, spool, at)]
    book(session, act, [Event(kind=Kind.COUNT, occurred_at=at, spool_id=spool.id, leaves_mg=0)])
    after = take_off(session, act, spool=spool, at=at)
    book(session, act, [_drawn_elsewhere(one, spool, after) for one in later])
    share_again(session, act, [spool.id], since=at)
    left_mg = session.get_one(Balance, spool.id).left_mg
    code, words = code_text(CodeKind.SPOOL, spool.serial), _said(session, spool, after)
    next_code = code_text(CodeKind.SPOOL, after.serial) if after else None
    return RanOut(act.id, code, left_mg - before_mg, next_code, words)


def _drawn_after(session: Session, spool: Spool, at: datetime) -> Sequence[Movement]:
    """Give the draws that were booked on a spool after the moment at which it ended: another spool gave them.

    What a job drew that ran at that moment is shared between both.
    """
    back = select(col(Movement.reverses_id)).where(
        col(Movement.spool_id) == spool.id, col(Movement.reverses_id).is_not(None)
    )
    query = select(Movement).where(col(Movement.spool_id) == spool.id, col(Movement.kind) == Kind.DRAW)
    standing = query.where(col(Movement.sign) == 1, col(Movement.id).not_in(back))
    standing = standing.outerjoin(Job, col(Job.id) == col(Movement.job_id))
    wholly = col(Movement.feed_id).is_(None) | col(Job.started_at).is_(None) | (col(Job.started_at) >= at)
    return session.scalars(standing.where(col(Movement.occurred_at) > at, wholly).order_by(col(Movement.id))).all()


def _drawn_elsewhere(taken_back: Movement, spool: Spool, after: Spool | None) -> Event:
    """Give a draw as one of the spool that took over, or as an open draw of the item where none is known."""
    return Event(
        kind=Kind.DRAW,
        occurred_at=taken_back.occurred_at,
        spool_id=after.id if after else None,
        article_id=None if after else spool.article_id,
        asked_mg=taken_back.asked_mg,
        cause=taken_back.cause,
        job_id=taken_back.job_id,
        feed_id=taken_back.feed_id,
    )


def _refuse_where_none_can_wait(session: Session, spool: Spool, feed: Feed, where: str) -> None:
    in_use, waits = loaded_on(session, feed.id), standby_on(session, feed.id)
    if in_use is None:
        raise Conflict("nothing_in_use", f"No spool is in use on {where}. Load this one there instead.")
    if in_use.spool_id == spool.id:
        raise Conflict("in_use_itself", f"That spool is the one in use on {where}. Choose another to stand by.")
    if waits is not None:
        raise Conflict("one_waits", f"A spool stands by on {where} already. Scan that one to its place first.")


def _said(session: Session, spool: Spool, after: Spool | None) -> str:
    name = finding.item_name(session, spool.article_id)
    if after is None:
        return f"{name} ran out. Nothing is left on {code_text(CodeKind.SPOOL, spool.serial)}."
    return f"{name} ran out, and {finding.item_name(session, after.article_id)} takes over."
