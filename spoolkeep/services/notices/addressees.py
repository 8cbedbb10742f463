"""Who gets notices, and which; and how the last ones went.

The Notices page, Today and the command line call it. Nothing here is an act: an address must be able to go again.
"""

from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import case, func, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import DigestWhen, NoticeKind, NoticeWay
from spoolkeep.services.notices import mail, outbox, webhook
from spoolkeep.services.notices.matters import About
from spoolkeep.services.tokens import read_label
from spoolkeep.store.tables import Addressee, Notice

MOST = 50
"""More addressees than a workshop has people."""
LAST_HOUR = 23
USUAL_HOUR = 7


@dataclass(frozen=True)
class Wants:
    """What an addressee gets, and by which way."""

    name: str
    way: NoticeWay
    address: str
    """Where it is changed, empty for the address that is kept."""
    digest: DigestWhen
    digest_hour: int
    about: frozenset[About]


@dataclass(frozen=True)
class Receiver:
    """An addressee in a list. Of a webhook's address only the host is told."""

    addressee_id: int
    name: str
    way: NoticeWay
    shown: str
    digest: DigestWhen
    digest_hour: int
    about: frozenset[About]
    paused: bool
    since_at: datetime
    last_sent_at: datetime | None = None
    waiting: int = 0


@dataclass(frozen=True)
class Went:
    """One of the last notices."""

    name: str
    kind: NoticeKind
    subject: str
    made_at: datetime
    state: str
    """waiting, being sent, sent, tried, given up or dropped."""
    at: datetime | None
    """When it was sent, given up or dropped, or is tried next."""
    tries: int
    error: str


def add(*, session: Session, now: datetime, by_id: int, wants: Wants) -> int:
    """Give the number of a new addressee. Errors: BadInput; Conflict where notices go to that address already."""
    if len(_there(session)) >= MOST:
        raise BadInput("too_many", f"There are {MOST} addressees already. Remove one first.")
    read = _read(wants)
    _refuse_twice(session, read, but=0)
    row = Addressee(
        name=read.name,
        way=read.way,
        address=read.address,
        digest=read.digest,
        digest_hour=read.digest_hour,
        since_at=now,
        changed_by_id=by_id,
    )
    for about in About:
        setattr(row, about, about in read.about)
    session.add(row)
    session.flush()
    return row.id


def alter(*, session: Session, now: datetime, by_id: int, addressee_id: int, wants: Wants) -> None:
    """Change what an addressee gets; the way stays. What waits goes to the new address. Errors: BadInput, NotFound."""
    row = _one(session, addressee_id)
    read = _read(replace(wants, way=NoticeWay(row.way), address=wants.address or row.address))
    _refuse_twice(session, read, but=row.id)
    row.name, row.address, row.changed_by_id = read.name, read.address, by_id
    row.digest, row.digest_hour = read.digest, read.digest_hour
    for about in About:
        setattr(row, about, about in read.about)
    outbox.try_again(session, now, addressee_id)


def pause(*, session: Session, now: datetime, by_id: int, addressee_id: int, paused: bool) -> None:
    """Let an addressee get nothing for now, what waits included; or again. Errors: NotFound."""
    row = _one(session, addressee_id)
    row.paused, row.changed_by_id = paused, by_id
    if paused:
        outbox.take_back(session, addressee_id, all_of_it=False)
    else:
        row.since_at = now


def remove(*, session: Session, now: datetime, by_id: int, addressee_id: int) -> None:
    """Forget an addressee, and every notice to it; its number is given to nobody else. Errors: NotFound."""
    row = _one(session, addressee_id)
    outbox.take_back(session, addressee_id, all_of_it=True)
    row.name = row.address = ""
    row.removed_at, row.changed_by_id = now, by_id


def trial(*, session: Session, now: datetime, addressee_id: int, key: str) -> None:
    """Put in a trial; the same key puts in one. Errors: NotFound."""
    _one(session, addressee_id)
    outbox.put(session, now, addressee_id=addressee_id, kind=NoticeKind.TRIAL, key=f"trial:{key}")


def listing(*, session: Session) -> list[Receiver]:
    """Give every addressee, in the order of being added."""
    there = _there(session)
    if not there:
        return []  # as in nearly every round of a workshop in which nobody gets notices
    sent = select(col(Notice.addressee_id), func.max(col(Notice.sent_at))).group_by(col(Notice.addressee_id))
    last = {row[0]: row[1] for row in session.execute(sent)}
    open_ones = select(col(Notice.addressee_id), func.count()).where(col(Notice.next_try_at).is_not(None))
    waiting = {number: int(count) for number, count in session.execute(open_ones.group_by(col(Notice.addressee_id)))}
    return [replace(receiver(row), last_sent_at=last.get(row.id), waiting=waiting.get(row.id, 0)) for row in there]


def receiver(row: Addressee) -> Receiver:
    """Give an addressee without what may be secret."""
    way = NoticeWay(row.way)
    return Receiver(
        addressee_id=row.id,
        name=row.name,
        way=way,
        shown=webhook.host_of(row.address) if way is NoticeWay.WEBHOOK else row.address,
        digest=DigestWhen(row.digest),
        digest_hour=row.digest_hour,
        about=frozenset(one for one in About if getattr(row, one)),
        paused=row.paused,
        since_at=row.since_at,
    )


def last(*, session: Session, limit: int) -> list[Went]:
    """Give the last notices, the newest first."""
    query = (
        select(Notice, col(Addressee.name))
        .join(Addressee, col(Addressee.id) == col(Notice.addressee_id))
        .order_by(col(Notice.id).desc())
        .limit(limit)
    )
    return [_went(notice, name) for notice, name in session.execute(query)]


def failed(*, session: Session) -> list[str]:
    """Give the names of addressees to whom a notice was given up, and none was sent since."""
    sent_at = func.max(col(Notice.sent_at))
    failed_at = func.max(case((col(Notice.kind) != NoticeKind.TRIAL, col(Notice.given_up_at))))
    query = (
        select(col(Addressee.name))
        .join(Notice, col(Notice.addressee_id) == col(Addressee.id))
        .where(col(Addressee.removed_at).is_(None), ~col(Addressee.paused))
        .group_by(col(Addressee.id), col(Addressee.name))
        .having(failed_at.is_not(None), or_(sent_at.is_(None), sent_at < failed_at))
        .order_by(col(Addressee.id))
    )
    return list(session.scalars(query))


def _went(notice: Notice, name: str) -> Went:
    ends = {"sent": notice.sent_at, "given up": notice.given_up_at, "dropped": notice.dropped_at}
    state = next((word for word, at in ends.items() if at), "")
    if not state:
        state = "being sent" if notice.claimed_until else "tried" if notice.tries else "waiting"
    return Went(
        name=name,
        kind=NoticeKind(notice.kind),
        subject=notice.subject,
        made_at=notice.made_at,
        state=state,
        at=ends.get(state) or notice.next_try_at,
        tries=notice.tries,
        error=notice.last_error,
    )


def _there(session: Session) -> list[Addressee]:
    query = select(Addressee).where(col(Addressee.removed_at).is_(None)).order_by(col(Addressee.id))
    return list(session.scalars(query))


def _one(session: Session, addressee_id: int) -> Addressee:
    row = session.get(Addressee, addressee_id)
    if row is None or row.removed_at is not None:
        raise NotFound("no_such_addressee", "There is no such addressee any more. Look at the list again.")
    return row


def _refuse_twice(session: Session, read: Wants, *, but: int) -> None:
    alike = [one for one in _there(session) if (one.way, one.address) == (read.way, read.address) and one.id != but]
    if alike:
        raise Conflict("address_taken", f"Notices go to that address already, as {alike[0].name}. Change that one.")


def _read(wants: Wants) -> Wants:
    name = read_label(wants.name)
    if not name.isprintable():
        raise BadInput("no_label", "Write the name in letters that can be printed.")
    if not 0 <= wants.digest_hour <= LAST_HOUR:
        raise BadInput("no_such_hour", "Hours go from 0 to 23.")
    if wants.digest is DigestWhen.NEVER and not wants.about:
        raise BadInput("nothing_wanted", "Choose a digest, or at least one kind of warning.")
    reads = webhook.read_address if wants.way is NoticeWay.WEBHOOK else mail.read_address
    return replace(wants, name=name, address=reads(wants.address))
