"""Which spool a draw of long ago came from: the one named, the one on the feed at that moment, or the item's oldest.

The sheet of jobs calls it, draw by draw in the order in which they happened. It only reads the books.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import NamedTuple

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain.ledger import RECEIPTS, sort_key
from spoolkeep.domain.words import Kind
from spoolkeep.store.journal import batched
from spoolkeep.store.tables import Balance, Loading, Movement, Spool

_NEVER = datetime.max.replace(tzinfo=UTC)
_LAST_TIE = "~"
"""A text after every act's key: of two draws at one moment, the one in the books came first."""


class Piece(NamedTuple):
    """Part of a draw: milligrams of one spool, or of no known one."""

    spool_id: int | None
    mg: int
    loading_id: int | None = None


class Loaded(NamedTuple):
    """A spool on a feed since a moment."""

    from_at: datetime
    loading_id: int
    spool_id: int
    article_id: int


class _Coming(NamedTuple):
    """An event in the books that lies ahead of the draw at hand."""

    key: str
    level_mg: int | None
    mg: int
    least_mg: int
    """The lowest that this and the following ones bring it to, from before it, until one of them sets a level."""


@dataclass
class _OnShelf:
    """One spool as it was at the moment of the draw at hand."""

    spool_id: int
    serial: int
    received_on: date
    opened_on: date | None
    retired_on: date | None
    from_at: datetime
    left_mg: int
    coming: list[_Coming]
    """The nearest one last."""

    def to_spare_mg(self, before: str) -> int:
        """Give what can be drawn at a moment without falling short of the events that follow it."""
        while self.coming and self.coming[-1].key < before:
            passed = self.coming.pop()
            self.left_mg = max(0, self.left_mg + passed.mg) if passed.level_mg is None else passed.level_mg
        return max(0, self.left_mg + (self.coming[-1].least_mg if self.coming else 0))

    def turn(self, day: date) -> tuple[bool, int, date, date, int]:
        """Give its place in the order in which spools are used on a day; those that are done with come first."""
        lasts = bool(self.left_mg or self.coming)
        if self.opened_on is None:
            return lasts, 1, self.received_on, self.received_on, self.serial
        return lasts, 0 if self.opened_on <= day else 2, self.opened_on, self.received_on, self.serial


@dataclass
class _Shelf:
    """The spools of one item, in the order of use on one day."""

    spools: list[_OnShelf]
    day: date | None = None
    order: list[_OnShelf] = field(default_factory=list)

    def in_order(self, day: date) -> list[_OnShelf]:
        if day != self.day:
            there = (one for one in self.spools if one.retired_on is None or one.retired_on >= day)
            self.day, self.order = day, sorted(there, key=lambda one: one.turn(day))
            done = bisect_left(self.order, 1, key=lambda one: int(bool(one.left_mg or one.coming)))
            # the last that is done with stays, for a draw that finds nothing left anywhere
            self.order = self.order[max(0, done - 1) :]
        return self.order


class Shelves:
    """The spools of some items and the loadings of every feed, through time.

    Of an item, the spool that was opened first gives until nothing is left to spare, then the next; then unopened ones,
    first come first served; a spool that was opened later only if need be. A spool that came later gives nothing. Where
    nothing is left at all, the last of that order gives more than it has, and will ask for a weighing.
    """

    def __init__(self, session: Session, article_ids: Iterable[int], *, first_at: datetime) -> None:
        self._shelves = _shelves(session, sorted(set(article_ids)), first_key=_before(first_at))
        self._by_id = {one.spool_id: one for shelf in self._shelves.values() for one in shelf.spools}
        self._loadings = _loadings(session)

    def named(self, spool_id: int, mg: int, *, at: datetime, day: date) -> Piece:
        """Give a draw from a spool that is known."""
        one = self._by_id.get(spool_id)
        if one:
            one.to_spare_mg(_before(at))
            one.left_mg = max(0, one.left_mg - mg)
            one.opened_on = one.opened_on or day
        return Piece(spool_id, mg)

    def loaded(self, feed_id: int, at: datetime) -> Loaded | None:
        """Give what was in use on a feed at a moment; of two that meet there, the earlier."""
        untils, rows = self._loadings.get(feed_id, ([], []))
        index = bisect_left(untils, at)
        return rows[index] if index < len(rows) and rows[index].from_at <= at else None

    def oldest(self, article_id: int, mg: int, *, at: datetime, day: date) -> list[Piece]:
        """Give a draw from an item's spools in their order; of none where there was none."""
        there = [one for one in self._shelves[article_id].in_order(day) if one.from_at <= at]
        if not there:
            return [Piece(None, mg)]
        pieces = []
        for one in there:
            taken = min(mg, one.to_spare_mg(_before(at)))
            if one is there[-1]:
                taken = mg
            if taken:
                pieces.append(self.named(one.spool_id, taken, at=at, day=day))
                mg -= taken
            if not mg:
                break
        return pieces


def _before(at: datetime) -> str:
    """Give the text that sorts after a moment's draws and before its weighings."""
    return sort_key(Kind.DRAW, at, _LAST_TIE)


def _shelves(session: Session, article_ids: Sequence[int], *, first_key: str) -> dict[int, _Shelf]:
    found = {article: _Shelf([]) for article in article_ids}
    for some in batched(article_ids):
        came = _came(session, some)
        query = select(Spool, Balance).join(Balance, col(Balance.spool_id) == col(Spool.id))
        rows = session.execute(query.where(col(Spool.article_id).in_(some), col(Spool.live))).all()
        later = _since(session, [spool.id for spool, balance in rows if balance.last_key >= first_key])
        for spool, balance in rows:
            coming = later.get(spool.id)
            left_mg = balance.left_mg if coming is None else balance.received_mg
            found[spool.article_id].spools.append(_on_shelf(spool, came[spool.id], left_mg, coming or []))
    return found


def _since(session: Session, spool_ids: Sequence[int]) -> dict[int, list[_Coming]]:
    """Give what happened to each of these spools since it came, the latest first."""
    reversing = aliased(Movement)
    found: dict[int, list[_Coming]] = {number: [] for number in spool_ids}
    for some in batched(spool_ids):
        query = (
            select(col(Movement.spool_id), col(Movement.sort_key), col(Movement.leaves_mg), col(Movement.asked_mg))
            .where(col(Movement.spool_id).in_(some), col(Movement.sign) == 1, col(Movement.kind).not_in(RECEIPTS))
            .where(~exists().where(col(reversing.reverses_id) == col(Movement.id)))
            .order_by(col(Movement.sort_key).desc(), col(Movement.id).desc())
        )
        for spool_id, key, leaves_mg, asked_mg in session.execute(query):
            events = found[spool_id or 0]
            after = events[-1].least_mg if events else 0
            least = 0 if leaves_mg is not None else min(0, (asked_mg or 0) + after)
            events.append(_Coming(key, leaves_mg, asked_mg or 0, least))
    return found


def _came(session: Session, article_ids: Sequence[int]) -> dict[int, datetime]:
    """Give when each spool came in."""
    query = (
        select(col(Spool.id), func.min(col(Movement.occurred_at)))
        .join(Movement, col(Movement.spool_id) == col(Spool.id))
        .where(col(Spool.article_id).in_(article_ids), col(Movement.kind).in_(RECEIPTS))
        .group_by(col(Spool.id))
    )
    return dict(session.execute(query).all())


def _on_shelf(spool: Spool, from_at: datetime, left_mg: int, coming: list[_Coming]) -> _OnShelf:
    return _OnShelf(
        spool_id=spool.id,
        serial=spool.serial,
        received_on=spool.received_on,
        opened_on=spool.opened_on,
        retired_on=spool.retired_on,
        from_at=from_at,
        left_mg=left_mg,
        coming=coming,
    )


def _loadings(session: Session) -> dict[int, tuple[list[datetime], list[Loaded]]]:
    """Give each feed's loadings in use, and their ends apart, in the order of time."""
    query = (
        select(Loading, col(Spool.article_id))
        .join(Spool, col(Spool.id) == col(Loading.spool_id))
        .where(col(Loading.live), ~col(Loading.standby))
        .order_by(col(Loading.feed_id), col(Loading.from_at), col(Loading.id))
    )
    found: dict[int, tuple[list[datetime], list[Loaded]]] = {}
    for loading, article_id in session.execute(query):
        untils, rows = found.setdefault(loading.feed_id, ([], []))
        untils.append(loading.until_at or _NEVER)
        rows.append(Loaded(loading.from_at, loading.id, loading.spool_id, article_id))
    return found
