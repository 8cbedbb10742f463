"""What a workshop does by itself is done by one process at a time, and by another once that one is gone."""

import threading
import time
from contextlib import closing

import pytest
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError

from spoolkeep.store import turn
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.turn import TURN_LOCK, Turn


def again(store: Store) -> Store:
    """Give the same database as another process opens it."""
    return open_store(store.engine.url.render_as_string(hide_password=False))


def test_of_two_processes_over_one_database_one_has_the_turn_until_it_gives_it_up(postgres_store: Store) -> None:
    with closing(again(postgres_store)) as other, closing(Turn(postgres_store)) as ours, closing(Turn(other)) as theirs:
        assert ours.is_ours()
        assert not theirs.is_ours()
        assert ours.is_ours(), "it stays with whoever has it"
        ours.close()
        assert theirs.is_ours()
        assert not ours.is_ours()


def test_the_turn_of_a_process_whose_connection_broke_goes_to_another(postgres_store: Store) -> None:
    with closing(again(postgres_store)) as other, closing(Turn(postgres_store)) as ours, closing(Turn(other)) as theirs:
        assert ours.is_ours()
        broken = "SELECT pg_terminate_backend(pid, 20000) FROM pg_locks WHERE locktype = 'advisory' AND objid = :number"
        with other.engine.begin() as connection:
            connection.execute(text(broken), {"number": TURN_LOCK})
        assert theirs.is_ours()
        assert not ours.is_ours()


def test_a_database_that_hangs_does_not_hold_up_the_end(postgres_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    asked, answers = threading.Event(), threading.Event()

    def hangs(_connection: object) -> bool:
        asked.set()
        return answers.wait(20)

    monkeypatch.setattr(Turn, "_still_there", staticmethod(hangs))
    monkeypatch.setattr(turn, "CLOSE_WITHIN_S", 0.1)
    ours = Turn(postgres_store)
    assert ours.is_ours()
    looks = threading.Thread(target=ours.is_ours, daemon=True)
    looks.start()
    assert asked.wait(20)
    began = time.monotonic()
    ours.close()
    assert time.monotonic() - began < 5
    answers.set()
    looks.join(20)
    ours.close()


def test_a_turn_that_could_not_be_asked_for_keeps_no_connection(
    postgres_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(turn, "TURN_LOCK", "no number")
    before = postgres_store.engine.pool.checkedout()  # type: ignore[attr-defined] # a pool that counts
    with closing(Turn(postgres_store)) as ours, pytest.raises(SQLAlchemyError) as kept:
        ours.is_ours()
    assert postgres_store.engine.pool.checkedout() == before  # type: ignore[attr-defined] # as above
    assert kept.value is not None, "its frames still stand, so nothing was let go by chance"


def test_on_sqlite_it_is_always_our_turn(sqlite_store: Store) -> None:
    with closing(Turn(sqlite_store)) as ours:
        assert ours.is_ours()
