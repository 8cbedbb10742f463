"""The generator of the large workshop, at a five-hundredth of its size: its books are sound on both databases."""

from contextlib import closing
from datetime import datetime
from itertools import groupby
from pathlib import Path

from sqlalchemy import func, select, text
from sqlmodel import col

from spoolkeep.domain.words import Kind
from spoolkeep.services import boards, orderbook, stock
from spoolkeep.store import guards
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import Balance, Feed, Line, Movement
from tests.benchmarks.large.workshop import build, size_of

SCALE = 0.002


def test_a_large_workshop_has_sound_books_and_its_size(store: Store, now: datetime) -> None:
    built, size = build(store, now=now, scale=SCALE), size_of(SCALE)
    with store.read() as session:
        assert list(differences(session)) == []
        assert guards.installed(session.connection()) == guards.expected(store.engine.dialect.name)
        left = session.scalar(select(func.count()).where(col(Balance.left_mg) > 0))
        first, last = session.execute(select(func.min(col(Movement.shop_day)), func.max(col(Movement.shop_day)))).one()
        feeds = [
            len(list(some)) for _, some in groupby(session.scalars(select(col(Feed.machine_id)).order_by(col(Feed.id))))
        ]
    assert built.rows["line"] >= size.lines
    assert built.rows["line"] < 1.05 * size.lines
    assert built.rows["spool"] == size.spools
    assert size.kept / 2 <= (left or 0) <= 2 * size.kept
    assert 730 <= (last - first).days <= 732
    assert sorted(set(feeds)) == [1, 4]


def test_it_writes_as_a_service_would_and_leaves_nothing_pointing_nowhere(sqlite_store: Store, now: datetime) -> None:
    build(sqlite_store, now=now, scale=SCALE)
    with sqlite_store.engine.connect() as connection:
        assert connection.execute(text("PRAGMA foreign_key_check")).all() == []
    with sqlite_store.read() as session:
        kinds = set(session.scalars(select(col(Line.kind)).distinct()))
        assert {Kind.OPENING, Kind.DELIVERY, Kind.DRAW, Kind.COUNT, Kind.WEIGHING} <= kinds
        assert any(feed.standby for machine in boards.board(session=session, now=now) for feed in machine.feeds)
        assert stock.rows(session=session, now=now)
        assert orderbook.listed(session=session, now=now)


def test_it_is_the_same_each_time(sqlite_template: bytes, tmp_path: Path, now: datetime) -> None:
    def told(name: str) -> list[tuple[object, ...]]:
        path = tmp_path / name
        path.write_bytes(sqlite_template)
        columns = (Movement.id, Movement.sort_key, Movement.asked_mg, Movement.leaves_mg, Movement.spool_id)
        with closing(open_store(f"sqlite:///{path}")) as store:
            build(store, now=now, scale=SCALE)
            with store.read() as session:
                return [tuple(row) for row in session.execute(select(*map(col, columns)).order_by(col(Movement.id)))]

    assert told("one.sqlite") == told("another.sqlite")
