"""`check` finds any copy that was changed by hand, and says where."""

from datetime import datetime

import pytest
from sqlalchemy import text

from spoolkeep.domain.words import Outcome, TakingsKind
from spoolkeep.services import jobs, takings
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.takings import Taken
from spoolkeep.store import guards
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from tests.workshop import TestWorkshop, by

MEDDLING = {
    "balance of spool 1": "UPDATE balance SET left_mg = left_mg - 1 WHERE spool_id = 1",
    "balance of spool 2": "UPDATE balance SET value_minor = value_minor + 1 WHERE spool_id = 2",
    "balance of spool 3": "UPDATE balance SET doubtful = NOT doubtful WHERE spool_id = 3",
    "day_total": "UPDATE day_total SET mg = mg + 1 WHERE kind = 'delivery'",
    "day_total (1": "DELETE FROM day_total WHERE article_id = 1",
    "takings_day": "UPDATE takings_day SET amount_minor = amount_minor + 1",
    "append-only guards": "DROP TRIGGER guard_line_update",
}


@pytest.fixture
def kept(store: Store, now: datetime) -> Store:
    shop = TestWorkshop(store, now)
    shop.deliver(3)
    report = JobReport("Hook", None, (FeedGrams(5_000, article_id=shop.articles[0]),))
    shop.do(lambda s: jobs.report_job(session=s, now=now, by=by(), report=report, outcome=Outcome.GOOD))
    shop.do(
        lambda s: takings.enter(
            session=s,
            now=now,
            by=by(),
            taken=[Taken(shop_day=now.date(), channel="Market", amount_minor=5000, kind=TakingsKind.SALE)],
        )
    )
    return store


def test_sound_books_pass(kept: Store) -> None:
    with kept.read() as session:
        assert list(differences(session)) == []


@pytest.mark.parametrize("where", sorted(MEDDLING))
def test_a_copy_changed_by_hand_is_named(kept: Store, where: str) -> None:
    statement = MEDDLING[where]
    if statement.startswith("DROP TRIGGER") and kept.engine.dialect.name == "postgresql":
        statement += " ON line"
    with kept.engine.begin() as connection:
        connection.execute(text(statement))
    with kept.read() as session:
        assert where in next(differences(session))


def test_a_line_changed_behind_lifted_guards_is_named(kept: Store) -> None:
    with kept.engine.begin() as connection, guards.lifted(connection, "line"):
        connection.execute(text("UPDATE line SET mg = mg + 1 WHERE spool_id = 1"))
    with kept.read() as session:
        assert "lines of spool 1" in next(differences(session))
