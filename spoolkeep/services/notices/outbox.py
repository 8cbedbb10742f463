"""What waits to be sent: put in once for each matter and addressee, claimed by one sender, and its outcome written.

The sending of notices and the Notices page call it. Every function is a short piece of one transaction; nothing is
sent within one.
"""

import secrets
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Select, delete, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain import notices
from spoolkeep.domain.words import DigestWhen, NoticeKind, NoticeWay
from spoolkeep.store.tables import Addressee, Notice, NoticeMatter

CLAIMED_FOR = timedelta(minutes=3)
"""Longer than any sending takes: past it, whoever claimed a notice is gone."""
KEPT = timedelta(days=90)
OVER_FOR = timedelta(days=2)
"""A matter that did not stand for so long, and comes again, is told again. Source: our own choice."""


@dataclass(frozen=True)
class Due:
    """A notice that may be tried now."""

    notice_id: int
    addressee_id: int
    kind: NoticeKind
    way: NoticeWay
    key: str
    claim: str
    """Of whoever claimed it before and did not come back."""


@dataclass(frozen=True)
class Claimed:
    """A notice that is ours to send."""

    notice_id: int
    claim: str
    mark: str
    kind: NoticeKind
    made_at: datetime
    addressee_id: int
    name: str
    way: NoticeWay
    address: str


def put(
    session: Session, now: datetime, *, addressee_id: int, kind: NoticeKind, key: str, matters: Iterable[str] = ()
) -> bool:
    """Put a notice in, with the matters that it tells of; say whether it was new. Matters told before are left out."""
    told = told_before(session, addressee_id)
    new = [one for one in matters if one not in told]
    if (kind is NoticeKind.WARNING and not new) or number_of(session, addressee_id, key):
        return False
    notice = Notice(
        addressee_id=addressee_id, kind=kind, key=key, mark=secrets.token_hex(16), made_at=now, next_try_at=now
    )
    session.add(notice)
    session.flush()
    session.add_all([NoticeMatter(notice_id=notice.id, addressee_id=addressee_id, key=one) for one in new])
    session.flush()
    return True


def told_before(session: Session, addressee_id: int) -> set[str]:
    """Give the matters that an addressee was told of, or is about to be."""
    query = select(col(NoticeMatter.key)).where(col(NoticeMatter.addressee_id) == addressee_id)
    return set(session.scalars(query))


def number_of(session: Session, addressee_id: int, key: str) -> int:
    """Give the number of an addressee's notice of this key; 0 where there is none."""
    query = select(col(Notice.id)).where(col(Notice.addressee_id) == addressee_id, col(Notice.key) == key)
    return session.scalars(query).first() or 0


def name_of(session: Session, addressee_id: int) -> str:
    """Give an addressee's name."""
    return session.get_one(Addressee, addressee_id).name


def only_when_needed(session: Session, addressee_id: int) -> bool:
    """Say whether an addressee gets a digest only where something needs a person."""
    return session.get_one(Addressee, addressee_id).digest == DigestWhen.WHEN_NEEDED


def due(session: Session, now: datetime, dead: Collection[tuple[int, str]] = ()) -> list[Due]:
    """Give the notices that may be tried now, the oldest first; a claim that still holds is left to its holder.

    `dead` are claims that nobody holds any more, whatever the clock says.
    """
    query = (
        select(Notice, col(Addressee.way))
        .join(Addressee, col(Addressee.id) == col(Notice.addressee_id))
        .where(col(Notice.next_try_at).is_not(None))
        .order_by(col(Notice.id))
    )
    return [
        Due(one.id, one.addressee_id, NoticeKind(one.kind), NoticeWay(way), one.key, one.claim)
        for one, way in session.execute(query)
        if _may_try(one, now, dead)
    ]


def _may_try(one: Notice, now: datetime, dead: Collection[tuple[int, str]]) -> bool:
    is_free = one.claimed_until is None or one.claimed_until <= now or (one.id, one.claim) in dead
    return one.next_try_at is not None and notices.is_due(one.next_try_at, now) and is_free


def held(session: Session, now: datetime) -> set[tuple[int, str]]:
    """Give the notices with the claims on them that still hold by the clock."""
    query = select(Notice).where(col(Notice.next_try_at).is_not(None), col(Notice.claimed_until) > now)
    return {(one.id, one.claim) for one in session.scalars(query)}


def claim(session: Session, now: datetime, notice_id: int, *, was: str) -> Claimed | None:
    """Take a notice to send it; None where it needs no sending any more, or another has taken it since it was seen."""
    notice = session.get(Notice, notice_id)
    if notice is None or notice.next_try_at is None or notice.claim != was:
        return None
    addressee = session.get_one(Addressee, notice.addressee_id)
    notice.claim, notice.claimed_until = secrets.token_hex(8), now + CLAIMED_FOR
    session.flush()
    return Claimed(
        notice_id=notice.id,
        claim=notice.claim,
        mark=notice.mark,
        kind=NoticeKind(notice.kind),
        made_at=notice.made_at,
        addressee_id=addressee.id,
        name=addressee.name,
        way=NoticeWay(addressee.way),
        address=addressee.address,
    )


def matters_of(session: Session, notice_id: int) -> list[str]:
    """Give the matters that a notice tells of."""
    query = select(col(NoticeMatter.key)).where(col(NoticeMatter.notice_id) == notice_id).order_by(col(NoticeMatter.id))
    return list(session.scalars(query))


def leave_out(session: Session, notice_id: int, over: Collection[str]) -> None:
    """Let a notice that was not sent yet tell no more of what is over: it is told where it comes again."""
    if over:
        which = col(NoticeMatter.notice_id) == notice_id, col(NoticeMatter.key).in_(over)
        session.execute(delete(NoticeMatter).where(*which))


def drop(session: Session, now: datetime, notice_id: int) -> None:
    """End a notice that has nothing to say any more."""
    notice = session.get_one(Notice, notice_id)
    notice.dropped_at, notice.next_try_at, notice.claim, notice.claimed_until = now, None, "", None


def give_up(session: Session, now: datetime, notice_id: int) -> None:
    """End a notice whose time is over: given up where it was tried, else dropped."""
    notice = session.get_one(Notice, notice_id)
    if notice.tries:
        notice.given_up_at, notice.next_try_at, notice.claimed_until = now, None, None
    else:
        drop(session, now, notice_id)


def sent(session: Session, now: datetime, ours: Claimed, *, subject: str) -> None:
    """Write down that a notice was sent; what else waits for the addressee is tried at once, for the way is mended."""
    notice = session.get(Notice, ours.notice_id)
    if notice is not None:
        notice.sent_at, notice.next_try_at, notice.subject, notice.last_error = now, None, subject, ""
        notice.tries += 1
        notice.claimed_until = None
        session.flush()
        try_again(session, now, notice.addressee_id)


def not_sent(session: Session, now: datetime, ours: Claimed, *, subject: str, words: str) -> None:
    """Write down that a try failed, and when the next one is; a trial is tried once.

    What a warning that is given up told of was told to nobody: it goes into a new one, tried for another day.
    """
    notice = session.get(Notice, ours.notice_id)
    if notice is None or notice.claim != ours.claim or notice.next_try_at is None:
        return
    notice.tries += 1
    notice.subject, notice.last_error, notice.claimed_until = subject, words, None
    is_trial = ours.kind is NoticeKind.TRIAL
    notice.next_try_at = None if is_trial else notices.next_try(notice.made_at, now, tries=notice.tries)
    if notice.next_try_at is None:
        notice.given_up_at = now
        session.execute(delete(NoticeMatter).where(col(NoticeMatter.notice_id) == notice.id))


def settle(session: Session, now: datetime, *, told: Sequence[str], stand: Collection[str]) -> None:
    """Note which of the matters that were looked at are over or stand again, and forget what has long been over.

    `told` begins the keys of the kinds that were looked at.
    """
    for one in session.scalars(select(NoticeMatter)):
        if one.key.startswith(tuple(told)):
            if one.key in stand:
                one.over_at = None
            elif one.over_at is None:
                one.over_at = now
            elif now - one.over_at >= OVER_FOR:
                session.delete(one)


def needs_settling(session: Session, now: datetime, *, told: Sequence[str], stand: Collection[str]) -> bool:
    """Say whether `settle` would write anything."""
    return any(
        one.key.startswith(tuple(told))
        and ((one.key in stand) == (one.over_at is not None) or (one.over_at and now - one.over_at >= OVER_FOR))
        for one in session.scalars(select(NoticeMatter))
    )


def has_old(session: Session, now: datetime) -> bool:
    """Say whether `forget` would look at anything."""
    return session.scalars(_old(now).limit(1)).first() is not None


def _old(now: datetime) -> Select[int]:
    return select(col(Notice.id)).where(col(Notice.made_at) < now - KEPT, col(Notice.next_try_at).is_(None))


def forget(session: Session, now: datetime) -> None:
    """Forget notices that are long over, and the matters that only they told of."""
    old = _old(now)
    gone = delete(NoticeMatter).where(col(NoticeMatter.notice_id).in_(old), col(NoticeMatter.over_at).is_not(None))
    session.execute(gone)
    told = select(col(NoticeMatter.notice_id))
    session.execute(delete(Notice).where(col(Notice.id).in_(old), col(Notice.id).not_in(told)))


def take_back(session: Session, addressee_id: int, *, all_of_it: bool) -> None:
    """Let an addressee get no more of what waits; what it told of may be told again. Or forget every notice to it."""
    which = select(col(Notice.id)).where(col(Notice.addressee_id) == addressee_id)
    if not all_of_it:
        which = which.where(col(Notice.next_try_at).is_not(None))
    session.execute(delete(NoticeMatter).where(col(NoticeMatter.notice_id).in_(which)))
    numbers = list(session.scalars(which))
    session.execute(delete(Notice).where(col(Notice.id).in_(numbers)))


def try_again(session: Session, now: datetime, addressee_id: int) -> None:
    """Try at once what waits for its next try: something was mended."""
    which = col(Notice.addressee_id) == addressee_id, col(Notice.next_try_at).is_not(None)
    session.execute(update(Notice).where(*which).values(next_try_at=now))


def try_mail_again(session: Session, now: datetime) -> None:
    """Try at once all mail that waits for its next try: the mail server was changed."""
    by_mail = select(col(Addressee.id)).where(col(Addressee.way) == NoticeWay.MAIL)
    which = col(Notice.addressee_id).in_(by_mail), col(Notice.next_try_at).is_not(None)
    session.execute(update(Notice).where(*which).values(next_try_at=now))
