"""Reports may arrive in any order: the sums by spool, item, kind and shop day come out the same."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, given, settings
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.services import finding, spools
from spoolkeep.services.draws import Drawn, draw_events
from spoolkeep.store.acts import By, once
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.ledger import book
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Act, Balance, DayTotal, Line, Movement
from tests.conftest import NOW
from tests.workshop import TestWorkshop

Told = tuple[str, int, int, int]
"""What, on which spool, how many milligrams, how many hours after the start."""

told = st.lists(
    st.tuples(
        st.sampled_from(["draw", "weigh", "count"]), st.integers(0, 1), st.integers(1, 600_000), st.integers(0, 60)
    ),
    min_size=2,
    max_size=14,
)


def _tell(store: Store, reports: list[tuple[int, Told]]) -> dict[str, Any]:
    shop = TestWorkshop(store, NOW)
    codes = shop.deliver(2, at=NOW)
    now = NOW + timedelta(days=4)
    for number, (what, pick, mg, hours) in reports:
        by, at, code = By(FIRST_ACTOR, f"report-{number:03d}"), NOW + timedelta(hours=hours), codes[pick]
        with store.write() as session:
            if what == "weigh":
                spools.weigh(session=session, now=now, by=by, spool_code=code, gross_mg=mg + 200_000, at=at)
            elif what == "count":
                spools.count(session=session, now=now, by=by, spool_code=code, left_mg=mg, at=at)
            else:
                once(session, "job", by=by, now=now, request={}, answers=int, do=_draw(session, code, mg=mg, at=at))
    return _sums(store)


def _draw(session: Any, code: str, *, mg: int, at: datetime) -> Callable[[Act], int]:  # noqa: ANN401 - a Session
    def do(act: Act) -> int:
        spool_id = finding.spool_of(session, code).id
        book(session, act, draw_events(session, [Drawn(mg, spool_id=spool_id)], at=at, job_id=None))
        return act.id

    return do


def _sums(store: Store) -> dict[str, Any]:
    with store.read() as session:
        assert list(differences(session)) == []
        lines = (
            select(col(Line.spool_id), col(Line.kind), col(Movement.shop_day), func.sum(col(Line.mg)))
            .join(Movement, col(Movement.id) == col(Line.movement_id))
            .group_by(col(Line.spool_id), col(Line.kind), col(Movement.shop_day))
        )
        days = select(col(DayTotal.article_id), col(DayTotal.shop_day), col(DayTotal.kind), col(DayTotal.mg))
        value = select(col(Balance.spool_id), col(Balance.left_mg), col(Balance.value_minor))
        return {
            "lines": {tuple(row[:3]): int(row[3]) for row in session.execute(lines) if row[3]},
            "days": {tuple(row[:3]): int(row[3]) for row in session.execute(days) if row[3]},
            "left": {row[0]: (row[1], row[2]) for row in session.execute(value)},
        }


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(reports=told, data=st.data())
def test_shuffled_reports_come_to_the_same_sums(
    sqlite_template: bytes,
    tmp_path_factory: pytest.TempPathFactory,
    reports: list[Told],
    data: st.DataObject,
) -> None:
    numbered = list(enumerate(reports))
    shuffled = data.draw(st.permutations(numbered))
    sums = []
    for order in (sorted(numbered, key=lambda one: one[1][3]), shuffled):
        path = tmp_path_factory.mktemp("order") / "spoolkeep.sqlite"
        path.write_bytes(sqlite_template)
        store = open_store(f"sqlite:///{path}")
        sums.append(_tell(store, list(order)))
        store.close()
    assert sums[0] == sums[1]


def test_a_late_draw_before_a_weighing_does_not_deduct_twice(store: Store) -> None:
    weighed_then_told: list[Told] = [("weigh", 0, 700_000, 10), ("draw", 0, 300_000, 5)]
    late = _tell(store, list(enumerate(weighed_then_told)))
    assert late["left"][1][0] == 700_000
    assert late["days"][1, NOW.date(), "draw"] == -300_000
    assert (1, NOW.date(), "weighing") not in late["days"]
