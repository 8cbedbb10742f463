"""A workshop goes out as CSV files and comes back the same, from either database into either, or not at all."""

import csv
import itertools
import json
import os
import shutil
import sqlite3
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis.stateful import run_state_machine_as_test
from sqlalchemy import select, text
from sqlmodel import col

import spoolkeep
from spoolkeep.domain.errors import BadInput, Conflict, WrongDatabase
from spoolkeep.services import merging
from spoolkeep.services.carrying import export, load
from spoolkeep.store import guards
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.proof import differences
from spoolkeep.store.revisions import newest
from spoolkeep.store.tables import Act, Person, Workshop
from tests.store.test_ledger_story import LedgerStory
from tests.workshop import TestWorkshop, by, somebody

NOW = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
Fresh = Callable[[], Store]


@pytest.fixture
def fresh_sqlite(sqlite_template: bytes, tmp_path: Path) -> Iterator[Fresh]:
    """Give a maker of new, unused stores on SQLite."""
    made = list[Store]()

    def fresh() -> Store:
        path = tmp_path / f"fresh-{len(made)}.sqlite"
        path.write_bytes(sqlite_template)
        made.append(open_store(f"sqlite:///{path}"))
        return made[-1]

    yield fresh
    for store in made:
        store.close()


@pytest.fixture(params=["sqlite", "postgresql"])
def fresh(request: pytest.FixtureRequest) -> Fresh:
    """Give a maker of new, unused stores, once on each database."""
    name = "fresh_sqlite" if request.param == "sqlite" else "new_postgres_store"
    made: Fresh = request.getfixturevalue(name)
    return made


@pytest.fixture(params=["sqlite", "postgresql"])
def other(request: pytest.FixtureRequest) -> Fresh:
    """Give the same again, so that each database meets each."""
    name = "fresh_sqlite" if request.param == "sqlite" else "new_postgres_store"
    made: Fresh = request.getfixturevalue(name)
    return made


def lived(store: Store) -> TestWorkshop:
    """Give a workshop in which something happened, with words that a CSV must mind."""
    shop = TestWorkshop(store, NOW)
    shop.deliver(2)
    shop.scan(shop.feeds[0])
    shop.plan('=HYPERLINK("x"), “hook”\r\n\\N')
    first, second = shop.item("PLA", "Mos", "#335533"), shop.item("PLA", "Moss", "#335533")
    shop.do(lambda s: merging.merge_items(session=s, now=NOW, by=by(), article_id=first, into_id=second))
    somebody(store, NOW, "Ada")
    with store.write() as session:
        workshop = session.get_one(Workshop, 1)
        workshop.address, workshop.budget_minor = "\\N", None
    return shop


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.glob("*.csv"))}


def written(store: Store, folder: Path) -> dict[str, bytes]:
    export(store, folder, now=NOW)
    return files(folder)


def sound(store: Store) -> None:
    with store.read() as session:
        assert list(differences(session)) == []
        assert guards.installed(session.connection()) == guards.expected(store.engine.dialect.name)


def test_what_comes_back_is_equal_byte_for_byte_from_either_database_into_either(
    fresh: Fresh, other: Fresh, tmp_path: Path
) -> None:
    source, target = fresh(), other()
    lived(source)
    first = written(source, tmp_path / "out")
    rows = load(target, tmp_path / "out")
    assert rows == {name: one["rows"] for name, one in about(tmp_path / "out")["tables"].items()}
    assert written(target, tmp_path / "back") == first
    sound(target)


def test_a_workshop_that_came_back_is_worked_in_as_before(fresh: Fresh, other: Fresh, tmp_path: Path) -> None:
    source, target = fresh(), other()
    lived(source)
    export(source, tmp_path / "out", now=NOW)
    load(target, tmp_path / "out")
    shop = TestWorkshop(target, NOW)
    codes = shop.deliver(1)
    shop.scan(codes[0], shop.feeds[0])
    sound(target)
    with target.read() as session:
        keys = session.scalars(select(col(Act.key))).all()
        assert len(keys) == len(set(keys))


def about(folder: Path) -> dict[str, dict[str, dict[str, int]]]:
    found: dict[str, dict[str, dict[str, int]]] = json.loads((folder / "about.json").read_text(encoding="utf-8"))
    return found


def test_about_says_what_is_there_and_what_is_not(sqlite_store: Store, tmp_path: Path) -> None:
    lived(sqlite_store)
    export(sqlite_store, tmp_path / "out", now=NOW)
    said = json.loads((tmp_path / "out" / "about.json").read_text(encoding="utf-8"))
    assert (said["revision"], said["version"], said["written_at"]) == (
        newest(),
        spoolkeep.__version__,
        "2026-03-04T12:00:00+00:00",
    )
    assert {"token", "visit", "person.password_hash", "act.token_id"} <= set(said["left_out"])
    with (tmp_path / "out" / "job.csv").open(encoding="utf-8", newline="") as file:
        title = next(csv.DictReader(file))["title"]
    assert title == '=HYPERLINK("x"), “hook”\r\n\\N', "exactly as it is, whatever a spreadsheet makes of it"
    everything = b"".join(path.read_bytes() for path in (tmp_path / "out").iterdir())
    assert b"kept for Ada" not in everything


def test_whoever_owned_the_workshop_is_known_and_chooses_a_password_anew(
    sqlite_store: Store, fresh_sqlite: Fresh, tmp_path: Path
) -> None:
    lived(sqlite_store)
    export(sqlite_store, tmp_path / "out", now=NOW)
    target = fresh_sqlite()
    load(target, tmp_path / "out")
    with target.read() as session:
        assert [(one.role, one.password_hash) for one in session.scalars(select(Person))] == [("owner", None)]


def test_a_folder_with_something_in_it_is_left_alone(sqlite_store: Store, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "letter.txt").write_text("Dear Ada")
    with pytest.raises(BadInput, match="not empty"):
        export(sqlite_store, tmp_path / "out", now=NOW)
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["letter.txt"]


def test_an_export_that_breaks_off_leaves_nothing(
    sqlite_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("spoolkeep.store.carrying.sha256_of", full)
    with pytest.raises(BadInput, match="No space left on device"):
        export(sqlite_store, tmp_path / "out", now=NOW)
    assert list((tmp_path / "out").iterdir()) == []


def test_what_is_written_meanwhile_is_not_in_it_and_nobody_waits(
    fresh: Fresh, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = fresh()
    shop = TestWorkshop(store, NOW)
    shop.deliver(1)
    from spoolkeep.store import carrying  # noqa: PLC0415 - what is put in its place is its own

    plain = carrying.sha256_of
    numbers = itertools.count()

    def meanwhile(path: Path) -> str:
        if next(numbers) == 0:
            shop.deliver(1)
        return plain(path)

    monkeypatch.setattr(carrying, "sha256_of", meanwhile)
    out = written(store, tmp_path / "out")
    assert out["spool.csv"].count(b"\r\n") == 1 + 1
    assert out["delivery.csv"].count(b"\r\n") == 1 + 1


def test_nothing_is_loaded_over_a_workshop(fresh: Fresh, tmp_path: Path) -> None:
    source, target = fresh(), fresh()
    lived(source)
    export(source, tmp_path / "out", now=NOW)
    shop = TestWorkshop(target, NOW)
    before = written(target, tmp_path / "before")
    with pytest.raises(Conflict, match="nothing is loaded over it"):
        load(target, tmp_path / "out")
    assert written(target, tmp_path / "after") == before
    del shop


def test_another_revision_is_refused_with_the_version_that_wrote_it(
    sqlite_store: Store, fresh_sqlite: Fresh, tmp_path: Path
) -> None:
    export(sqlite_store, tmp_path / "out", now=NOW)
    path = tmp_path / "out" / "about.json"
    path.write_text(path.read_text(encoding="utf-8").replace(f'"{newest()}"', '"0012"'), encoding="utf-8")
    with pytest.raises(WrongDatabase, match=r"revision 0012, by version 0\.1\.0.*Load it with version 0\.1\.0"):
        load(fresh_sqlite(), tmp_path / "out")


@pytest.mark.parametrize("words", ["", "{}", "[1]", '{"tables": 3}'])
def test_a_folder_that_no_export_wrote_is_refused(fresh_sqlite: Fresh, tmp_path: Path, words: str) -> None:
    with pytest.raises(BadInput, match="cannot be read"):
        load(fresh_sqlite(), tmp_path)
    (tmp_path / "about.json").write_text(words)
    with pytest.raises(BadInput, match="not as 'spoolkeep export' writes it"):
        load(fresh_sqlite(), tmp_path)


@pytest.fixture
def out(sqlite_store: Store, tmp_path: Path) -> Path:
    """Give the export of a workshop that lived."""
    lived(sqlite_store)
    export(sqlite_store, tmp_path / "out", now=NOW)
    return tmp_path / "out"


def edited(out: Path, file: str, before: str, after: str) -> None:
    path = out / file
    said = path.read_bytes().decode()
    assert before in said
    path.write_bytes(said.replace(before, after, 1).encode())


def refused(target: Store, out: Path, *, changed: bool = True) -> str:
    """Give the words with which a folder is refused; the target is as it was."""
    with target.read() as session:
        before = session.scalars(select(col(Workshop.name))).all()
    with pytest.raises(BadInput) as said:
        load(target, out, changed=changed)
    with target.read() as session:
        assert session.scalars(select(col(Workshop.name))).all() == before
        assert session.scalars(select(Act)).all() == []
    sound(target)
    return said.value.words


def test_a_file_that_was_changed_is_refused_unless_that_is_meant(fresh: Fresh, out: Path) -> None:
    edited(out, "machine.csv", "Larch", "Rowan")
    (out / "shopping.csv").write_text("milk")
    target = fresh()
    said = refused(target, out, changed=False)
    assert "machine.csv was changed since it was written." in said
    assert "shopping.csv belongs to no table." in said
    (out / "shopping.csv").unlink()
    load(target, out, changed=True)
    with target.read() as session:
        assert session.execute(text("SELECT name FROM machine")).scalars().all() == ["Rowan"]
    sound(target)


def test_a_file_that_is_missing_is_named(fresh_sqlite: Fresh, out: Path) -> None:
    (out / "spool.csv").unlink()
    assert "spool.csv is missing." in refused(fresh_sqlite(), out)


def test_every_line_that_cannot_be_read_is_named_with_what_to_do(fresh: Fresh, out: Path) -> None:
    edited(out, "actor.csv", "2026-03-04T12:00:00+00:00", "4 March")
    edited(out, "spool.csv", "\r\n1,true,", "\r\n1,yes,")
    edited(out, "spool.csv", "\r\n2,true,", "\r\n2,true,true,")
    edited(out, "line.csv", "id,movement_id", "id,movement")
    edited(out, "place.csv", "Long shelf", '"Long shelf')
    (out / "feed.csv").write_bytes((out / "feed.csv").read_bytes() + b"\xff\xfe,")
    said = refused(fresh(), out)
    for words in (
        "actor.csv, line 2: made_at “4 March” is no moment with its zone",
        "spool.csv, line 2: live “yes” is neither true nor false.",
        "spool.csv, line 3: has 22 cells, and there are 21 columns.",
        "line.csv, line 1: the columns must be id,movement_id,",
        "place.csv, line 2: cannot be read as CSV",
        "feed.csv, line 4: is not UTF-8",
        "load again with --changed",
    ):
        assert words in said, said


def test_lines_that_the_database_refuses_are_named_each(fresh: Fresh, out: Path) -> None:
    edited(out, "spool.csv", "\r\n1,true,1,1,", "\r\n1,true,1,77,")
    edited(out, "spool.csv", "\r\n2,true,2,1,", "\r\n2,true,1,1,")
    said = refused(fresh(), out)
    assert "spool.csv, line 2: article_id 77 stands in no line of article.csv." in said
    (out / "spool.csv").write_bytes((out / "spool.csv").read_bytes().replace(b"\r\n1,true,1,77,", b"\r\n1,true,1,1,"))
    said = refused(fresh(), out)
    assert "spool.csv, line 3: the database refuses it: " in said
    assert "unique" in said.lower()


def test_a_line_begins_where_it_begins_though_a_text_before_it_has_several(fresh_sqlite: Fresh, out: Path) -> None:
    edited(out, "place.csv", "Long shelf", '"Long\r\nand\r\nhigh shelf"')
    path = out / "place.csv"
    path.write_bytes(path.read_bytes() + b"2,maybe\r\n")
    assert "place.csv, line 5: has 2 cells" in refused(fresh_sqlite(), out)


def test_edits_that_fit_the_tables_and_not_the_ledger_are_refused(fresh: Fresh, out: Path) -> None:
    edited(out, "balance.csv", "1000000", "1000001")
    assert "The books would differ:\nbalance of spool 1" in refused(fresh(), out)


def test_a_file_that_a_spreadsheet_saved_with_its_mark_is_read(fresh_sqlite: Fresh, out: Path) -> None:
    path = out / "machine.csv"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\r\n", b"\n"))
    target = fresh_sqlite()
    load(target, out, changed=True)
    sound(target)


def test_so_many_bad_lines_are_named_and_the_rest_is_a_number(fresh_sqlite: Fresh, out: Path) -> None:
    path = out / "place.csv"
    path.write_bytes(path.read_bytes() + b"x\r\n" * 60)
    said = refused(fresh_sqlite(), out)
    assert said.count("place.csv, line ") == 50
    assert "and 10 more." in said


def test_the_demo_goes_out_and_comes_back_the_same(small_demo: Path, other: Fresh, tmp_path: Path) -> None:
    copy = shutil.copy(small_demo / "spoolkeep.sqlite", tmp_path / "demo.sqlite")
    with closing(open_store(f"sqlite:///{copy}")) as store:
        first = written(store, tmp_path / "out")
    target = other()
    load(target, tmp_path / "out")
    assert written(target, tmp_path / "back") == first
    sound(target)


def test_a_long_table_takes_no_more_memory_than_a_short_one(fresh_sqlite: Fresh, tmp_path: Path) -> None:
    peaks = []
    for size in (6_000, 24_000):
        store = fresh_sqlite()
        assert store.file
        with closing(sqlite3.connect(store.file)) as connection, connection:
            rows = ((number, "a", f"a-{number}", "1" * 64) for number in range(size))
            connection.executemany("INSERT INTO import_names (id, sheet, source, names) VALUES (?, ?, ?, ?)", rows)
        tracemalloc.start()
        export(store, tmp_path / f"out-{size}", now=NOW)
        load(fresh_sqlite(), tmp_path / f"out-{size}")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] * 1.2 + 500_000


def _tell(fresh: Fresh, target: Fresh, tmp_path: Path, *, stories: int) -> None:
    numbers = itertools.count()

    class CarriedStory(LedgerStory):
        """A history that at its end goes out, comes back elsewhere, and is the same."""

        def the_books_are_true(self) -> None:
            """Step by step the stories of tests/store hold it; here the end counts."""

        def teardown(self) -> None:
            """Carry the books."""
            folder, back = tmp_path / f"story-{next(numbers)}", target()
            first = written(self.store, folder / "out")
            load(back, folder / "out")
            assert written(back, folder / "back") == first
            sound(back)
            shutil.rmtree(folder)
            back.close()
            super().teardown()

    run_state_machine_as_test(
        lambda: CarriedStory(fresh()),  # type: ignore[arg-type] # Hypothesis takes any maker
        settings=settings(
            max_examples=stories, stateful_step_count=15, deadline=None, suppress_health_check=list(HealthCheck)
        ),
    )


def test_histories_go_out_and_come_back_the_same(fresh_sqlite: Fresh, tmp_path: Path) -> None:
    _tell(fresh_sqlite, fresh_sqlite, tmp_path, stories=int(os.environ.get("SPOOLKEEP_STORIES", "6")))


def test_histories_go_over_to_postgresql_and_are_the_same(
    fresh_sqlite: Fresh, new_postgres_store: Fresh, tmp_path: Path
) -> None:
    stories = max(2, int(os.environ.get("SPOOLKEEP_STORIES", "0")) // 4)
    _tell(fresh_sqlite, new_postgres_store, tmp_path, stories=stories)


def test_histories_of_postgresql_go_over_to_a_file_and_are_the_same(
    fresh_sqlite: Fresh, new_postgres_store: Fresh, tmp_path: Path
) -> None:
    stories = max(2, int(os.environ.get("SPOOLKEEP_STORIES", "0")) // 4)
    _tell(new_postgres_store, fresh_sqlite, tmp_path, stories=stories)
