"""The database itself keeps history: nothing in the ledger can be changed, removed or replaced."""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError, IntegrityError

from spoolkeep.store import guards
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.upgrade import alembic_config, guards_of, newest
from tests.workshop import TestWorkshop

CHANGES = {
    "line": "UPDATE line SET mg = mg + 1",
    "movement": "UPDATE movement SET shop_day = '2020-01-01'",
    "act": "UPDATE act SET kind = 'other'",
    "answer": "UPDATE answer SET body = '{}'",
    "change": "UPDATE change SET after = 'false'",
}


@pytest.mark.parametrize("table", sorted(CHANGES))
def test_history_cannot_be_changed(store: Store, now: datetime, table: str) -> None:
    TestWorkshop(store, now).deliver()
    with pytest.raises(DBAPIError, match="append-only"), store.engine.begin() as connection:
        connection.execute(text(CHANGES[table]))


@pytest.mark.parametrize("table", sorted(CHANGES))
def test_history_cannot_be_removed(store: Store, now: datetime, table: str) -> None:
    TestWorkshop(store, now).deliver()
    with pytest.raises(DBAPIError, match="append-only"), store.engine.begin() as connection:
        connection.execute(text(f"DELETE FROM {table}"))  # noqa: S608 - our own table's name


def test_history_cannot_be_replaced_whatever_the_writer_sets(sqlite_store: Store, now: datetime) -> None:
    TestWorkshop(sqlite_store, now).deliver()
    with sqlite_store.engine.begin() as connection:
        connection.execute(text("PRAGMA recursive_triggers = OFF"))
        with pytest.raises(DBAPIError, match="append-only"):
            connection.execute(text("INSERT OR REPLACE INTO line SELECT * FROM line"))


def test_a_replaced_key_cannot_remove_an_act(sqlite_store: Store, now: datetime) -> None:
    TestWorkshop(sqlite_store, now).deliver()
    columns = "actor_id, key, request_hash, kind, recorded_at, sense"
    with pytest.raises(DBAPIError, match="append-only"), sqlite_store.engine.begin() as connection:
        connection.execute(text(f"INSERT OR REPLACE INTO act ({columns}) SELECT {columns} FROM act LIMIT 1"))  # noqa: S608 - ours


@pytest.mark.parametrize("table", sorted(CHANGES))
def test_history_cannot_be_emptied_on_postgresql(postgres_store: Store, now: datetime, table: str) -> None:
    TestWorkshop(postgres_store, now).deliver()
    with pytest.raises(DBAPIError, match="append-only"), postgres_store.engine.begin() as connection:
        connection.execute(text(f"TRUNCATE {table} CASCADE"))


def test_every_guard_is_there_after_the_migrations(store: Store) -> None:
    assert guards_of(store) == guards.expected(store.engine.dialect.name)


REBUILD = """
from alembic import op

revision, down_revision = "9999_try", "{newest}"


def upgrade() -> None:
    with op.batch_alter_table("line", recreate="always") as batch:
        batch.alter_column("mg", existing_nullable=False)
"""


def test_a_migration_that_rebuilds_a_table_puts_its_guards_back(store: Store, now: datetime, tmp_path: Path) -> None:
    TestWorkshop(store, now).deliver()
    (tmp_path / "9999_try.py").write_text(REBUILD.format(newest=newest()))
    with store.engine.begin() as connection:
        config = alembic_config(connection)
        own = Path(str(config.get_main_option("script_location"))) / "versions"
        config.set_main_option("version_locations", f"{own} {tmp_path}")
        config.set_main_option("path_separator", "space")
        command.upgrade(config, "9999_try")
    assert guards_of(store) == guards.expected(store.engine.dialect.name)


def test_the_tables_are_what_the_models_say(store: Store) -> None:
    with store.engine.begin() as connection:
        command.check(alembic_config(connection))


@pytest.mark.parametrize("table", ["line", "balance", "day_total"])
def test_no_float_enters_the_ledger(sqlite_store: Store, now: datetime, table: str) -> None:
    shop = TestWorkshop(sqlite_store, now)
    shop.deliver()
    rows = {
        "line": "INSERT INTO line (movement_id, act_id, spool_id, kind, mg, value_minor, book_day)"
        " SELECT movement_id, act_id, spool_id, kind, 1.5, 0, book_day FROM line",
        "balance": "UPDATE balance SET left_mg = 1.5",
        "day_total": "UPDATE day_total SET mg = 1.5",
    }
    with pytest.raises(IntegrityError, match="is_whole"), sqlite_store.engine.begin() as connection:
        connection.execute(text(rows[table]))


def test_no_balance_is_below_zero(store: Store, now: datetime, by: Callable[[], By]) -> None:
    del by
    TestWorkshop(store, now).deliver()
    with pytest.raises(IntegrityError, match="left_is_not_negative"), store.engine.begin() as connection:
        connection.execute(text("UPDATE balance SET left_mg = -1"))
