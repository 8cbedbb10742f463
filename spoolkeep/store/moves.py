"""Moving spools from one item to another: their lines stay, and the copies by item, day and kind follow them.

Services call `move`, `store.undo` calls `take_back_moves`. It must not know why.
"""

from collections import Counter
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from datetime import date

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.store.copies import DaySum, add_to_day_totals
from spoolkeep.store.journal import batched, change_all
from spoolkeep.store.ledger import workshop
from spoolkeep.store.rows import put_in
from spoolkeep.store.tables import Act, DayTotal, ItemMove, Line, Movement, Spool

_Key = tuple[date, date, str]


def move(session: Session, act: Act, spool_ids: Sequence[int], *, from_id: int, to_id: int) -> None:
    """Book these spools of one item under another: lines, value and moments stay as they are."""
    change_all(session, act, Spool, spool_ids, article_id=to_id)
    _go_over(session, act, [(number, from_id, to_id) for number in spool_ids])


def take_back_moves(session: Session, act: Act, target: Act) -> None:
    """Let the spools that `target` moved go back; the journal has named their items again before."""
    done = session.scalars(select(ItemMove).where(col(ItemMove.act_id) == target.id).order_by(col(ItemMove.id))).all()
    _go_over(session, act, [(one.spool_id, one.to_id, one.from_id) for one in reversed(done)])


def _go_over(session: Session, act: Act, gone: Sequence[tuple[int, int, int]]) -> None:
    """Note that spools went from an item to another, and let the sums of their days follow."""
    session.flush()
    closed = workshop(session).closed_through
    rows = [
        ItemMove(act_id=act.id, spool_id=spool_id, from_id=from_id, to_id=to_id, closed_through=closed)
        for spool_id, from_id, to_id in gone
    ]
    put_in(session, rows)
    by_pair: dict[tuple[int, int], list[int]] = {}
    for spool_id, from_id, to_id in gone:
        by_pair.setdefault((from_id, to_id), []).append(spool_id)
    for (from_id, to_id), spool_ids in by_pair.items():
        sums = _sums(session, spool_ids)
        add_to_day_totals(session, [DaySum(from_id, *key, -mg, -value) for key, (mg, value) in sums.items()])
        add_to_day_totals(session, [DaySum(to_id, *key, mg, value) for key, (mg, value) in sums.items()])
        _drop_empty(session, (from_id, to_id), set(sums))


def _sums(session: Session, spool_ids: Sequence[int]) -> dict[_Key, tuple[int, int]]:
    """Give what the lines of these spools come to by shop day, day in the books and kind; without those of nothing."""
    keys = (col(Movement.shop_day), col(Line.book_day), col(Line.kind))
    mg, value = Counter[_Key](), Counter[_Key]()
    for some in batched(spool_ids):
        query = (
            select(*keys, func.sum(col(Line.mg)), func.sum(col(Line.value_minor)))
            .join(Movement, col(Movement.id) == col(Line.movement_id))
            .where(col(Line.spool_id).in_(some))
            .group_by(*keys)
        )
        for day, booked, kind, grams, worth in session.execute(query):
            mg[day, booked, kind] += int(grams)
            value[day, booked, kind] += int(worth)
    return {key: (mg[key], value[key]) for key in mg if mg[key] or value[key]}


def _drop_empty(session: Session, article_ids: tuple[int, int], keys: AbstractSet[_Key]) -> None:
    """Forget those of these days of two items on which nothing stands any more."""
    nothing = col(DayTotal.article_id).in_(article_ids), col(DayTotal.mg) == 0, col(DayTotal.value_minor) == 0
    for row in session.scalars(select(DayTotal).where(*nothing)).all():
        if (row.shop_day, row.book_day, row.kind) in keys:
            session.delete(row)
    session.flush()
