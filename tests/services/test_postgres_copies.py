"""PostgreSQL is copied and put back as the README says it, and the books that come back are equal and guarded."""

import re
import subprocess
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import Connection, text

from spoolkeep.cli import main
from spoolkeep.services.carrying import export
from spoolkeep.services.instance import SETTING
from spoolkeep.store import guards
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.proof import differences
from spoolkeep.store.revisions import address_of
from tests import postgres
from tests.workshop import TestWorkshop

NOW = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
README = Path(__file__).parents[2] / "README.md"


def as_written(store: Store, new: str) -> list[list[str]]:
    """Give the README's commands of PostgreSQL's own programs, for this database and one of another name."""
    said = README.read_text(encoding="utf-8").split("**PostgreSQL** is copied")[1].split("`spoolkeep upgrade` also")[0]
    lines = re.findall(r"^    ((?:pg_dump|createdb|pg_restore) .*)$", said, re.MULTILINE)
    assert [line.split()[0] for line in lines] == ["pg_dump", "createdb", "pg_restore"]
    name = store.engine.url.database or ""
    address = address_of(store)
    named = {
        "postgresql://user@host/name": address,
        "postgresql://user@host/postgres": address.replace(f"/{name}?", "/postgres?"),
        "postgresql://user@host/new": address.replace(f"/{name}?", f"/{new}?"),
    }
    for known, meant in named.items():
        lines = [line.replace(known, meant) for line in lines]
    return [[new if word == "new" else word for word in line.split()] for line in lines]


@pytest.mark.parametrize("lost", [[], ["guard_line_update", "guard_act_truncate"]])
def test_the_documented_way_brings_equal_and_guarded_books_back(
    postgres_store: Store,
    postgres_admin: Connection,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    lost: list[str],
) -> None:
    programs = postgres.binaries()
    assert programs
    if not (programs / "pg_dump").exists():
        pytest.skip("pg_dump is not beside the server's programs")
    TestWorkshop(postgres_store, NOW).deliver(3)
    export(postgres_store, tmp_path / "before", now=NOW)
    monkeypatch.chdir(tmp_path)
    new = f"came_back_{len(lost)}"
    dump, make, put_back = as_written(postgres_store, new)
    subprocess.run([programs / dump[0], *dump[1:]], check=True, capture_output=True)
    TestWorkshop(postgres_store, NOW).deliver(1)
    try:
        for command in (make, put_back):
            subprocess.run([programs / command[0], *command[1:]], check=True, capture_output=True)
        address = address_of(postgres_store).replace(f"/{postgres_store.engine.url.database}?", f"/{new}?")
        monkeypatch.setenv(SETTING, address)
        with closing(open_store(address)) as back:
            with back.engine.begin() as connection:
                assert guards.installed(connection) == guards.expected("postgresql"), "they come along"
                for name in lost:
                    connection.execute(text(f"DROP TRIGGER {name} ON {name.split('_')[1]}"))
            for words in ("upgrade", "check"):
                monkeypatch.setattr("sys.argv", ["spoolkeep", words])
                main()
            with back.read() as session:
                assert list(differences(session)) == []
                assert guards.installed(session.connection()) == guards.expected("postgresql")
            export(back, tmp_path / "after", now=NOW)
            TestWorkshop(back, NOW).deliver(1)
    finally:
        postgres_admin.execute(text(f"DROP DATABASE IF EXISTS {new} WITH (FORCE)"))
    before, after = (
        {path.name: path.read_bytes() for path in (tmp_path / one).iterdir()} for one in ("before", "after")
    )
    assert before == after
