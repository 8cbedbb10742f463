"""Spools that go over to another item, and items that merge: the books stay exact, and an undo leaves no trace."""

from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, given, settings
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.words import CostFlow
from spoolkeep.services import books, finding, merging, moving, setup, spools, undoing
from spoolkeep.services.draws import Drawn, draw_events
from spoolkeep.store.acts import once
from spoolkeep.store.carrying import carried
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.ledger import book
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import Act, DayTotal, Line, Workshop
from tests.conftest import NOW
from tests.workshop import TestWorkshop, by

HISTORY = {"act", "answer", "change", "item_move", "movement", "line"}
"""What is only ever added to."""
FIRST = datetime(2026, 1, 5, 9, tzinfo=NOW.tzinfo)
Told = tuple[str, int, int, int]
"""What, on which spool, how many milligrams, how many days after the first delivery."""
told = st.lists(
    st.tuples(
        st.sampled_from(["draw", "weigh", "open", "deliver"]),
        st.integers(0, 3),
        st.integers(1, 600_000),
        st.integers(0, 57),
    ),
    max_size=12,
)
closings = st.sampled_from([(), (date(2026, 1, 31),), (date(2026, 1, 31), date(2026, 2, 28))])


class Story:
    """A workshop of two items with two spools of each, in which things happened and months were closed."""

    def __init__(self, store: Store, reports: list[Told], closed: tuple[date, ...], flow: CostFlow) -> None:
        self.shop = TestWorkshop(store, NOW)
        self.first, self.second = self.shop.articles[:2]
        self._flow(flow)
        self.codes = [code for item in (0, 1) for code in self.shop.deliver(2, article=item, at=FIRST)]
        early = [one for one in reports if one[3] < 40]
        for one in early:
            self._tell(*one)
        for through in closed:
            self._close(through)
        for one in reports:
            if one not in early:
                self._tell(*one)

    def _close(self, through: date) -> None:
        self.shop.do(lambda s: setup.close_books(session=s, now=NOW, by=by(), through=through))

    def _flow(self, flow: CostFlow) -> None:
        with self.shop.store.write() as session:
            session.get_one(Workshop, 1).cost_flow = flow

    def _tell(self, what: str, pick: int, mg: int, days: int) -> None:
        code, at = self.codes[pick], FIRST + timedelta(days=days, hours=1)
        if what == "deliver":
            self.shop.deliver(1, article=pick % 2, price_minor=1000 + mg % 997, at=at)
        elif what == "weigh":
            self.shop.do(
                lambda s: spools.weigh(session=s, now=NOW, by=by(), spool_code=code, gross_mg=mg + 200_000, at=at)
            )
        else:
            self.shop.do(lambda s: self._draw(s, code if what == "draw" else None, pick, mg=mg, at=at))

    def _draw(self, session: Session, code: str | None, pick: int, *, mg: int, at: datetime) -> int:
        spool_id = finding.spool_of(session, code).id if code else None
        drawn = Drawn(mg, spool_id=spool_id, article_id=None if code else self.shop.articles[pick % 2])

        def do(act: Act) -> int:
            book(session, act, draw_events(session, [drawn], at=at, job_id=None))
            return act.id

        return once(session, "job", by=by(), now=NOW, request={}, answers=int, do=do)

    def mend(self, how: str) -> int:
        """Give the act that moves the first spool of the first item to the second, or merges the first into that."""
        if how == "move":
            return self.shop.do(
                lambda s: moving.move_spool(
                    session=s, now=NOW, by=by(), spool_code=self.codes[0], article_id=self.second
                )
            ).act_id
        return self.shop.do(
            lambda s: merging.merge_items(session=s, now=NOW, by=by(), article_id=self.first, into_id=self.second)
        ).act_id

    def undo(self, act_id: int) -> int:
        """Give the act that takes another back."""
        return self.shop.do(lambda s: undoing.undo_act(session=s, now=NOW, by=by(), act_id=act_id)).act_id

    def told(self) -> "Books":
        """Give what the books say, once they are proved."""
        with self.shop.store.read() as session:
            assert list(differences(session)) == []
            lines = select(col(Line.kind), func.sum(col(Line.mg)), func.sum(col(Line.value_minor)))
            rows = session.execute(lines.group_by(col(Line.kind)).order_by(col(Line.kind)))
            days = select(DayTotal).where(col(DayTotal.kind).in_(("draw", "open")), col(DayTotal.mg) != 0)
            demand: dict[int, Counter[date]] = {self.first: Counter(), self.second: Counter()}
            for row in session.scalars(days):
                demand[row.article_id][row.shop_day] -= row.mg
            by_month = books.by_month(session=session, now=NOW)
            assert all(flow.gap_minor == 0 for month in by_month.months for flow in month.by_item.values())
            assert all(month.by_spool.gap_minor == 0 for month in by_month.months)
            return Books(
                sums=tuple((kind, int(mg), int(value)) for kind, mg, value in rows),
                demand=demand,
                closed=[
                    (one.month, one.flow, one.by_spool, dict(one.by_item)) for one in by_month.months if one.is_closed
                ],
                spool_flows=[one.by_spool for one in by_month.months],
                flows=[(one.flow, dict(one.by_item)) for one in by_month.months],
                stock=[
                    [(one.item.article_id, one.mg, one.minor, one.spools) for one in on.items]
                    for on in (books.stock_on(session=session, now=NOW, day=day) for day in DAYS)
                ],
            )

    def tables(self) -> dict[str, list[tuple[Any, ...]]]:
        """Give every row that an export holds, but for the history and days on which nothing stands any more."""
        with self.shop.store.read() as session:
            found = {
                one.table.name: sorted((tuple(row) for row in session.execute(select(*one.columns))), key=repr)
                for one in carried()
                if one.table.name not in HISTORY
            }
        found["day_total"] = [row for row in found["day_total"] if row[-2:] != (0, 0)]
        return found


@dataclass(frozen=True)
class Books:
    """What the books say."""

    sums: tuple[tuple[str, int, int], ...]
    demand: dict[int, Counter[date]]
    closed: list[Any]
    spool_flows: list[Any]
    flows: list[Any]
    stock: list[Any]


DAYS = (date(2026, 1, 31), date(2026, 2, 28), date(2026, 3, 1), date(2026, 3, 4))


def _holds(store: Store, reports: list[Told], closed: tuple[date, ...], flow: CostFlow, *, how: str) -> None:
    story = Story(store, reports, closed, flow)
    before, rows = story.told(), story.tables()
    act_id = story.mend(how)
    after = story.told()
    assert after.sums == before.sums, "milligrams and cents"
    both = before.demand[story.first] + before.demand[story.second]
    assert after.demand[story.first] + after.demand[story.second] == both, "no day of demand is lost"
    if how == "merge":
        assert not after.demand[story.first]
        assert after.demand[story.second] == both
    assert after.closed == before.closed, "closed months stay as they were closed"
    assert after.spool_flows == before.spool_flows
    if closed:
        assert after.stock[len(closed) - 1] == before.stock[len(closed) - 1], "a stock list of a closed day stays"
    undo_id = story.undo(act_id)
    undone = story.told()
    assert not _others(story.tables(), rows), "an undo leaves nothing but history"
    assert undone == before
    redo_id = story.undo(undo_id)
    assert story.told() == after
    story.undo(redo_id)
    assert not _others(story.tables(), rows)


def _others(now: dict[str, list[tuple[Any, ...]]], before: dict[str, list[tuple[Any, ...]]]) -> list[tuple[str, Any]]:
    """Give the rows in which two exports differ, by table."""
    return [(name, row) for name, rows in now.items() for row in set(rows) ^ set(before[name])]


@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(reports=told, closed=closings, flow=st.sampled_from(CostFlow), how=st.sampled_from(["move", "merge"]))
def test_whatever_happened_a_move_or_a_merge_carries_all_of_it_over_and_an_undo_brings_all_of_it_back(
    sqlite_template: bytes,
    tmp_path_factory: pytest.TempPathFactory,
    reports: list[Told],
    closed: tuple[date, ...],
    flow: CostFlow,
    how: str,
) -> None:
    path = tmp_path_factory.mktemp("moves") / "spoolkeep.sqlite"
    path.write_bytes(sqlite_template)
    with closing(open_store(f"sqlite:///{path}")) as store:
        _holds(store, reports, closed, flow, how=how)


LIVED: list[Told] = [
    ("draw", 0, 300_000, 3),
    ("draw", 2, 120_000, 3),
    ("open", 0, 40_000, 9),
    ("weigh", 0, 500_000, 20),
    ("deliver", 0, 400, 30),
    ("draw", 0, 700_000, 45),
    ("open", 1, 5_000, 50),
    ("draw", 0, 50_000, 2),
]


@pytest.mark.parametrize("how", ["move", "merge"])
@pytest.mark.parametrize("closed", [(), (date(2026, 1, 31),)])
def test_each_database_carries_over_and_brings_back(store: Store, how: str, closed: tuple[date, ...]) -> None:
    _holds(store, LIVED, closed, CostFlow.AVERAGE, how=how)
