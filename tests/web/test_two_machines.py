"""One workshop served by two machines over one PostgreSQL: what is begun at one goes on at the other.

Each machine has an app, a store, a secret and a clock of its own; the second clock is three seconds behind.
"""

import re
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.words import Outcome, Role, Scope
from spoolkeep.services import experience, joblist, jobs, outlooks, stations, stock, tokens
from spoolkeep.services.catalogue import SupplierEntry
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.shop import load_shop
from spoolkeep.services.signing import HOURLY
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import Act, Loading, TakingsLine
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import PERSON_COOKIE, STATION_COOKIE
from tests.web.conftest import HOST, PASSWORD
from tests.web.door import sign_in
from tests.web.programs import Load, program_token, serving
from tests.web.test_imports import NAMES, SHEET, named, sent
from tests.workshop import TestWorkshop, by, somebody

BEHIND = timedelta(seconds=3)


@dataclass
class Two:
    """Two machines, and the workshop that they serve."""

    shop: TestWorkshop
    apps: tuple[Flask, Flask]

    def asked(self, cookie: str = "", secret: str = "") -> tuple[FlaskClient, FlaskClient]:
        """Give one device's ways to the first and to the second machine."""
        ways = []
        for app in self.apps:
            client = app.test_client()
            client.environ_base["HTTP_ORIGIN"] = HOST
            if cookie:
                client.set_cookie(cookie, secret)
            ways.append(client)
        return ways[0], ways[1]

    def station(self) -> tuple[FlaskClient, FlaskClient]:
        """Give a station's."""
        new = self.shop.do(lambda s: stations.sign_in(session=s, now=self.shop.now, label="Bench"))
        return self.asked(STATION_COOKIE, new.secret)

    def owner(self) -> tuple[FlaskClient, FlaskClient]:
        """Give an owner's browser's."""
        number = somebody(self.shop.store, self.shop.now, "An owner", Role.OWNER)
        secret = self.shop.do(lambda s: tokens.for_browser(s, self.shop.now, actor_id=number, label="computer"))
        return self.asked(PERSON_COOKIE, secret)

    def count(self, model: type[Act] | type[Loading] | type[TakingsLine]) -> int:
        """Give how many there are."""
        with self.shop.store.read() as session:
            return session.scalars(select(func.count()).select_from(model)).one()


@pytest.fixture
def shop(postgres_store: Store, now: datetime) -> TestWorkshop:
    """Give the small workshop."""
    return TestWorkshop(postgres_store, now)


@pytest.fixture
def other(postgres_store: Store) -> Iterator[Store]:
    """Give the second machine's store."""
    with closing(open_store(postgres_store.engine.url.render_as_string(hide_password=False))) as store:
        yield store


@pytest.fixture
def two(shop: TestWorkshop, other: Store) -> Two:
    """Give two machines."""
    here = create_app(shop.store, secret=b"the secret of the first", clock=lambda: shop.now)
    there = create_app(other, secret=b"the secret of the second", clock=lambda: shop.now - BEHIND)
    here.testing = there.testing = True
    return Two(shop, (here, there))


def test_a_half_scan_at_one_is_finished_at_the_other(two: Two) -> None:
    (code,) = two.shop.deliver()
    here, there = two.station()
    here.post("/bench", data={"key": "one", "code": code})
    assert two.count(Loading) == 0
    answer = there.post("/bench", data={"key": "two", "code": two.shop.feeds[0]})
    assert answer.status_code in {200, 302}
    assert two.count(Loading) == 1
    assert "Slate black" in there.get("/bench").text


def test_a_clock_that_is_behind_keeps_nobody_from_changing_a_spool(two: Two) -> None:
    first, second = two.shop.deliver(spools=2)
    here, there = two.station()
    for number, (machine, text) in enumerate(
        [(here, first), (here, two.shop.feeds[0]), (there, second), (there, two.shop.feeds[0])]
    ):
        machine.post("/bench", data={"key": f"scan-{number}", "code": text})
    with two.shop.store.read() as session:
        rows = session.execute(select(col(Loading.from_at), col(Loading.until_at)).order_by(col(Loading.id))).all()
    (began, ended), (began_2, ended_2) = rows
    assert ended is not None
    assert began <= ended <= began_2
    assert ended_2 is None


def test_the_board_is_the_same_at_both_and_moves_with_a_scan_at_either(two: Two) -> None:
    (code,) = two.shop.deliver()
    here, there = two.station()
    two.shop.now = two.shop.now.replace(second=30)  # both clocks in one minute
    first, second = here.get("/bench/board"), there.get("/bench/board")
    assert first.headers["ETag"] == second.headers["ETag"]
    tag = {"If-None-Match": first.headers["ETag"]}
    assert there.get("/bench/board", headers=tag).status_code == 304
    for text in (code, two.shop.feeds[0]):
        here.post("/bench", data={"key": f"scan-{text}", "code": text})
    moved = there.get("/bench/board", headers=tag)
    assert moved.status_code == 200
    assert "Slate black" in moved.text


def test_a_form_that_is_sent_to_both_books_once_and_is_answered_alike(two: Two) -> None:
    here, there = two.asked()
    given = two.shop.do(
        lambda s: tokens.for_program(session=s, now=two.shop.now, by_id=1, label="Till", scopes=(Scope.REPORT,))
    )
    body = {"key": "till-1", "lines": [{"channel": "Market", "amount_minor": 1200}]}
    says = {"Authorization": f"Bearer {given}"}
    answers = [machine.post("/api/takings", json=body, headers=says) for machine in (here, there)]
    assert [one.status_code for one in answers] == [200, 200]
    assert answers[0].json == answers[1].json
    assert two.count(TakingsLine) == 1


def test_wrong_passwords_count_together(two: Two, kept: str) -> None:
    del kept
    somebody(two.shop.store, two.shop.now, "Ada")
    here, there = two.asked()
    codes = [sign_in((here, there)[number % 2], f"a wrong guess {number}").status_code for number in range(HOURLY)]
    assert set(codes) == {401}
    assert [sign_in(machine, PASSWORD).status_code for machine in (here, there)] == [429, 429]


def test_signing_out_everywhere_at_one_is_at_once_at_the_other(two: Two) -> None:
    here, there = two.owner()
    assert there.get("/me").status_code == 200
    here.post("/me", data={"key": "out", "do": "everywhere"})
    assert there.get("/me").status_code in {302, 303, 401}
    assert there.get("/stock").status_code in {302, 303, 401}


def test_a_sheet_that_was_sent_to_one_is_named_and_booked_at_the_other(two: Two) -> None:
    here, there = two.owner()
    where = sent(here, SHEET.encode())
    named(there, where, NAMES)
    assert "Book 2 rows" in here.get(where).text
    assert there.post(where, data={"key": "book", "do": "book"}).status_code == 302
    assert here.post(where, data={"key": "book", "do": "book"}).status_code == 302
    assert two.count(TakingsLine) == 2


def test_a_count_that_began_at_one_goes_on_at_the_other(two: Two) -> None:
    seen, _ = two.shop.deliver(spools=2)
    here, there = two.owner()
    here.post("/count", data={"key": "place", "code": two.shop.places[0]})
    answer = there.post("/count", data={"key": "spool", "code": seen})
    assert "1 seen here" in answer.text
    assert seen in here.get("/count").text
    settled = here.post("/count/settle", data={"key": "settle", "walk": "1"}, follow_redirects=True)
    assert "No count is under way" in settled.text
    assert "No count is under way" in there.get("/count").text


def test_an_order_that_is_drafted_at_one_is_changed_at_the_other_and_plans_see_it(two: Two) -> None:
    two.shop.run_low()
    offer = two.shop.offered(SupplierEntry(name="Quarry Lane", lead_days=4, parcel_minor=490), 2000)
    here, there = two.owner()
    assert f'name="offer-{offer}"' in here.get("/orders").text
    plans = [_orders(machine.get("/orders").text) for machine in (here, there)]
    assert plans[0] == plans[1]
    drafted = here.post("/orders", data={"key": "draft", "do": "draft", f"offer-{offer}": "3"})
    assert drafted.status_code == 302, drafted.text
    assert there.post("/orders/1/draft", data={"key": "n", "do": "note", "note": "by the back door"}).status_code == 302
    assert "by the back door" in here.get("/orders/1").text  # and what each machine had to say is said
    there.get("/orders/1")
    plans = [_orders(machine.get("/orders").text) for machine in (here, there)]
    assert plans[0] == plans[1]


def _orders(page: str) -> list[str]:
    """Give the figures of a page of orders, without the keys of its forms."""
    main = page.partition("<main")[2]
    return re.findall(r"\d[\d.,]*", re.sub(r'name="key" value="[^"]*"', "", main))


def test_the_forecast_of_one_sees_what_was_drawn_at_the_other(two: Two, other: Store) -> None:
    two.shop.run_low()
    with two.shop.store.read() as here, other.read() as there:
        today = load_shop(here).today(two.shop.now)
        first, second = outlooks.told(here, today=today), outlooks.told(there, today=today)
        assert (first.drawn == second.drawn).all()
        held = sum(one.mg for one in stock.standing(session=there, now=two.shop.now).held.values())
    two.shop.run_low(days=20)
    with two.shop.store.read() as here, other.read() as there:
        third, fourth = outlooks.told(here, today=today), outlooks.told(there, today=today)
        assert (third.drawn == fourth.drawn).all()
        assert not (third.drawn == first.drawn).all()
        assert sum(one.mg for one in stock.standing(session=there, now=two.shop.now).held.values()) > held


@pytest.mark.skipif(sys.platform == "win32", reason="there a program is not sent a signal but ended")
def test_two_programs_with_folders_of_their_own_serve_one_workshop(
    shop: TestWorkshop, tmp_path_factory: pytest.TempPathFactory
) -> None:
    address = shop.store.engine.url.render_as_string(hide_password=False)
    folders = [tmp_path_factory.mktemp(name) for name in ("quay", "mill")]
    token = program_token(shop.store, shop)
    with serving(folders[0], database=address) as quay, serving(folders[1], database=address) as mill:
        loads = [Load(one.port, token, name=name) for one, name in ((quay, "quay"), (mill, "mill"))]
        threads = [thread for load in loads for thread in load.run(2)]
        while any(len(load.answered) < 20 for load in loads):
            time.sleep(0.01)
        assert quay.get("/ready") == mill.get("/ready") == (200, '{"code":"ok"}\n')
        assert mill.end(signal.SIGTERM) == 0
        assert quay.get("/ready")[0] == 200, "one goes on where the other has ended"
        assert quay.end(signal.SIGTERM) == 0
        for load in loads:
            load.over.set()
        for thread in threads:
            thread.join(20)
    with shop.store.read() as session:
        booked = set(session.scalars(select(col(Act.key)).where(col(Act.key).startswith("load-"))))
        assert booked == loads[0].answered | loads[1].answered
        assert next(differences(session), None) is None
    assert (folders[0] / "secret").read_bytes() != (folders[1] / "secret").read_bytes()


def test_what_a_year_taught_is_the_same_at_whatever_hour_each_reads_it(two: Two, other: Store) -> None:
    shop, now = two.shop, two.shop.now

    def taught(store: Store, at: datetime) -> tuple[object, ...]:
        with store.read() as session:
            told = experience.kept(session, shop=load_shop(session), now=at)
        return told.since, told.losing, told.losing_any, told.bought, told.lies, told.lies_any

    first = taught(shop.store, now)
    (code,) = shop.deliver()
    shop.scan(code, shop.feeds[0])
    with shop.store.read() as session:
        (feed, _) = joblist.feeds_of(session=session, machine_id=shop.machine())
    report = JobReport("Hook", shop.machine(), (FeedGrams(400_000, feed.feed_id),))
    shop.do(lambda s: jobs.report_job(session=s, now=now, by=by(), report=report, outcome=Outcome.FAILED, ended_at=now))
    assert taught(other, now + timedelta(hours=2)) == first
    tomorrow = taught(other, now + timedelta(days=1))
    assert tomorrow[2:4] != first[2:4]
