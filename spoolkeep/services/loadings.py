"""Which spool is on which feed: loading, taking off, and finding the spool of a moment.

The Bench and the jobs call it, inside their own acts.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import bindparam, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import Conflict
from spoolkeep.services import airing
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, Feed, Loading, Place, Spool


@dataclass(frozen=True)
class Loaded:
    """A spool that was put on a feed, and the spools that came off."""

    loading: Loading
    came_off: tuple[Spool, ...]
    was_on: int | None = None
    """The number of another feed that it was on until now."""


def load(
    session: Session, act: Act, *, spool: Spool, feed: Feed, around: Sequence[Loading], at: datetime, today: date
) -> Loaded:
    """Put a spool on a feed. What was there comes off and goes to its own place; where the spool was, it no longer is.

    `around` is what `around_of` both gives; what stands by on the feed stays there.
    Errors: Conflict where this is told late, and another spool was put there or this one elsewhere since.
    """
    before = [one for one in around if one.spool_id == spool.id or not one.standby]
    _refuse_where_newer(act, before, at)
    moment = max([at, *(one.from_at for one in before)])
    for loading in before:
        change(session, act, loading, until_at=moment)
    came_off = [session.get_one(Spool, one.spool_id) for one in before if one.spool_id != spool.id]
    for one in came_off:
        go_home(session, act, one, at=moment)
    if spool.opened_on is None:
        change(session, act, spool, opened_on=today)
    airing.put_on(session, act, spool, feed, at=moment)
    was_on = next((one.feed_id for one in before if one.spool_id == spool.id and one.feed_id != feed.id), None)
    made = create(session, act, Loading(spool_id=spool.id, feed_id=feed.id, from_at=moment))
    return Loaded(made, tuple(came_off), was_on)


def _refuse_where_newer(act: Act, before: Sequence[Loading], at: datetime) -> None:
    """Refuse what was scanned before something that is known to have come later. Errors: Conflict."""
    told_late = act.recorded_at - at > _AT_ONCE
    if told_late and any(one.from_at - at > _AT_ONCE for one in before):
        words = "Since that scan another was booked there. Nothing was changed; scan again what is there now."
        raise Conflict("newer_there", words)


_AT_ONCE = timedelta(seconds=10)
"""Within so long of each other, clocks and ways tell nothing of what came first."""


def go_home(session: Session, act: Act, spool: Spool, *, at: datetime) -> None:
    """Let a spool be at its own place, where it has one."""
    home_id = spool.home_id or spool.place_id
    airing.put_at(session, act, spool, session.get(Place, home_id) if home_id else None, at=at)
    if spool.home_id is not None and spool.place_id != spool.home_id:
        change(session, act, spool, place_id=spool.home_id)


def take_off(session: Session, act: Act, *, spool: Spool, at: datetime, late: bool = True) -> Spool | None:
    """Take a spool off whatever feed it is on; give the spool that stood by there and is in use from then on.

    Unless it may be told `late`: Conflict where it was put there since. Errors: Conflict.
    """
    loading = loading_of(session, spool.id)
    if loading is None:
        return None
    if not late:
        _refuse_where_newer(act, [loading], at)
    change(session, act, loading, until_at=max(at, loading.from_at))
    waits = None if loading.standby else standby_on(session, loading.feed_id)
    if waits is None:
        return None
    moment = max(at, loading.from_at, waits.from_at)
    change(session, act, waits, until_at=moment)
    create(session, act, Loading(spool_id=waits.spool_id, feed_id=waits.feed_id, from_at=moment))
    return session.get_one(Spool, waits.spool_id)


def around_of(session: Session, spool: Spool, feed: Feed) -> list[Loading]:
    """Give the loadings of a spool and those on a feed now, in use and standing by."""
    return list(session.scalars(_OF_EITHER, {"spool": spool.id, "feed": feed.id}))


def loaded_on(session: Session, feed_id: int) -> Loading | None:
    """Give the loading in use on a feed now."""
    return session.scalars(_IN_USE, {"feed": feed_id}).first()


def loading_of(session: Session, spool_id: int) -> Loading | None:
    """Give the loading of a spool now, in use or standing by."""
    return session.scalars(_OF_SPOOL, {"spool": spool_id}).first()


def standby_on(session: Session, feed_id: int) -> Loading | None:
    """Give the loading that stands by on a feed now."""
    return session.scalars(_WAITS, {"feed": feed_id}).first()


def in_use_at(session: Session, feed_id: int, at: datetime) -> Loading | None:
    """Give the loading in use on a feed at a moment; where two meet there, the earlier: it was in use until then."""
    return session.scalars(_IN_USE_AT, {"feed": feed_id, "moment": at}).first()


def changed_between(session: Session, feed_id: int, began_at: datetime, at: datetime) -> list[Loading]:
    """Give the loadings in use on a feed that ended after one moment and until another, in order."""
    if began_at >= at:
        return []
    query = (
        select(Loading)
        .where(col(Loading.feed_id) == feed_id, col(Loading.live), ~col(Loading.standby))
        .where(col(Loading.until_at) > began_at, col(Loading.until_at) <= at, col(Loading.from_at) < at)
    )
    return list(session.scalars(query.order_by(col(Loading.from_at), col(Loading.id))))


_IN_USE_AT = (
    select(Loading)
    .where(col(Loading.feed_id) == bindparam("feed"), col(Loading.live), ~col(Loading.standby))
    .where(col(Loading.from_at) <= bindparam("moment"))
    .where(or_(col(Loading.until_at).is_(None), col(Loading.until_at) >= bindparam("moment")))
    .order_by(col(Loading.from_at), col(Loading.id))
    .limit(1)
)


_OPEN = select(Loading).where(col(Loading.live), col(Loading.until_at).is_(None))
_ON_FEED = col(Loading.feed_id) == bindparam("feed")
_IN_USE = _OPEN.where(_ON_FEED, ~col(Loading.standby))
_WAITS = _OPEN.where(_ON_FEED, col(Loading.standby))
_OF_SPOOL = _OPEN.where(col(Loading.spool_id) == bindparam("spool"))
_OF_EITHER = _OPEN.where(or_(col(Loading.spool_id) == bindparam("spool"), _ON_FEED))
