"""A database of another shape is refused with the command that mends it; an upgrade keeps a copy."""

from contextlib import closing
from datetime import datetime
from pathlib import Path

import pytest
from sqlalchemy import select, text

from spoolkeep.domain.errors import WrongDatabase
from spoolkeep.store.engine import Store, open_store, safe_journal_mode
from spoolkeep.store.seeds import MATERIALS
from spoolkeep.store.tables import Material, Workshop
from spoolkeep.store.upgrade import newest, require_current, revision_of, upgrade


def test_a_database_from_a_newer_version_is_refused_and_left_alone(store: Store, now: datetime) -> None:
    with store.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(WrongDatabase, match="newer one made it") as refused:
        require_current(store)
    assert refused.value.code == "database_is_newer"
    with pytest.raises(WrongDatabase, match="newer one made it"):
        upgrade(store, now=now)
    assert revision_of(store) == "9999"


def test_an_empty_database_is_refused_with_the_command_that_makes_one(tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'new' / 'spoolkeep.sqlite'}")
    with pytest.raises(WrongDatabase, match="spoolkeep upgrade"):
        require_current(store)
    store.close()


def test_a_file_that_is_no_database_is_refused_in_words(tmp_path: Path) -> None:
    path = tmp_path / "spoolkeep.sqlite"
    path.write_bytes(b"not a database at all, only words " * 100)
    store = open_store(f"sqlite:///{path}")
    with pytest.raises(WrongDatabase, match="cannot be opened"):
        require_current(store)
    store.close()


def test_upgrading_twice_changes_nothing(store: Store, now: datetime) -> None:
    assert upgrade(store, now=now) is None
    assert revision_of(store) == newest()
    with store.read() as session:
        assert session.get_one(Workshop, 1).name == "Workshop"
        assert len(session.scalars(select(Material)).all()) == len(MATERIALS)


@pytest.mark.parametrize(
    ("version", "mode"),
    [
        ((3, 40, 1), "TRUNCATE"),
        ((3, 44, 5), "TRUNCATE"),
        ((3, 44, 6), "WAL"),
        ((3, 46, 9), "TRUNCATE"),
        ((3, 50, 6), "TRUNCATE"),
        ((3, 50, 7), "WAL"),
        ((3, 51, 2), "TRUNCATE"),
        ((3, 51, 3), "WAL"),
        ((3, 52, 0), "WAL"),
    ],
)
def test_wal_is_used_only_where_it_is_sound(version: tuple[int, int, int], mode: str) -> None:
    """Source: SQLite's release notes of 3.51.3 (the WAL reset fault, and the lines to which its mending went back)."""
    assert safe_journal_mode(version) == mode


def test_a_new_database_is_for_its_owner_s_eyes_only(tmp_path: Path, now: datetime) -> None:
    path = tmp_path / "new" / "spoolkeep.sqlite"
    with closing(open_store(f"sqlite:///{path}")) as store:
        upgrade(store, now=now)
    assert path.stat().st_mode & 0o777 == 0o600
