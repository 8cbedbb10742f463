"""The copies of the ledger's sums by day, kept in the same transaction.

`store.ledger` and `store.takings` add to them; `store.proof` compares them with the ledger.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from functools import lru_cache
from typing import Any, NamedTuple

from sqlalchemy import Insert
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session
from sqlmodel import SQLModel

from spoolkeep.store.tables import DayTotal, TakingsDay

OPEN = "open"
"""The kind under which open draws of a known item are summed."""


class DaySum(NamedTuple):
    """Something to add to an item's day."""

    article_id: int | None
    shop_day: date
    book_day: date
    kind: str
    mg: int
    value_minor: int


class TakingsSum(NamedTuple):
    """Something to add to a channel's day."""

    shop_day: date
    book_day: date
    channel_id: int
    kind: str
    amount_minor: int


def add_to_day_totals(session: Session, sums: Iterable[DaySum]) -> None:
    """Add grams and value to items' days. What has no item yet is left out, until it has one."""
    added: dict[tuple[int, date, date, str], tuple[int, int]] = {}
    for one in sums:
        if one.article_id is not None:
            key = (one.article_id, one.shop_day, one.book_day, str(one.kind))
            mg, value = added.get(key, (0, 0))
            added[key] = (mg + one.mg, value + one.value_minor)
    names = ("article_id", "shop_day", "book_day", "kind")
    rows = [
        {**dict(zip(names, key, strict=True)), "mg": mg, "value_minor": value} for key, (mg, value) in added.items()
    ]
    _add(session, DayTotal, rows, ("mg", "value_minor"))


def add_to_takings_days(session: Session, sums: Iterable[TakingsSum]) -> None:
    """Add amounts to channels' days."""
    added: Counter[tuple[date, date, int, str]] = Counter()
    for one in sums:
        added[one.shop_day, one.book_day, one.channel_id, str(one.kind)] += one.amount_minor
    names = ("shop_day", "book_day", "channel_id", "kind")
    rows = [{**dict(zip(names, key, strict=True)), "amount_minor": amount} for key, amount in added.items()]
    _add(session, TakingsDay, rows, ("amount_minor",))


def _add(session: Session, model: type[SQLModel], rows: Sequence[Mapping[str, Any]], sums: tuple[str, ...]) -> None:
    """Insert rows, or add their sums to the rows that are there."""
    if rows:
        session.connection().execute(_adding(session.get_bind().dialect.name, str(model.__tablename__), sums), rows)


@lru_cache
def _adding(dialect: str, table_name: str, sums: tuple[str, ...]) -> Insert:
    """Give the statement that inserts a row, or adds its sums to the one that is there."""
    table = SQLModel.metadata.tables[table_name]
    insert = sqlite.insert if dialect == "sqlite" else postgresql.insert
    statement = insert(table)
    added = {name: table.c[name] + statement.excluded[name] for name in sums}
    keys = [column.name for column in table.primary_key.columns]
    return statement.on_conflict_do_update(index_elements=keys, set_=added)
