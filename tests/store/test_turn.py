"""What a workshop does by itself is done by one process at a time, and by another once that one is gone."""

from contextlib import closing

from sqlalchemy import text

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
        broken = "SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory' AND objid = :number"
        with other.engine.begin() as connection:
            connection.execute(text(broken), {"number": TURN_LOCK})
        assert theirs.is_ours()
        assert not ours.is_ours()


def test_on_sqlite_it_is_always_our_turn(sqlite_store: Store) -> None:
    with closing(Turn(sqlite_store)) as ours:
        assert ours.is_ours()
