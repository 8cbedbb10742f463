"""A copy goes in the place of a database whole, after a copy of what is there, and while nobody has it open."""

import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from spoolkeep.domain.errors import Conflict, Refusal, WrongDatabase
from spoolkeep.services.instance import SETTING, Instance
from spoolkeep.services.keeping import backup
from spoolkeep.services.restoring import restore
from spoolkeep.store.engine import Store
from spoolkeep.store.revisions import address_of
from spoolkeep.store.tables import Addressee, Notice, NoticeMatter
from tests.workshop import TestWorkshop

NOW = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)


@pytest.fixture
def instance(sqlite_set_up: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Instance:
    """Give a workshop's folder, with a secret."""
    monkeypatch.delenv(SETTING, raising=False)
    folder = tmp_path / "instance"
    folder.mkdir()
    (folder / "spoolkeep.sqlite").write_bytes(sqlite_set_up)
    (folder / "secret").write_bytes(b"s" * 32)
    return Instance(folder)


def deliver(instance: Instance, spools: int) -> None:
    with closing(instance.open()) as store:
        TestWorkshop(store, NOW).deliver(spools)


def spools(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("SELECT count(*) FROM spool").fetchone()[0])


def copied(instance: Instance, to: Path | None = None) -> Path:
    with closing(instance.open()) as store:
        return backup(store, now=NOW, to=to).path


@pytest.fixture
def database(instance: Instance) -> Path:
    return instance.folder / "spoolkeep.sqlite"


@pytest.fixture
def two_spools_ago(instance: Instance) -> Path:
    """Give a copy from when one spool was there; since then two more came."""
    deliver(instance, 1)
    copy = copied(instance)
    deliver(instance, 2)
    return copy


def beside(database: Path) -> set[str]:
    return {path.name for path in database.parent.iterdir()}


def test_what_was_copied_is_back_and_what_was_there_is_kept(
    instance: Instance, database: Path, two_spools_ago: Path
) -> None:
    done = restore(instance, two_spools_ago, now=NOW)
    assert spools(database) == 1
    assert done.before
    assert done.before.name == "before-restore-20260304-120000.sqlite"
    assert spools(done.before) == 3
    assert (instance.folder / "secret").read_bytes() == b"s" * 32
    assert beside(database) == {"spoolkeep.sqlite", "secret", "backups", "in-use"}
    deliver(instance, 1)
    assert spools(database) == 2


def test_restoring_twice_is_harmless_and_goes_back_and_forth(
    instance: Instance, database: Path, two_spools_ago: Path
) -> None:
    first, second = (restore(instance, two_spools_ago, now=NOW) for _ in range(2))
    assert first.before
    assert second.before
    assert (spools(first.before), spools(second.before), spools(database)) == (3, 1, 1)
    restore(instance, first.before, now=NOW)
    assert spools(database) == 3
    restore(instance, database, now=NOW)
    assert spools(database) == 3


def test_while_the_workshop_is_open_somewhere_nothing_is_put_in_its_place(
    instance: Instance, database: Path, two_spools_ago: Path
) -> None:
    with closing(instance.open()), pytest.raises(Conflict, match="Stop it, then restore") as refused:
        restore(instance, two_spools_ago, now=NOW)
    assert refused.value.code == "in_use"
    assert spools(database) == 3
    restore(instance, two_spools_ago, now=NOW)


def test_a_process_that_was_killed_holds_nothing_any_more(instance: Instance, two_spools_ago: Path) -> None:
    lines = (
        "import sys, pathlib; from spoolkeep.services.instance import Instance;"
        "store = Instance(pathlib.Path(sys.argv[1])).open(); print('open', flush=True); sys.stdin.read()"
    )
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    with subprocess.Popen(
        [sys.executable, "-c", lines, instance.folder],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment,
    ) as other:  # fmt: skip
        assert other.stdout
        assert other.stdout.readline() == "open\n"
        with pytest.raises(Conflict, match="Stop it"):
            restore(instance, two_spools_ago, now=NOW)
        other.kill()
        other.wait()
    restore(instance, two_spools_ago, now=NOW)


def test_a_program_of_another_kind_that_writes_is_noticed_too(
    instance: Instance, database: Path, two_spools_ago: Path
) -> None:
    with closing(sqlite3.connect(database, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(Conflict, match="Stop it"):
            restore(instance, two_spools_ago, now=NOW)
    assert spools(database) == 3


def test_nobody_opens_the_workshop_while_another_database_is_put_in_its_place(
    instance: Instance, two_spools_ago: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried = list[str]()

    def meanwhile(part: Path, target: Path) -> None:
        with pytest.raises(Conflict) as refused:
            instance.open()
        tried.append(refused.value.code)
        part.replace(target)

    monkeypatch.setattr("spoolkeep.services.restoring.put_in_place", meanwhile)
    restore(instance, two_spools_ago, now=NOW)
    assert set(tried) == {"being_restored"}


def test_from_the_copy_of_what_is_there_until_it_is_replaced_no_program_writes_it(
    instance: Instance, database: Path, two_spools_ago: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A program that holds nothing could book an act that is in neither of the two files."""
    told = list[str]()

    def meanwhile(part: Path, target: Path) -> None:
        with closing(sqlite3.connect(database, timeout=0)) as other:
            try:
                other.execute("UPDATE workshop SET name = 'Lost'")
            except sqlite3.OperationalError as refused:
                told.append(str(refused))
        part.replace(target)

    monkeypatch.setattr("spoolkeep.services.restoring.put_in_place", meanwhile)
    restore(instance, two_spools_ago, now=NOW)
    assert told == ["database is locked"] * 2, "as the copy of it gets its name, and as the new one gets its"
    assert spools(database) == 1


def test_a_system_without_owners_of_files_restores_too(
    instance: Instance, database: Path, two_spools_ago: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delattr(os, "chown")
    restore(instance, two_spools_ago, now=NOW)
    assert spools(database) == 1


def test_nothing_goes_out_from_a_copy_until_somebody_lets_notices_go_on(instance: Instance, database: Path) -> None:
    with closing(instance.open()) as store, store.write() as session:
        for name in ("Ada", "Grace"):
            to = Addressee(name=name, way="mail", address=f"{name}@host", digest="never", digest_hour=7, since_at=NOW)
            session.add(to)
        session.flush()
        for number, next_try_at in ((1, NOW), (2, None)):
            notice = Notice(addressee_id=number, kind="warning", key="k", mark=f"m{number}", made_at=NOW)
            notice.next_try_at, notice.sent_at = next_try_at, None if next_try_at else NOW
            session.add(notice)
            session.flush()
            session.add(NoticeMatter(notice_id=notice.id, addressee_id=number, key="stop:1"))
    copy = copied(instance)
    assert restore(instance, copy, now=NOW).paused == 2
    with closing(sqlite3.connect(database)) as connection:
        assert connection.execute("SELECT name, paused FROM addressee ORDER BY id").fetchall() == [
            ("Ada", 1),
            ("Grace", 1),
        ]
        assert connection.execute("SELECT addressee_id FROM notice").fetchall() == [(2,)], "what was sent stays told"
        assert connection.execute("SELECT addressee_id FROM notice_matter").fetchall() == [(2,)]
    instance.open().close()


def test_a_copy_from_before_there_were_notices_has_none_to_pause(instance: Instance, two_spools_ago: Path) -> None:
    with closing(sqlite3.connect(two_spools_ago)) as connection, connection:
        for table in ("notice_matter", "notice", "addressee"):
            connection.execute(f"DROP TABLE {table}")
        connection.execute("UPDATE alembic_version SET version_num = '0012'")
    assert restore(instance, two_spools_ago, now=NOW).paused == 0


def test_what_a_newer_program_left_is_kept_as_the_sound_database_that_it_is(
    instance: Instance, database: Path, two_spools_ago: Path
) -> None:
    with closing(sqlite3.connect(database)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    done = restore(instance, two_spools_ago, now=NOW)
    assert done.before_is_sound
    assert done.before
    assert done.before.name.startswith("before-restore-")
    assert spools(done.before) == 3
    assert spools(database) == 1


@pytest.mark.parametrize("mode", ["TRUNCATE", "WAL"])
def test_what_the_old_database_still_had_in_a_journal_is_never_applied_to_the_new_one(
    instance: Instance, database: Path, two_spools_ago: Path, tmp_path: Path, mode: str
) -> None:
    _crash(database, mode)
    assert (database.with_name(f"{database.name}-{'wal' if mode == 'WAL' else 'journal'}")).stat().st_size > 0
    done = restore(instance, two_spools_ago, now=NOW)
    assert beside(database) == {"spoolkeep.sqlite", "secret", "backups", "in-use"}
    assert spools(database) == 1
    assert done.before_is_sound
    assert done.before
    with closing(sqlite3.connect(done.before)) as connection:
        name = connection.execute("SELECT name FROM workshop").fetchone()[0]
    assert name == ("Crashed" if mode == "WAL" else "Workshop"), "what was committed is kept, what was not is undone"
    del tmp_path


def _crash(database: Path, mode: str) -> None:
    """Leave a journal behind as a power cut does: in mid-write, or with a log that was not brought home."""
    lines = (
        "import os, sqlite3, sys; c = sqlite3.connect(sys.argv[1], isolation_level=None);"
        "c.execute('PRAGMA journal_mode=' + sys.argv[2]); c.execute('PRAGMA cache_size=1');"
        "c.execute('BEGIN IMMEDIATE'); c.execute(\"UPDATE workshop SET name = 'Crashed'\");"
        "c.execute('CREATE TABLE t (x)'); c.executemany('INSERT INTO t VALUES (?)', [('x' * 3000,)] * 200);"
        "c.execute('COMMIT') if sys.argv[2] == 'WAL' else None; os._exit(0)"
    )
    subprocess.run([sys.executable, "-c", lines, database, mode], check=True)


def test_a_database_that_cannot_be_read_is_kept_as_it_lay(
    instance: Instance, database: Path, two_spools_ago: Path
) -> None:
    damaged = b"not a database any more" * 1000
    database.write_bytes(damaged)
    Path(f"{database}-wal").write_bytes(b"log")
    done = restore(instance, two_spools_ago, now=NOW)
    assert spools(database) == 1
    assert not done.before_is_sound
    assert done.before
    assert done.before.read_bytes() == damaged
    assert Path(f"{done.before}-wal").read_bytes() == b"log"
    assert beside(database) == {"spoolkeep.sqlite", "secret", "backups", "in-use"}


def test_a_new_machine_gets_its_workshop_from_a_copy(instance: Instance, two_spools_ago: Path, tmp_path: Path) -> None:
    del instance
    new = Instance(tmp_path / "new" / "instance")
    done = restore(new, two_spools_ago, now=NOW)
    assert done.before is None
    new.open().close()
    assert spools(done.database) == 1


def test_what_is_no_sound_copy_of_ours_changes_nothing(
    instance: Instance, database: Path, two_spools_ago: Path, tmp_path: Path
) -> None:
    before = database.read_bytes()
    other, torn = tmp_path / "other.sqlite", tmp_path / "torn.sqlite"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE shopping (what TEXT)")
    torn.write_bytes(two_spools_ago.read_bytes()[:-40_000])
    (tmp_path / "words.txt").write_text("words " * 999)
    for copy in (other, torn, tmp_path / "words.txt", tmp_path / "nowhere.sqlite"):
        with pytest.raises(Refusal):
            restore(instance, copy, now=NOW)
    assert database.read_bytes() == before
    assert [path.name for path in (instance.folder / "backups").iterdir()] == [two_spools_ago.name]


def test_a_copy_whose_books_differ_is_put_back_only_when_that_is_meant(
    instance: Instance, database: Path, two_spools_ago: Path
) -> None:
    with closing(sqlite3.connect(two_spools_ago)) as connection, connection:
        connection.execute("UPDATE day_total SET mg = mg + 1")
    with pytest.raises(Conflict, match="differ: day_total"):
        restore(instance, two_spools_ago, now=NOW)
    assert spools(database) == 3
    assert restore(instance, two_spools_ago, now=NOW, although_it_differs=True).proof.difference
    assert spools(database) == 1


def test_a_newer_program_s_copy_is_refused_and_an_older_one_s_waits_for_an_upgrade(
    instance: Instance, two_spools_ago: Path
) -> None:
    with closing(sqlite3.connect(two_spools_ago)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(WrongDatabase, match="newer one made it"):
        restore(instance, two_spools_ago, now=NOW)
    with closing(sqlite3.connect(two_spools_ago)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '0012'")
    assert restore(instance, two_spools_ago, now=NOW).proof.older
    with pytest.raises(WrongDatabase, match="Run 'spoolkeep upgrade'"):
        instance.open()


def test_the_file_in_place_is_readable_to_whoever_could_read_the_old_one(
    instance: Instance, database: Path, two_spools_ago: Path
) -> None:
    database.chmod(0o640)
    assert two_spools_ago.stat().st_mode & 0o777 == 0o600
    restore(instance, two_spools_ago, now=NOW)
    assert database.stat().st_mode & 0o777 == 0o640


def test_nothing_is_put_in_place_where_what_is_there_cannot_be_copied(
    instance: Instance, database: Path, two_spools_ago: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = database.read_bytes()

    def full(source: Path, part: Path) -> None:
        raise Conflict("disk_full", f"no room for {source} at {part}")

    def only_the_copy(source: Path, part: Path) -> None:
        part.write_bytes(source.read_bytes()) if source == two_spools_ago else full(source, part)

    monkeypatch.setattr("spoolkeep.services.restoring.copy_pages", only_the_copy)
    with pytest.raises(Conflict, match="no room"):
        restore(instance, two_spools_ago, now=NOW)
    assert database.read_bytes() == before
    assert beside(database) - {"spoolkeep.sqlite-journal"} == {"spoolkeep.sqlite", "secret", "backups", "in-use"}


def test_postgresql_is_put_back_by_its_own_programs(
    postgres_store: Store, instance: Instance, two_spools_ago: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(SETTING, postgres_store.engine.url.render_as_string(hide_password=False))
    with pytest.raises(Conflict, match="pg_restore --no-owner --exit-on-error --single-transaction") as refused:
        restore(instance, two_spools_ago, now=NOW)
    assert address_of(postgres_store) in refused.value.words
