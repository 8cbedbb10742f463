"""A copy of a database in use is of one moment, proved before it has a name, and never half."""

import os
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import NamedTuple

import pytest

from spoolkeep.domain.errors import Conflict, WrongDatabase
from spoolkeep.store import copying
from spoolkeep.store.copying import copy_in_use, proved, proved_apart
from spoolkeep.store.holding import hold


@pytest.fixture(params=["TRUNCATE", "WAL"])
def database(request: pytest.FixtureRequest, sqlite_set_up: bytes, tmp_path: Path) -> Path:
    """Give a workshop's file, once with each way of keeping a journal."""
    path = tmp_path / "spoolkeep.sqlite"
    path.write_bytes(sqlite_set_up)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute(f"PRAGMA journal_mode={request.param}").fetchone()[0].upper() == request.param
        connection.execute("CREATE TABLE told (number INTEGER PRIMARY KEY, words TEXT)")
        connection.commit()
    return path


@contextmanager
def writer(database: Path) -> Iterator[list[int]]:
    """Write as fast as it goes until the block ends; the list holds what was acknowledged."""
    told, over = list[int](), threading.Event()

    def write() -> None:
        with closing(sqlite3.connect(database, isolation_level=None, timeout=20)) as connection:
            connection.execute("PRAGMA synchronous=OFF")
            while not over.is_set():
                connection.execute("INSERT INTO told (words) VALUES (?)", ("grams" * 50,))
                told.append(len(told) + 1)

    thread = threading.Thread(target=write)
    thread.start()
    try:
        yield told
    finally:
        over.set()
        thread.join()


def rows(path: Path) -> list[int]:
    with closing(sqlite3.connect(path)) as connection:
        return [number for (number,) in connection.execute("SELECT number FROM told ORDER BY number")]


def nothing_else(folder: Path, *names: str) -> None:
    assert {path.name for path in folder.iterdir()} == set(names)


@pytest.mark.parametrize("pages", [3, copying.STEP_PAGES])
def test_what_was_acknowledged_before_a_copy_is_in_it_while_others_write_on(
    database: Path, tmp_path: Path, pages: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(copying, "STEP_PAGES", pages)
    target = tmp_path / "copies" / "one.sqlite"
    with writer(database) as told:
        while len(told) < 200:
            time.sleep(0.001)
        before = len(told)
        copied, proof = copy_in_use(database, target)
        after = len(told)
    assert copied == target
    assert proof.difference is None
    there = rows(target)
    assert there == list(range(1, len(there) + 1)), "a copy of one moment has no gaps"
    assert before <= len(there) <= after + 1
    nothing_else(target.parent, "one.sqlite")


@pytest.mark.parametrize("in_memory", [0, copying.IN_MEMORY_BYTES])
def test_a_copy_that_would_hold_writers_up_too_long_is_given_up_and_leaves_nothing(
    sqlite_set_up: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, in_memory: int
) -> None:
    database, target = tmp_path / "spoolkeep.sqlite", tmp_path / "copies" / "one.sqlite"
    database.write_bytes(sqlite_set_up)
    monkeypatch.setattr(copying, "STEP_PAGES", 3)
    monkeypatch.setattr(copying, "BEGUN_AGAIN", -1)
    monkeypatch.setattr(copying, "IN_MEMORY_BYTES", in_memory)
    monkeypatch.setattr(copying, "_free_memory", lambda: 0)
    with closing(sqlite3.connect(database)) as connection, connection:
        connection.execute("PRAGMA journal_mode=TRUNCATE")
        connection.execute("CREATE TABLE told (number INTEGER PRIMARY KEY, words TEXT)")
    with writer(database) as told:
        monkeypatch.setattr(copying, "LONGEST_WAIT_SECONDS", -1.0)
        with pytest.raises(Conflict, match="hold writers up too long"):
            copy_in_use(database, target)
        nothing_else(target.parent)
        monkeypatch.setattr(copying, "LONGEST_WAIT_SECONDS", 6.0)
        before = len(told)
        copy_in_use(database, target)
    assert len(rows(target)) >= before


def test_a_copy_is_one_file_whatever_is_kept_beside_the_one_in_use(database: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(database, isolation_level=None)) as still_open:
        still_open.execute("INSERT INTO told (words) VALUES ('in the log')")
        copied, _ = copy_in_use(database, tmp_path / "copies" / "one.sqlite")
    assert rows(copied) == [1]
    assert copied.read_bytes()[18:20] == b"\x01\x01", "no write-ahead log. Source: SQLite, Database File Format, 1.3.3"
    nothing_else(copied.parent, "one.sqlite")


class Fault(NamedTuple):
    """A way in which a copy may go wrong, and what is said."""

    what: Callable[[Path], None]
    words: str


def _torn(part: Path) -> None:
    data = bytearray(part.read_bytes())
    data[8192:12288] = b"\xff" * 4096
    part.write_bytes(data)


def _cut(part: Path) -> None:
    part.write_bytes(part.read_bytes()[:20_000])


def _other(part: Path) -> None:
    part.unlink()
    with closing(sqlite3.connect(part)) as connection:
        connection.execute("CREATE TABLE shopping (what TEXT)")


def _newer(part: Path) -> None:
    with closing(sqlite3.connect(part)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")


FAULTS = {
    "torn": Fault(_torn, "not a sound database"),
    "cut": Fault(_cut, "not a sound database"),
    "other": Fault(_other, "not a workshop's database"),
    "newer": Fault(_newer, "newer one made it"),
}


@pytest.mark.parametrize("fault", sorted(FAULTS))
def test_a_bad_copy_is_removed_and_said(
    database: Path, tmp_path: Path, fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    copied = copying.copy_pages

    def badly(source: Path, part: Path) -> None:
        copied(source, part)
        FAULTS[fault].what(part)

    monkeypatch.setattr(copying, "copy_pages", badly)
    with pytest.raises(WrongDatabase, match=FAULTS[fault].words):
        copy_in_use(database, tmp_path / "copies" / "one.sqlite")
    nothing_else(tmp_path / "copies")


def test_a_copy_that_breaks_off_leaves_nothing(database: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(_: Path) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(copying, "proved", stopped)
    with pytest.raises(KeyboardInterrupt):
        copy_in_use(database, tmp_path / "copies" / "one.sqlite")
    nothing_else(tmp_path / "copies")


def test_a_copy_whose_books_differ_is_kept_under_a_name_that_says_so(database: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(database)) as connection, connection:
        connection.execute("INSERT INTO day_total VALUES (1, '2026-01-02', '2026-01-02', 'draw', 5, 5)")
    copied, proof = copy_in_use(database, tmp_path / "copies" / "one.sqlite")
    assert copied.name == "differs-one.sqlite"
    assert proof.difference
    assert "day_total" in proof.difference
    nothing_else(copied.parent, "differs-one.sqlite")


class Deadly(type(Path())):  # type: ignore[misc] # Path is made for each system
    """A path that ends whichever process reads it."""

    def __reduce__(self) -> tuple[object, tuple[int]]:
        """Give what ends it."""
        return os._exit, (3,)


def test_a_process_that_is_ended_proves_nothing(tmp_path: Path) -> None:
    with pytest.raises(WrongDatabase, match="could not be proved"):
        proved_apart(Deadly(tmp_path))


def test_a_process_of_its_own_finds_the_same(database: Path, tmp_path: Path) -> None:
    copied, proof = copy_in_use(database, tmp_path / "copies" / "one.sqlite", apart=True)
    assert proof == proved(copied)
    _torn(copied)
    with pytest.raises(WrongDatabase) as here:
        proved(copied)
    with pytest.raises(WrongDatabase) as there:
        proved_apart(copied)
    assert (there.value.code, there.value.words) == (here.value.code, here.value.words)


def test_no_copy_is_written_over(database: Path) -> None:
    before = database.read_bytes()
    with pytest.raises(Conflict, match="no copy is written over"):
        copy_in_use(database, database)
    assert database.read_bytes() == before


def test_a_disk_without_room_is_said_before_anything_is_copied(
    database: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = shutil.disk_usage(tmp_path)._replace(free=1_000_000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: full)
    with pytest.raises(Conflict, match=r"1 MB free\. Nothing was removed") as refused:
        copy_in_use(database, tmp_path / "copies" / "one.sqlite")
    assert refused.value.code == "disk_full"
    nothing_else(tmp_path / "copies")


def test_a_database_that_another_program_holds_is_waited_for_and_then_said(
    sqlite_set_up: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    database = tmp_path / "spoolkeep.sqlite"
    database.write_bytes(sqlite_set_up)
    monkeypatch.setattr(copying, "BUSY_SECONDS", 0.2)
    with closing(sqlite3.connect(database, isolation_level=None)) as other:
        other.execute("PRAGMA journal_mode=TRUNCATE")
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(Conflict, match="holds the database"):
            copy_in_use(database, tmp_path / "copies" / "one.sqlite")
    nothing_else(tmp_path / "copies")


def test_proving_a_file_changes_nothing_in_it_or_beside_it(database: Path, tmp_path: Path) -> None:
    copied, _ = copy_in_use(database, tmp_path / "copies" / "one.sqlite")
    copied.chmod(0o400)
    before = copied.read_bytes(), copied.stat().st_mtime_ns
    proved(copied)
    assert (copied.read_bytes(), copied.stat().st_mtime_ns) == before
    nothing_else(copied.parent, "one.sqlite")


def test_who_holds_a_file_alone_lets_nobody_else_and_many_may_share_it(tmp_path: Path) -> None:
    one, two = hold(tmp_path / "in-use", alone=False), hold(tmp_path / "in-use", alone=False)
    assert one
    assert two
    assert hold(tmp_path / "in-use", alone=True) is None
    one.let_go()
    assert hold(tmp_path / "in-use", alone=True) is None
    two.let_go()
    two.let_go()
    alone = hold(tmp_path / "in-use", alone=True)
    assert alone
    assert hold(tmp_path / "in-use", alone=False) is None
    alone.let_go()
