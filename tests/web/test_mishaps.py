"""What workshops do to a computer: a full disk, a read-only one, a database that goes away, a clock set back."""

import errno
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import Connection, Engine, event, func, select
from sqlalchemy.exc import OperationalError
from sqlmodel import col

from spoolkeep.domain.shopday import ShopClock
from spoolkeep.domain.words import Scope
from spoolkeep.services import tokens
from spoolkeep.services.shop import load_shop
from spoolkeep.services.steady import TICK, Steady
from spoolkeep.store import engine
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import Act, DayTotal, Loading, Movement, Spool, Workshop
from spoolkeep.store.troubles import trouble_of
from spoolkeep.web import bench
from spoolkeep.web.app import create_app
from tests.workshop import TestWorkshop


def acts(store: Store) -> int:
    with store.read() as session:
        return session.scalars(select(func.count()).select_from(Act)).one()


def sound(store: Store) -> bool:
    with store.read() as session:
        return not list(differences(session))


# a disk that is full, or read-only


@dataclass(frozen=True)
class OnDisk:
    """A workshop in a file, with two spools, and what a script's token sends."""

    path: Path
    now: datetime
    sent: dict[str, str]
    spool: str

    def client(self, store: Store) -> FlaskClient:
        """Give a program that asks a server of its own over this store."""
        return create_app(store, secret=b"a secret for tests", clock=lambda: self.now).test_client()

    def weigh(self, client: FlaskClient, number: int) -> Any:  # noqa: ANN401 - Flask's own
        """Give the answer to the reading of this number, always under the same key."""
        body = {"key": f"reading {number}", "spool": self.spool, "gross_mg": 1_100_000 - number}
        return client.post("/api/weighings", json=body, headers=self.sent)


@pytest.fixture
def on_disk(sqlite_set_up: bytes, tmp_path: Path, now: datetime) -> OnDisk:
    path = tmp_path / "books.sqlite"
    path.write_bytes(sqlite_set_up)
    with closing(open_store(f"sqlite:///{path}")) as store:
        shop = TestWorkshop(store, now)
        spool, _ = shop.deliver(2)
        secret = shop.do(
            lambda s: tokens.for_program(session=s, now=now, by_id=1, label="Script", scopes=(Scope.SEE, Scope.REPORT))
        )
    return OnDisk(path, now, {"Authorization": f"Bearer {secret}"}, spool)


def take_no_more(engine: Engine) -> None:
    """Let the file grow by not one page more, as a full disk does."""

    @event.listens_for(engine, "begin")
    def no_more(connection: Connection) -> None:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")


def test_on_a_full_disk_answers_are_true_reading_goes_on_and_nothing_is_half_booked(on_disk: OnDisk) -> None:
    with closing(open_store(f"sqlite:///{on_disk.path}")) as store:
        take_no_more(store.engine)
        client, before = on_disk.client(store), acts(store)
        answers = (on_disk.weigh(client, number) for number in range(2000))
        booked, refused = next((number, one) for number, one in enumerate(answers) if one.status_code != 200)
        assert (refused.status_code, refused.json["code"]) == (503, "disk_full")
        assert "Make room" in refused.json["words"]
        assert acts(store) == before + booked
        assert client.get("/api/stock", headers=on_disk.sent).status_code == 200
        assert sound(store)
    with closing(open_store(f"sqlite:///{on_disk.path}")) as store:
        client = on_disk.client(store)
        assert on_disk.weigh(client, booked).status_code == 200, "with room again, the same key books it"
        assert on_disk.weigh(client, booked).status_code == 200
        assert acts(store) == before + booked + 1
        assert sound(store)


def test_on_a_read_only_disk_it_is_said_and_reading_goes_on(on_disk: OnDisk) -> None:
    with closing(open_store(f"sqlite:///file:{on_disk.path}?mode=ro&uri=true")) as store:
        client, before = on_disk.client(store), acts(store)
        refused = on_disk.weigh(client, 1)
        assert (refused.status_code, refused.json["code"]) == (503, "read_only")
        assert client.get("/api/stock", headers=on_disk.sent).status_code == 200
        assert acts(store) == before


def test_a_damaged_file_is_said_and_what_to_do(on_disk: OnDisk) -> None:
    with closing(open_store(f"sqlite:///{on_disk.path}")) as store:
        client = on_disk.client(store)
        store.close()
        on_disk.path.write_bytes(b"not a database at all, but long enough to be read as one" * 200)
        told = client.get("/api/stock", headers=on_disk.sent)
    assert (told.status_code, told.json["code"]) == (503, "damaged")  # type: ignore[index]
    assert "last backup" in told.text


@pytest.mark.parametrize(("number", "code"), [(errno.ENOSPC, "disk_full"), (errno.EROFS, "read_only")])
def test_what_a_disk_refuses_elsewhere_is_said_alike(number: int, code: str) -> None:
    found = trouble_of(OSError(number, "no"))
    assert found is not None
    assert found.code == code
    assert trouble_of(OSError(errno.ENOENT, "no such file")) is None
    assert trouble_of(ValueError("something else")) is None


def test_what_was_booked_before_its_answer_failed_is_said_to_be_booked(
    client: FlaskClient, app: Flask, shop: TestWorkshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    spool, _ = shop.deliver(2)
    app.testing = False
    before = acts(shop.store)

    def fails(*_: object) -> None:
        raise RuntimeError("the page could not be made")

    monkeypatch.setattr(bench, "_show", fails)
    answer = client.post("/bench", data={"key": "heard", "code": spool}, headers={"X-Fragment": "1"})
    assert answer.status_code == 500
    assert acts(shop.store) == before + 1
    assert "What you sent is booked" in answer.text
    assert "Nothing was booked" not in answer.text


# a database that goes away


def test_a_server_whose_database_went_away_says_so_and_books_the_same_once_when_it_is_back(
    postgres_store: Store, postgres_admin: Connection, now: datetime
) -> None:
    shop = TestWorkshop(postgres_store, now)
    spool, _ = shop.deliver(2)
    secret = shop.do(lambda s: tokens.for_program(session=s, now=now, by_id=1, label="Script", scopes=(Scope.REPORT,)))
    there = OnDisk(Path(), now, {"Authorization": f"Bearer {secret}"}, spool)
    client = there.client(postgres_store)
    assert there.weigh(client, 1).status_code == 200
    before = acts(postgres_store)
    name = postgres_store.engine.url.database
    postgres_admin.exec_driver_sql(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS false')
    postgres_admin.exec_driver_sql(f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{name}'")  # noqa: S608 - ours
    try:
        refused = there.weigh(client, 2)
        assert (refused.status_code, refused.json["code"]) == (503, "database_away")
        assert refused.headers["Retry-After"]
    finally:
        postgres_admin.exec_driver_sql(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS true')
    assert there.weigh(client, 2).status_code == 200
    assert there.weigh(client, 2).status_code == 200
    assert acts(postgres_store) == before + 1
    assert sound(postgres_store)


def test_a_writer_waits_for_no_other_without_end(postgres_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "TURN_SECONDS", 1)
    other = open_store(postgres_store.engine.url.render_as_string(hide_password=False))
    with closing(other), postgres_store.write(), pytest.raises(OperationalError) as refused, other.write():
        pass
    found = trouble_of(refused.value)
    assert found is not None
    assert found.code == "busy"


# a clock


def draw(client: FlaskClient, sent: dict[str, str], feed: str, key: str) -> None:
    answer = client.post(
        "/api/jobs",
        json={"key": key, "title": "Hook", "outcome": "good", "feeds": [{"feed": feed, "drawn_mg": 10_000}]},
        headers=sent,
    )
    assert answer.status_code == 200, answer.text


def test_a_clock_that_is_set_back_an_hour_charges_the_spool_that_is_on(
    app: Flask, shop: TestWorkshop, client: FlaskClient, token: Callable[..., dict[str, str]]
) -> None:
    first, second = shop.deliver(2)
    sent, program, noon = token(Scope.REPORT), app.test_client(), shop.now
    shop.scan(first, shop.feeds[0], at=noon)
    draw(program, sent, shop.feeds[0], "before")
    shop.now = noon - timedelta(hours=1)
    for number, code in enumerate((second, shop.feeds[0])):
        answer = client.post("/bench", data={"key": f"back {number}", "code": code})
        assert answer.status_code in {200, 302}, answer.text
    draw(program, sent, shop.feeds[0], "after")
    with shop.store.read() as session:
        drawn = session.execute(
            select(col(Spool.serial), func.sum(col(Movement.asked_mg)))
            .join(Movement, col(Movement.spool_id) == col(Spool.id))
            .where(col(Movement.kind) == "draw")
            .group_by(col(Spool.serial))
            .order_by(col(Spool.serial))
        ).all()
        spans = session.execute(select(col(Loading.from_at), col(Loading.until_at)).order_by(col(Loading.id))).all()
    assert [mg for _, mg in drawn] == [-10_000, -10_000], "each spool gave what was drawn while it was on"
    assert spans[0].until_at == spans[1].from_at > noon
    assert sound(shop.store)
    page = client.get("/").text
    assert "clock is behind the books" in page
    assert "dated just after the last act" in page
    shop.now = noon + timedelta(minutes=1)
    assert "clock is behind the books" not in client.get("/").text


def test_acts_of_two_servers_whose_clocks_differ_keep_their_order(
    shop: TestWorkshop, token: Callable[..., Any]
) -> None:
    """One server's clock is five seconds behind the other's."""
    spools, sent = shop.deliver(2), token(Scope.REPORT)
    ahead, late = (
        create_app(shop.store, secret=b"a secret for tests", clock=lambda off=off: shop.now + off).test_client()  # type: ignore[misc]
        for off in (timedelta(), timedelta(seconds=-5))
    )
    for number, (server, spool) in enumerate(((ahead, spools[0]), (late, spools[1]), (ahead, spools[0]))):
        shop.now += timedelta(seconds=1)
        body = {"key": f"reading {number}", "spool": spool, "gross_mg": 900_000}
        assert server.post("/api/weighings", json=body, headers=sent).status_code == 200
    with shop.store.read() as session:
        moments = session.scalars(select(col(Act.recorded_at)).order_by(col(Act.id).desc()).limit(3)).all()
    assert moments[0] > moments[1] > moments[2]


def test_a_clock_that_was_years_ahead_once_is_believed_when_it_is_right_again(
    app: Flask, shop: TestWorkshop, token: Callable[..., dict[str, str]]
) -> None:
    spool, right, sent = shop.deliver(1)[0], shop.now, token(Scope.REPORT)
    with shop.store.write() as session:
        session.add(Act(actor_id=1, key="wrong", request_hash="", kind="scan", recorded_at=right + timedelta(days=900)))
    body = {"key": "reading", "spool": spool, "gross_mg": 900_000}
    assert app.test_client().post("/api/weighings", json=body, headers=sent).status_code == 200
    with shop.store.read() as session:
        last = session.scalars(select(Act).order_by(col(Act.id).desc()).limit(1)).one()
    assert last.recorded_at == right


def test_time_goes_on_while_a_clock_is_behind(store: Store, now: datetime) -> None:
    """What holds for some minutes holds no longer for it."""
    passed = [0.0]
    clock = Steady(ticks=lambda: passed[0])
    with store.write() as session:
        session.add(Act(actor_id=1, key="last", request_hash="", kind="scan", recorded_at=now))
    hour = timedelta(hours=1)
    with store.read() as session:
        assert clock.moment(session, now + hour) == now + hour
        assert clock.moment(session, now - hour) == now + TICK
        passed[0] = 600.0
        assert clock.moment(session, now - hour + timedelta(minutes=10)) == now + TICK + timedelta(minutes=10)
        passed[0] = 3700.0
        assert clock.moment(session, now + timedelta(seconds=100)) == now + TICK + timedelta(seconds=3700), (
            "no way back"
        )
        assert clock.moment(session, now + 2 * hour) == now + 2 * hour, "the clock was set right"


@pytest.mark.parametrize("day", [date(2026, 3, 28), date(2026, 10, 24)])
def test_both_changes_of_daylight_saving_time_lose_no_draw_and_double_none(
    app: Flask, shop: TestWorkshop, token: Callable[..., dict[str, str]], day: date
) -> None:
    """A job ends each half hour through the shop day in whose night the wall clock jumps, and the day after it."""
    with shop.store.write() as session:
        session.get_one(Workshop, 1).zone = "Europe/Berlin"
    with shop.store.read() as session:
        clock = load_shop(session).clock
    begins, ends = clock.span_of(day)[0], clock.span_of(day + timedelta(days=1))[1]
    halves = {day + timedelta(days=ahead): hours(clock, day + timedelta(days=ahead)) * 2 for ahead in range(2)}
    assert sorted(halves.values()) in ([46, 48], [48, 50])
    shop.now = begins
    (spool,) = shop.deliver(1, grams=3000)
    shop.scan(spool, shop.feeds[0], at=begins)
    sent, program = token(Scope.REPORT), app.test_client()
    while shop.now < ends:
        for _ in range(2):  # each is sent twice
            draw(program, sent, shop.feeds[0], f"draw {shop.now.isoformat()}")
        shop.now += timedelta(minutes=30)
    with shop.store.read() as session:
        drawn = session.execute(
            select(col(DayTotal.shop_day), func.sum(col(DayTotal.mg)))
            .where(col(DayTotal.kind) == "draw")
            .group_by(col(DayTotal.shop_day))
        ).all()
    assert {on: int(mg) for on, mg in drawn} == {on: -10_000 * count for on, count in halves.items()}
    assert sound(shop.store)


def hours(clock: ShopClock, day: date) -> int:
    """Give how many hours a shop day has."""
    begins, ends = clock.span_of(day)
    return round((ends - begins) / timedelta(hours=1))
