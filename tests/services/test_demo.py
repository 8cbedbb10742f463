"""The demo: an invented workshop whose history ends yesterday, built through the ordinary imports and services."""

import tomllib
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from spoolkeep.domain.errors import Conflict
from spoolkeep.services import bench, joblist, money, orders, stock
from spoolkeep.services.demo import (
    AS_IT_WAS,
    BUILT,
    SETTINGS,
    DemoBuilt,
    build_demo,
    demo_folder,
    moved_dates,
    prepare,
)
from spoolkeep.services.instance import Instance
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import Workshop
from spoolkeep.store.upgrade import upgrade

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
LARGEST_JOBS_BYTES = 60_000


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, DemoBuilt]]:
    """Give the demo, built once."""
    store = open_store(f"sqlite:///{tmp_path_factory.mktemp('demo') / 'demo.sqlite'}")
    upgrade(store, now=NOW)
    yield store, build_demo(store_write=store.write, folder=demo_folder(), now=NOW)
    store.close()


def test_the_books_of_the_demo_have_no_fault(demo: tuple[Store, DemoBuilt]) -> None:
    with demo[0].read() as session:
        assert list(differences(session)) == []


def test_the_demo_builds_on_either_database(store: Store) -> None:
    built = build_demo(store_write=store.write, folder=demo_folder(), now=NOW)
    with store.read() as session:
        assert list(differences(session)) == []
    assert built.orders == 5


def test_the_demo_has_a_workshop_of_five_machines_and_a_season_of_jobs(demo: tuple[Store, DemoBuilt]) -> None:
    rows = demo[1].rows
    assert rows["machines"] == 5
    assert rows["articles"] == 12
    assert 30 <= rows["spools"] <= 40
    assert 450 <= rows["jobs"] <= 700


def test_the_history_of_the_demo_ends_yesterday(demo: tuple[Store, DemoBuilt]) -> None:
    store, _ = demo
    with store.read() as session:
        clock = load_shop(session).clock
        last = joblist.ended(session=session)[0].ended_at
    assert last is not None
    assert clock.day_of(last) == clock.day_of(NOW) - timedelta(days=1)


def test_the_feeds_of_the_demo_have_something_to_say(demo: tuple[Store, DemoBuilt]) -> None:
    store, _ = demo
    with store.read() as session:
        feeds = [feed for machine in bench.board(session=session, now=NOW) for feed in machine.feeds]
        assert joblist.open_draws(session=session)
        assert joblist.to_come(session=session)
    loaded = [feed.loaded for feed in feeds if feed.loaded]
    assert len(loaded) < len(feeds)
    assert any(one.doubtful for one in loaded)
    assert any(0 < one.left_mg < 200_000 for one in loaded)


def test_one_colour_of_the_demo_sells_most_and_some_is_due_to_be_ordered(demo: tuple[Store, DemoBuilt]) -> None:
    store, _ = demo
    with store.read() as session:
        rows = stock.rows(session=session, now=NOW)
        states = {one.state for one in orders.listed(session=session, now=NOW)}
        assert orders.advise(session=session, now=NOW)
    daily = {row.item.name: row.days.daily_mg for row in rows}
    assert max(daily, key=lambda name: daily[name]) == "PLA Black"
    assert {"sent", "part in", "in"} <= states


def test_material_share_of_the_demo_is_that_of_a_mature_workshop(demo: tuple[Store, DemoBuilt]) -> None:
    store, _ = demo
    with store.read() as session:
        months = money.view(session=session).months
    drawn, takings = sum(one.drawn_minor for one in months), sum(one.takings_minor for one in months)
    # between 1 and 2 per cent of takings: common practice
    assert 0.012 < drawn / takings < 0.017


def test_every_date_of_the_demo_is_moved_by_the_same_days() -> None:
    moved = moved_dates("2026-02-27 23:10,x,2026-02-28\n12026-02-281", timedelta(days=2))
    assert moved == "2026-03-01 23:10,x,2026-03-02\n12026-02-281"


def test_the_demo_s_last_day_is_that_of_its_jobs() -> None:
    config = tomllib.loads((demo_folder() / SETTINGS).read_text(encoding="utf-8"))
    days = [line[:10] for line in (demo_folder() / "jobs.csv").read_text(encoding="utf-8").splitlines()[1:]]
    clock_turns = date.fromisoformat(max(filter(lambda day: day[:1].isdigit(), days)))
    assert clock_turns in {config["history_ends"], config["history_ends"] + timedelta(days=1)}


def test_the_demo_s_files_are_small_enough_to_read() -> None:
    assert (demo_folder() / "jobs.csv").stat().st_size < LARGEST_JOBS_BYTES


def test_the_demo_is_built_once_and_anew_when_asked(tmp_path: Path) -> None:
    instance = Instance(tmp_path)
    assert prepare(instance, now=NOW) == BUILT
    assert prepare(instance, now=NOW) == AS_IT_WAS
    assert prepare(instance, now=NOW + timedelta(days=3), fresh=True) == BUILT


def test_the_demo_never_takes_the_place_of_a_real_workshop(tmp_path: Path, sqlite_template: bytes) -> None:
    from_before = open_store(f"sqlite:///{tmp_path / 'spoolkeep.sqlite'}")
    (tmp_path / "spoolkeep.sqlite").write_bytes(sqlite_template)
    with from_before.write() as session:
        session.get_one(Workshop, 1).ready_at = NOW
    from_before.close()
    with pytest.raises(Conflict, match="not the demo"):
        prepare(Instance(tmp_path), now=NOW, fresh=True)
