"""What a program that watches over the server is told, and that it is told in time and nothing more."""

import errno
import re
import tempfile
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import text

import spoolkeep
from spoolkeep.services.shop import load_shop
from spoolkeep.store import probe
from spoolkeep.store.engine import WRITER_LOCK, Store, open_store
from spoolkeep.store.probe import OK, OTHER_REVISION, state_of
from spoolkeep.store.troubles import AWAY, BUSY, DAMAGED, FULL, READ_ONLY
from spoolkeep.store.upgrade import newest
from spoolkeep.web import health
from tests.web.conftest import Impatient
from tests.web.door import another
from tests.workshop import TestWorkshop


@pytest.fixture(autouse=True)
def _fresh(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let no answer be kept from one question to the next."""
    monkeypatch.setattr(health, "KEPT_S", 0.0)


@pytest.mark.parametrize("path", ["/health", "/ready"])
def test_anybody_may_ask_and_is_told_nothing_of_the_workshop(app: Flask, shop: TestWorkshop, path: str) -> None:
    answer = another(app).get(path)
    assert (answer.status_code, answer.json) == (200, {"code": "ok"})
    assert answer.headers["Cache-Control"] == "no-store"
    assert "Set-Cookie" not in answer.headers
    with shop.store.read() as session:
        assert load_shop(session).name not in answer.text


def test_by_a_name_that_is_not_ours_nobody_is_told_anything(app: Flask) -> None:
    assert another(app).get("/ready", headers={"Host": "spools.example"}).status_code == 403


def test_health_does_not_ask_the_database(app: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(_store: Store) -> None:
        raise OSError

    monkeypatch.setattr(Store, "read", gone)
    monkeypatch.setattr(Store, "write", gone)
    monkeypatch.setattr(health, "state_of", gone)
    visitor = another(app)
    visitor.set_cookie("spoolkeep_person", "somebody")
    assert visitor.get("/health").status_code == 200
    answer = visitor.get("/ready")
    assert (answer.status_code, answer.json) == (503, {"code": "database_away"})


def test_a_database_that_never_answers_is_not_awaited_and_asked_once(
    app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on, asked = threading.Event(), []

    def hangs(_store: Store) -> str:
        asked.append(1)
        go_on.wait(20)
        return OK

    monkeypatch.setattr(health, "state_of", hangs)
    first, second = (another(app).get("/ready") for _ in range(2))
    assert [one.json for one in (first, second)] == [{"code": "no_answer"}] * 2
    assert asked == [1]
    go_on.set()


def test_many_who_ask_cost_one_question_a_second(app: Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def stands(_store: Store) -> str:
        asked.append(1)
        return OK

    monkeypatch.setattr(health, "state_of", stands)
    monkeypatch.setattr(health, "KEPT_S", 60.0)
    assert {another(app).get("/ready").status_code for _ in range(10)} == {200}
    assert asked == [1]


def test_a_sqlite_that_another_program_holds_is_busy_and_said_so(impatient: Impatient) -> None:
    assert state_of(impatient.shop.store) == OK
    with impatient.held():
        assert state_of(impatient.shop.store) == BUSY.code
    assert state_of(impatient.shop.store) == OK


def test_a_postgresql_whose_writer_takes_long_is_busy_and_said_so(postgres_store: Store) -> None:
    with postgres_store.engine.begin() as other:
        other.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": WRITER_LOCK})
        assert state_of(postgres_store) == BUSY.code
    assert state_of(postgres_store) == OK


def test_a_database_of_another_revision_is_told(store: Store) -> None:
    with store.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '0001'"))
    assert state_of(store) == OTHER_REVISION
    with store.engine.begin() as connection:
        connection.execute(text("DROP TABLE alembic_version"))
    assert state_of(store) == OTHER_REVISION


def test_a_database_that_is_not_there_is_told(tmp_path: Path) -> None:
    for address in (f"sqlite:///{tmp_path / 'gone.sqlite'}", f"postgresql://nobody@/none?host={tmp_path}"):
        with closing(open_store(address)) as store:
            assert state_of(store) == AWAY.code, address
    assert not (tmp_path / "gone.sqlite").exists()


def test_a_file_that_is_no_database_is_told(tmp_path: Path) -> None:
    (tmp_path / "odd.sqlite").write_bytes(b"not a database " * 100)
    with closing(open_store(f"sqlite:///{tmp_path / 'odd.sqlite'}")) as store:
        assert state_of(store) == DAMAGED.code


def test_a_postgresql_that_only_reads_is_told(postgres_store: Store) -> None:
    with postgres_store.engine.connect() as connection:
        name = connection.execute(text("SELECT current_database()")).scalar_one()
        connection.execute(text(f"ALTER DATABASE {name} SET default_transaction_read_only = on"))
        connection.commit()
    assert state_of(postgres_store) == READ_ONLY.code


@pytest.mark.parametrize(
    ("code", "state"),
    [(errno.ENOSPC, FULL.code), (errno.EDQUOT, FULL.code), (errno.EROFS, READ_ONLY.code)],
)
def test_a_disk_on_which_no_journal_can_be_written_is_told(
    sqlite_store: Store, monkeypatch: pytest.MonkeyPatch, code: int, state: str
) -> None:
    def refused(**_: object) -> Iterator[None]:
        raise OSError(code, "refused")

    monkeypatch.setattr(tempfile, "TemporaryFile", refused)
    assert state_of(sqlite_store) == state


def test_a_disk_that_is_nearly_full_is_told(sqlite_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probe, "LEAST_FREE_BYTES", 1 << 62)
    assert state_of(sqlite_store) == FULL.code


def test_asking_leaves_nothing_behind(sqlite_store: Store) -> None:
    folder = Path(str(sqlite_store.engine.url.database)).parent
    before = sorted(folder.iterdir())
    assert state_of(sqlite_store) == OK
    assert sorted(folder.iterdir()) == before


def test_setup_shows_the_version_the_revision_and_the_database(client: FlaskClient) -> None:
    version = re.escape(spoolkeep.__version__)
    words = rf"Spoolkeep {version}, books of revision {newest()}, (SQLite [\d.]+, journal \w+|PostgreSQL \d+[^,]*)\."
    assert re.search(words, client.get("/setup").text)
