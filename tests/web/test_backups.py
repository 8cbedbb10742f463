"""Setup says how the backups stand, and Today one line when one is missing, with why."""

import re
import shutil
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from spoolkeep.services import keeping
from spoolkeep.store.copying import folder_of
from spoolkeep.store.engine import Store
from tests.workshop import TestWorkshop


@pytest.fixture
def store(sqlite_store: Store) -> Iterator[Store]:
    """Give a store on a file, and remove its backups afterwards."""
    yield sqlite_store
    assert sqlite_store.file
    shutil.rmtree(folder_of(sqlite_store.file), ignore_errors=True)


@pytest.fixture
def folder(store: Store) -> Path:
    assert store.file
    found = folder_of(store.file)
    found.mkdir()
    return found


def needs(client: FlaskClient) -> list[str]:
    found = re.findall(r'<li class="need.*?</li>', client.get("/").text, flags=re.DOTALL)
    return [" ".join(re.sub(r"<[^>]+>", " ", one).split()) for one in found]


def setup(client: FlaskClient) -> str:
    page = client.get("/setup").text
    section = page[page.index('<section id="database"') :]
    return " ".join(re.sub(r"<[^>]+>", " ", section).split())


def test_setup_shows_the_newest_and_that_it_was_proved_and_warns_of_the_same_disk(
    client: FlaskClient, shop: TestWorkshop
) -> None:
    assert "No backup yet." in setup(client)
    keeping.look(shop.store, now=shop.now - timedelta(hours=2))
    keeping.backup(shop.store, now=shop.now - timedelta(hours=1))
    said = setup(client)
    assert "The newest backup is of 4 Mar 2026, 11:00" in said
    assert "its books were held against the ledger" in said
    assert f"2 lie in {shop.store.file.parent if shop.store.file else ''}/backups" in said
    assert "lost with the disk" in said
    assert "spoolkeep backup --to FOLDER" in said


def test_today_says_nothing_of_backups_while_they_are_made(client: FlaskClient, shop: TestWorkshop) -> None:
    shop.deliver()
    keeping.look(shop.store, now=shop.now)
    assert needs(client) == []
    assert "nothing needs anybody" in client.get("/").text


def test_a_backup_that_is_missing_stands_on_today_with_its_one_act(
    client: FlaskClient, shop: TestWorkshop, folder: Path
) -> None:
    shop.deliver()
    (folder / keeping.FAILED).write_text("A copy needs 2 MB, and there is 1 MB free.")
    (line,) = needs(client)
    assert "There is no backup A copy needs 2 MB, and there is 1 MB free." in line
    keeping.backup(shop.store, now=shop.now - timedelta(hours=5))
    (line,) = needs(client)
    assert "Today\N{RIGHT SINGLE QUOTATION MARK}s backup could not be made A copy needs 2 MB" in line
    assert "The last backup could not be made: A copy needs 2 MB" in setup(client)
    shop.now += timedelta(days=3)
    (folder / keeping.FAILED).unlink()
    assert "The last backup is 3\N{NO-BREAK SPACE}days old" in " ".join(needs(client)).replace("3 days", "3\xa0days")
    assert '<a class="button quiet" href="/setup#database"' in client.get("/").text
