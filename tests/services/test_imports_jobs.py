"""Imports of jobs that were planned before: a later row of the same job ends it, once, and undoing plans it again."""

from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from sqlalchemy import select
from sqlmodel import col

from spoolkeep.domain.errors import Conflict
from spoolkeep.services import joblist, jobs, spools, stock
from spoolkeep.services.imports import ImportReport, import_sheet
from spoolkeep.services.undoing import undo_act
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import Job, Machine

Give = Callable[..., ImportReport]

HEAD = "job,title,ended_at,grams,material,colour,state,outcome,machine,due_at,started_at\n"
PLANNED = (
    f"{HEAD}17,Vase,,120,PLA,Black,planned,,,2026-03-09 18:00,\n17,Vase,,9,PLA,White,planned,,,2026-03-09 18:00,\n"
)
ENDED = "17,Vase,2026-03-03 15:00,{},PLA,{},{},{},{},,\n"


@pytest.fixture
def give(store: Store, now: datetime, by: Callable[[], By]) -> Give:
    """Give what imports a sheet's text with a new key, and proves the books after it."""

    def import_it(sheet: str, text: str, *, source: str = "") -> ImportReport:
        with store.write() as session:
            report = import_sheet(
                session=session, now=now, by=by(), sheet=sheet, source=source or f"{sheet}.csv", data=text.encode()
            )
        with store.read() as session:
            assert list(differences(session)) == []
        return report

    return import_it


@pytest.fixture
def codes(give: Give) -> tuple[str, ...]:
    """Give the codes of a black and a white spool of 1000 g, beside a machine and a planned job that has none."""
    head = "material,colour,shade,left_g,counted_on,received_on\n"
    rows = "PLA,Black,#222222,1000,2026-02-01,2026-02-01\nPLA,White,#ffffff,1000,2026-02-01,2026-02-01\n"
    give("machines", "name\nHeron\n")
    made = give("spools", head + rows).codes
    assert give("jobs", PLANNED).problems == ()
    return made


def grams(store: Store, now: datetime, codes: tuple[str, ...]) -> tuple[list[float], float]:
    """Give what is left on each spool, and what is committed in all."""
    with store.read() as session:
        left = [spools.view(session=session, spool_code=code).left_mg / 1000 for code in codes]
        return left, sum(row.committed_mg for row in stock.rows(session=session, now=now)) / 1000


def only_job(store: Store) -> Job:
    with store.read() as session:
        return session.scalars(select(Job)).one()


def test_a_planned_job_ends_where_a_later_sheet_says_so(
    store: Store, give: Give, now: datetime, codes: tuple[str, ...]
) -> None:
    assert grams(store, now, codes) == ([1000, 1000], 129)
    rows = ENDED.format(118, "Black", "ended", "", "Heron") + ENDED.format(10, "White", "ended", "", "")
    assert give("jobs", HEAD + rows).problems == ()
    assert grams(store, now, codes) == ([882, 990], 0)
    job = only_job(store)
    with store.read() as session:
        heron = session.scalars(select(Machine)).one()
        (listed,) = joblist.ended(session=session)
    assert (job.state, job.outcome, job.machine_id) == ("ended", "good", heron.id)
    # what the sheet left empty stays as it was planned; Setup's zone at first is UTC
    assert job.due_at == datetime(2026, 3, 9, 18, 0, tzinfo=UTC)
    assert listed.drawn_mg == 128_000


def test_a_job_that_a_sheet_ended_is_not_ended_twice(
    store: Store, give: Give, now: datetime, codes: tuple[str, ...], by: Callable[[], By]
) -> None:
    ended = HEAD + ENDED.format(118, "Black", "ended", "", "Heron")
    give("jobs", ended)
    assert (give("jobs", ended).new, give("jobs", PLANNED).new) == (0, 0)
    assert grams(store, now, codes) == ([882, 1000], 0)
    with store.write() as session, pytest.raises(Conflict, match="ended already"):
        jobs.start_job(session=session, now=now, by=by(), job_id=only_job(store).id)
    # a colour that was forgotten comes later
    assert give("jobs", HEAD + ENDED.format(10, "White", "ended", "", "Heron")).problems == ()
    assert grams(store, now, codes) == ([882, 990], 0)


def test_undoing_the_sheet_that_ended_a_job_plans_it_again(
    store: Store, give: Give, now: datetime, codes: tuple[str, ...], by: Callable[[], By]
) -> None:
    report = give("jobs", HEAD + ENDED.format(118, "Black", "ended", "", "Heron"))
    with store.write() as session:
        undone = undo_act(session=session, now=now, by=by(), act_id=report.act_id or 0)
    assert grams(store, now, codes) == ([1000, 1000], 129)
    job = only_job(store)
    assert (job.state, job.outcome, job.machine_id, job.ended_at) == ("planned", None, None, None)
    with store.write() as session:
        undo_act(session=session, now=now, by=by(), act_id=undone.act_id)
    assert grams(store, now, codes) == ([882, 1000], 0)


def test_a_running_job_ends_by_a_sheet_but_not_before_it_started(
    store: Store, give: Give, now: datetime, codes: tuple[str, ...], by: Callable[[], By]
) -> None:
    with store.write() as session:
        jobs.start_job(session=session, now=now, by=by(), job_id=only_job(store).id)
    (problem,) = give("jobs", HEAD + ENDED.format(118, "Black", "ended", "", "")).problems
    assert (problem.line, problem.column, problem.code) == (2, "ended_at", "ends_before_it_starts")
    at_noon = ENDED.format(118, "Black", "ended", "", "").replace("2026-03-03 15:00", "2026-03-04 12:00")
    assert give("jobs", HEAD + at_noon).problems == ()
    assert grams(store, now, codes) == ([882, 1000], 0)


@pytest.mark.parametrize("outcome", ["stopped", "failed"])
def test_a_planned_job_is_called_off_with_no_grams(
    store: Store, give: Give, now: datetime, codes: tuple[str, ...], outcome: str
) -> None:
    (problem,) = give("jobs", HEAD + ENDED.format(0, "Black", "ended", "good", "")).problems
    assert (problem.column, problem.code) == ("grams", "not_positive")
    assert give("jobs", HEAD + ENDED.format(0, "Black", "ended", outcome, "")).problems == ()
    assert grams(store, now, codes) == ([1000, 1000], 0)
    assert only_job(store).outcome == outcome
    with store.read() as session:
        assert joblist.open_draws(session=session) == []


@pytest.mark.usefixtures("codes")
def test_a_row_that_ends_a_job_says_nothing_else_of_it_than_its_plan(store: Store, give: Give) -> None:
    other = ENDED.format(118, "Black", "ended", "", "").replace("Vase", "Bowl")
    (problem,) = give("jobs", HEAD + other).problems
    assert (problem.column, problem.code) == ("title", "rows_disagree")
    assert "the books have another “title”" in problem.words
    rows = ENDED.format(118, "Black", "ended", "", "") + ENDED.format(9, "White", "ended", "failed", "")
    (problem,) = give("jobs", HEAD + rows).problems
    assert (problem.line, problem.column) == (3, "outcome")
    assert "line 2 has another “outcome”" in problem.words
    assert only_job(store).state == "planned"


@pytest.mark.usefixtures("codes")
def test_a_job_of_the_same_number_in_another_file_is_another_job(store: Store, give: Give) -> None:
    assert give("jobs", HEAD + ENDED.format(118, "Black", "ended", "", ""), source="birch.csv").problems == ()
    with store.read() as session:
        assert sorted(session.scalars(select(col(Job.state)))) == ["ended", "planned"]
