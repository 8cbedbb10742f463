"""Spools that went over from one item to another, as the books of stock see it: closed months stay as they were.

The books call it. It only reads.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import NamedTuple

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.goneover import Over
from spoolkeep.domain.ledger import RECEIPTS
from spoolkeep.store.journal import batched
from spoolkeep.store.tables import ItemMove, Line

_DAY = timedelta(days=1)
Sums = dict[tuple[int, date, str], tuple[int, int]]
"""Milligrams and value by item, day in the books and kind."""


class _Step(NamedTuple):
    """From when on a spool is of an item; None for all the time before."""

    since: date | None
    article_id: int


class _Booked(NamedTuple):
    """What lines of a kind come to on a day in the books."""

    spool_id: int
    day: date
    kind: str
    mg: int
    value_minor: int


@dataclass(frozen=True)
class Went:
    """Which item each spool that went over is of on which day in the books; and what that moves."""

    steps: Mapping[int, tuple[_Step, ...]]
    """Of spools that are of several items in turn, the last step is what they are now."""
    booked: tuple[_Booked, ...]
    over: list[Over]

    def item_on(self, spool_id: int, day: date) -> int | None:
        """Give the item of a spool on a day; None where it is what it is now."""
        fitting = [one for one in self.steps.get(spool_id, ()) if one.since is None or one.since <= day]
        return fitting[-1].article_id if fitting else None

    def put_right(self, sums: Sums) -> Sums:
        """Give sums by what each spool is now, put right to what it was on each day; receipts are no part of them."""
        found = dict(sums)
        for one in self.booked:
            item = self.item_on(one.spool_id, one.day)
            now = self.steps[one.spool_id][-1].article_id
            if item is None or item == now or one.kind in RECEIPTS:
                continue
            for article, sign in ((now, -1), (item, 1)):
                mg, value = found.get((article, one.day, one.kind), (0, 0))
                found[article, one.day, one.kind] = (mg + sign * one.mg, value + sign * one.value_minor)
        return found


def read(session: Session, *, until: date) -> Went:
    """Give which spools went over, as far as it shows in the books up to a day: after months were closed."""
    rows = session.execute(
        select(col(ItemMove.spool_id), col(ItemMove.from_id), col(ItemMove.to_id), col(ItemMove.closed_through))
        .where(col(ItemMove.spool_id).in_(select(col(ItemMove.spool_id)).where(_IN_CLOSED)))
        .order_by(col(ItemMove.id))
    )
    told: dict[int, list[tuple[int, int, date | None]]] = defaultdict(list)
    for spool_id, from_id, to_id, closed in rows:
        told[spool_id].append((from_id, to_id, closed))
    steps = {spool_id: _steps(moves) for spool_id, moves in told.items()}
    several = {spool_id: some for spool_id, some in steps.items() if len(some) > 1}
    booked = tuple(_booked(session, several, until))
    return Went(several, booked, _over(several, booked, until))


_IN_CLOSED = col(ItemMove.closed_through).is_not(None)


def _steps(moves: Iterable[tuple[int, int, date | None]]) -> tuple[_Step, ...]:
    """Give of which item a spool is from when on: of moves with the same months closed the last one counts."""
    found: list[_Step] = []
    for from_id, to_id, closed in moves:
        since = None if closed is None else closed + _DAY
        found = found or [_Step(None, from_id)]
        while found and (since is None or (found[-1].since or date.min) >= since):
            found.pop()
        if not found or found[-1].article_id != to_id:
            found.append(_Step(since, to_id))
    return tuple(found)


def _booked(session: Session, spool_ids: Iterable[int], until: date) -> Iterable[_Booked]:
    keys = col(Line.spool_id), col(Line.book_day), col(Line.kind)
    for some in batched(sorted(spool_ids)):
        query = select(*keys, func.sum(col(Line.mg)), func.sum(col(Line.value_minor)))
        query = query.where(col(Line.spool_id).in_(some), col(Line.book_day) <= until).group_by(*keys)
        for spool_id, day, kind, mg, value in session.execute(query):
            yield _Booked(spool_id, day, kind, int(mg), int(value))


def _over(steps: Mapping[int, tuple[_Step, ...]], booked: Iterable[_Booked], until: date) -> list[Over]:
    """Give what was on each spool when it went over, by the lines that are booked before that day."""
    by_spool: dict[int, list[_Booked]] = defaultdict(list)
    for one in booked:
        by_spool[one.spool_id].append(one)
    sums: Counter[tuple[date, int, int]] = Counter()
    worth: Counter[tuple[date, int, int]] = Counter()
    for spool_id, some in steps.items():
        for before, after in pairwise(some):
            if after.since is None or after.since > until:
                continue
            key = after.since, before.article_id, after.article_id
            lines = [one for one in by_spool[spool_id] if one.day < after.since]
            sums[key] += sum(one.mg for one in lines)
            worth[key] += sum(one.value_minor for one in lines)
    return [Over(*key, mg, worth[key]) for key, mg in sorted(sums.items()) if mg or worth[key]]
