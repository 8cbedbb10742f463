"""The proof of the books: every copy held against the ledger, and the ledger against its own identity.

`spoolkeep check` calls it. It only reads.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from functools import cache
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.ledger import replay, worth
from spoolkeep.store import guards
from spoolkeep.store.copies import OPEN
from spoolkeep.store.journal import batched
from spoolkeep.store.ledger import Life, Sums, booked_on, lives_of, shop_clock
from spoolkeep.store.tables import Balance, DayTotal, Line, Movement, Spool, TakingsDay, TakingsLine


def differences(session: Session) -> Iterator[str]:
    """Give, one at a time, each place where a copy or a guard is not what the ledger says; none if all is well."""
    yield from _guards(session)
    for some in batched(session.scalars(select(col(Spool.id)).order_by(col(Spool.id))).all()):
        yield from _spools(session, some)
    yield from _compare("day_total", _day_totals_kept(session), day_totals_due(session))
    yield from _compare("takings_day", _takings_kept(session), _takings_due(session))
    yield from _shop_days(session)


def _guards(session: Session) -> Iterator[str]:
    connection = session.connection()
    there, wanted = guards.installed(connection), guards.expected(connection.dialect.name)
    if there != wanted:
        odd = ", ".join(sorted(set(there) ^ set(wanted)))
        yield f"append-only guards differ: {odd}. Run 'spoolkeep upgrade' to put them back."


def _spools(session: Session, spool_ids: Sequence[int]) -> Iterator[str]:
    """Replay some spools, gathered at once: a large workshop has tens of thousands."""
    lives, sums, backs = lives_of(session, spool_ids), booked_on(session, spool_ids), _backs_of(session, spool_ids)
    kept = session.scalars(select(Balance).where(col(Balance.spool_id).in_(spool_ids)))
    balances = {balance.spool_id: balance for balance in kept}
    serials = session.execute(select(col(Spool.id), col(Spool.serial)).where(col(Spool.id).in_(spool_ids))).all()
    for number, serial in sorted(serials):
        where = f"spool {serial}"
        yield from _compare(f"lines taken back of {where}", *_pairs(backs[number], sums[number]))
        yield from _spool(where, lives[number], sums[number], balances.get(number))


def _spool(where: str, life: Life, sums: Sums, balance: Balance | None) -> Iterator[str]:
    """Replay one spool; its lines and its balance must be what comes out."""
    state, booked = replay(life.reports)
    due = {(one.movement_id, str(one.kind)): (one.mg, one.value_minor) for one in booked}
    kept = {key: sums[key] for key in sums if key[0] in life.days}
    yield from _compare(f"lines of {where}", kept, due)
    total = (sum(mg for mg, _ in sums.values()), sum(value for _, value in sums.values()))
    yield from _compare(f"sum of the lines of {where}", {("all",): total}, {("all",): (state.left_mg, worth(state))})
    copied = None if balance is None else balance.model_dump(exclude={"spool_id"})
    wanted = {**state._asdict(), "value_minor": worth(state), "last_key": life.last_key}
    if copied != wanted and (life.reports or balance):
        yield f"balance of {where} is {copied}; the ledger says {wanted}."


def _backs_of(session: Session, spool_ids: Sequence[int]) -> dict[int, dict[int, int]]:
    """Give, by spool, the movements that take another back, by that other's number."""
    query = select(col(Movement.spool_id), col(Movement.reverses_id), col(Movement.id)).where(
        col(Movement.spool_id).in_(spool_ids), col(Movement.sign) == -1
    )
    backs: dict[int, dict[int, int]] = {number: {} for number in spool_ids}
    for spool_id, reverses, number in session.execute(query):
        if spool_id is not None and reverses is not None:
            backs[spool_id][reverses] = number
    return backs


def _pairs(backs: Mapping[int, int], sums: Sums) -> tuple[Sums, Sums]:
    """Give the lines of each movement that takes another back, and the opposite of that other's."""
    taking = set(backs.values())
    kept = {key: sums[key] for key in sums if key[0] in taking}
    due = {(backs[number], kind): (-mg, -value) for (number, kind), (mg, value) in sums.items() if number in backs}
    return kept, due


def _compare(where: str, kept: Mapping[Any, tuple[int, ...]], due: Mapping[Any, tuple[int, ...]]) -> Iterator[str]:
    """Give each key whose sums differ; a missing key counts as zeros."""
    if kept == due:
        return
    for key in sorted({*kept, *due}, key=str):
        has, wants = kept.get(key), due.get(key)
        zeros = tuple(0 for _ in (has or wants or ()))
        if (has or zeros) != (wants or zeros):
            named = ", ".join(str(part) for part in key)
            yield f"{where} ({named}) has {has or zeros}; the ledger says {wants or zeros}."


def _day_totals_kept(session: Session) -> dict[Any, tuple[int, ...]]:
    names = ("article_id", "shop_day", "book_day", "kind", "mg", "value_minor")
    rows = session.execute(select(*(getattr(DayTotal, name) for name in names)))
    return {tuple(row[:4]): tuple(row[4:]) for row in rows}


def day_totals_due(session: Session) -> dict[tuple[int, date, date, str], tuple[int, int]]:
    """Give what the ledger adds up to by item, shop day, day in the books and kind."""
    keys = (col(Spool.article_id), col(Movement.shop_day), col(Line.book_day), col(Line.kind))
    booked = (
        select(*keys, func.sum(col(Line.mg)), func.sum(col(Line.value_minor)))
        .select_from(Line)
        .join(Movement, col(Movement.id) == col(Line.movement_id))
        .join(Spool, col(Spool.id) == col(Line.spool_id))
        .group_by(*keys)
    )
    waiting = (
        select(
            col(Movement.article_id),
            col(Movement.shop_day),
            func.sum(col(Movement.sign) * col(Movement.asked_mg)),
        )
        .where(col(Movement.spool_id).is_(None), col(Movement.article_id).is_not(None))
        .group_by(col(Movement.article_id), col(Movement.shop_day))
    )
    sums = {(item, day, on, kind): (int(mg), int(value)) for item, day, on, kind, mg, value in session.execute(booked)}
    sums |= {(item or 0, day, day, OPEN): (int(mg), 0) for item, day, mg in session.execute(waiting)}
    return sums


def _takings_kept(session: Session) -> dict[Any, tuple[int, ...]]:
    rows = session.scalars(select(TakingsDay))
    return {(row.shop_day, row.book_day, row.channel_id, row.kind): (row.amount_minor,) for row in rows}


def _takings_due(session: Session) -> dict[Any, tuple[int, ...]]:
    keys = [col(getattr(TakingsLine, name)) for name in ("shop_day", "book_day", "channel_id", "kind")]
    query = select(*keys, func.sum(col(TakingsLine.amount_minor))).group_by(*keys)
    return {tuple(row[:-1]): (int(row[-1]),) for row in session.execute(query)}


def _shop_days(session: Session) -> Iterator[str]:
    clock = shop_clock(session)
    span_of = cache(clock.span_of)  # a day's span is found once, not once for each of its movements
    query = select(col(Movement.id), col(Movement.occurred_at), col(Movement.shop_day)).order_by(col(Movement.id))
    for number, occurred_at, shop_day in session.execute(query.execution_options(yield_per=10_000)):
        begins, ends = span_of(shop_day)
        if not begins <= occurred_at < ends:
            yield f"movement {number} stands on {shop_day}; by the workshop's clock it is {clock.day_of(occurred_at)}."
