"""Stations on their way in and out, who is at one, and the demo's guest."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.words import Role
from spoolkeep.services import acts, people
from spoolkeep.store.tables import Act, Person, Spool, Token
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import PERSON_COOKIE, STATION_COOKIE, Reach
from tests.web.conftest import Browser
from tests.web.door import DELIVERY, another, cookie, count, number_of, set_by, shown, sign_in
from tests.workshop import TestWorkshop, somebody

DAY = timedelta(days=1)


# ------------------------------------------------------------------ stations


def test_a_station_comes_in_by_a_link_and_is_revoked_in_one_press(
    app: Flask, client: FlaskClient, shop: TestWorkshop
) -> None:
    phone = another(app)
    secret = shown(client.post("/people", data={"do": "station", "label": "Phone by the door"}))
    assert phone.post("/join", data={"secret": secret}).location == "/bench"
    code = shop.deliver()[0]
    for n, scanned in enumerate((code, shop.feeds[0])):
        assert phone.post("/bench", data={"key": f"scan-{n}", "code": scanned}).status_code == 200
    assert phone.get("/money").status_code == 403
    number = number_of(client.get("/people"), "Phone by the door")
    assert client.post("/people", data={"do": "revoke", "token": number}).status_code == 302
    for again in (phone.get("/bench"), phone.post("/bench", data={"key": "scan-9", "code": code})):
        assert again.status_code == 401
    assert "Phone by the door" in client.get("/setup/acts").text, "its scans are kept"
    assert "is on Larch feed 1" not in client.get("/bench").text
    assert code[4:7] in client.get("/bench").text, "and the spool is where it was put"


def test_a_stolen_station_has_no_way_to_what_an_owner_may(browser: Browser, shop: TestWorkshop) -> None:
    station = browser("station")
    for path in ("/people", "/me", "/money", "/orders", "/setup", "/setup/acts"):
        assert station.get(path).status_code == 403, path
    for path in ("/people", "/me", "/setup/settings", "/orders", "/money"):
        assert station.post(path, data={"do": "token"}).status_code == 403, path
    assert count(shop, Person) == 0


def test_a_stations_cookie_lasts_anew_as_it_is_used(browser: Browser, shop: TestWorkshop) -> None:
    """Browsers forget a cookie 400 days after it was set. Source: RFC 6265bis, section 5.5."""
    station = browser("station")
    assert set_by(station.get("/bench"), STATION_COOKIE) == ""
    shop.now += timedelta(hours=2)
    again = station.get("/bench")
    assert "Max-Age=34560000" in set_by(again, STATION_COOKIE)
    assert set_by(station.get("/bench"), STATION_COOKIE) == ""


def test_this_very_device_becomes_a_station_and_its_owner_is_signed_out(client: FlaskClient) -> None:
    made = client.post("/people", data={"do": "here", "label": "Bench"})
    assert made.location == "/bench"
    assert client.get("/bench").status_code == 200
    assert client.get("/people").status_code == 403


def test_a_person_signs_in_over_a_station_and_leaves_it_a_station(
    browser: Browser, shop: TestWorkshop, ada: int
) -> None:
    station = browser("station")
    assert sign_in(station).status_code == 302
    assert station.get("/people").status_code == 200
    assert station.post("/deliveries", data=DELIVERY).status_code == 302
    station.post("/sign-out")
    assert station.get("/people").status_code == 403
    assert station.get("/bench").status_code == 200
    assert _last(shop) == (ada, None)


def _last(shop: TestWorkshop) -> tuple[int, int | None]:
    """Give under whose number the last act stands, and who said at a station that it was they."""
    with shop.store.read() as session:
        act = session.scalars(select(Act).order_by(col(Act.id).desc())).first()
    assert act is not None
    return act.actor_id, act.person_id


# ------------------------------------------------------------------ who is it


def _ben(shop: TestWorkshop) -> int:
    return somebody(shop.store, shop.now, "Ben", Role.OPERATOR)


def test_who_is_it_puts_a_persons_name_beside_the_act_until_the_shop_day_ends(
    browser: Browser, client: FlaskClient, shop: TestWorkshop
) -> None:
    station, ben, code = browser("station"), _ben(shop), shop.deliver()[0]
    assert "who is it?" in station.get("/bench").text
    assert station.post("/bench/who", data={"who": str(ben)}).location == "/bench"
    page = station.get("/bench").text
    assert 'aria-pressed="true"' in page
    for n, scanned in enumerate((code, shop.feeds[0])):
        station.post("/bench", data={"key": f"a{n}", "code": scanned})
    assert _last(shop) == (1, ben)
    told = client.get("/setup/acts").text
    assert "Ben" in told
    shop.now += DAY
    station.post("/bench", data={"key": "b0", "code": code})
    station.post("/bench", data={"key": "b1", "code": shop.feeds[1]})
    assert _last(shop) == (1, None)


def test_nobody_has_to_say_who_it_is(browser: Browser, shop: TestWorkshop) -> None:
    station, code = browser("station"), shop.deliver()[0]
    for n, scanned in enumerate((code, shop.feeds[0])):
        assert station.post("/bench", data={"key": f"a{n}", "code": scanned}).status_code == 200
    assert _last(shop) == (1, None)
    assert station.post("/bench/who", data={"who": ""}).status_code == 302


def test_the_same_scan_sent_again_after_another_said_it_is_me_books_once(browser: Browser, shop: TestWorkshop) -> None:
    """An answer was lost on the way; meanwhile somebody else stood at the bench."""
    station, ben, code = browser("station"), _ben(shop), shop.deliver()[0]
    cy = somebody(shop.store, shop.now, "Cy", Role.OPERATOR)
    station.post("/bench/who", data={"who": str(ben)})
    station.post("/bench", data={"key": "half", "code": code})
    first = station.post("/bench", data={"key": "whole", "code": shop.feeds[0]})
    before = count(shop, Act)
    station.post("/bench/who", data={"who": str(cy)})
    again = station.post("/bench", data={"key": "whole", "code": shop.feeds[0]})
    assert (first.status_code, again.status_code) == (200, 200)
    assert "is on Larch feed 1" in first.text
    assert "is on Larch feed 1" in again.text
    assert count(shop, Act) == before
    assert _last(shop) == (1, ben)


def test_who_is_nobody_here_is_refused(browser: Browser, shop: TestWorkshop) -> None:
    station = browser("station")
    _ben(shop)
    for who in ("999", "1", "-1", "x", "9" * 20):
        assert station.post("/bench/who", data={"who": who}).status_code in {404, 422}, who
    assert station.get("/bench").text.count('aria-pressed="true"') == 1, "nobody named"


def test_saying_so_gives_no_right(browser: Browser, shop: TestWorkshop) -> None:
    station = browser("station")
    owner = somebody(shop.store, shop.now, "Ada")
    assert station.post("/bench/who", data={"who": str(owner)}).status_code == 302
    assert station.get("/people").status_code == 403
    assert station.get("/money").status_code == 403


# ------------------------------------------------------------------ the demo's guest


@pytest.fixture
def guests(shop: TestWorkshop) -> Callable[[], FlaskClient]:
    """Give a maker of browsers that open the demo, of which everybody on this machine is the owner."""
    owner = shop.do(lambda s: people.add(session=s, now=shop.now, by_id=None, name="Demo owner", role=Role.OWNER))
    app = create_app(shop.store, secret=b"x" * 32, clock=lambda: shop.now, reach=Reach(guest_id=owner))
    app.testing = True
    return lambda: another(app)


def test_the_demo_signs_in_by_itself_on_this_machine(guests: Callable[[], FlaskClient], shop: TestWorkshop) -> None:
    for address in ("127.0.0.1", "::1"):
        guest = guests()
        guest.environ_base["REMOTE_ADDR"] = address
        assert guest.get("/people").status_code == 200
        secret = cookie(guest, PERSON_COOKIE)
        assert len(secret) == 43
        assert guest.post("/deliveries", data={**DELIVERY, "key": address}).status_code == 302
        assert cookie(guest, PERSON_COOKIE) == secret, "once, and not at every request"
    with shop.store.read() as session:
        assert session.scalars(select(func.count()).where(col(Token.kind) == "browser")).one() == 2


def test_the_demo_signs_nobody_in_who_asks_from_elsewhere(guests: Callable[[], FlaskClient]) -> None:
    for address in ("192.168.1.20", "127.0.0.2", "::ffff:127.0.0.1", "fe80::1", ""):
        guest = guests()
        guest.environ_base["REMOTE_ADDR"] = address
        for path in ("/", "/people", "/me", "/nothing"):
            answer = guest.get(path, headers={"X-Forwarded-For": "127.0.0.1"})
            assert answer.status_code in {401, 404}, address
        assert cookie(guest, PERSON_COOKIE) == ""


def test_the_demos_doors_for_programs_ask_for_a_token(guests: Callable[[], FlaskClient]) -> None:
    guest = guests()
    assert guest.get("/api/stock").status_code == 401
    assert guest.post("/api/scans", json={"key": "a", "code": "S00000175"}).status_code == 401
    assert guest.get("/api/nothing").status_code == 404
    assert guest.get("/people", headers={"Authorization": "Bearer x"}).status_code == 401
    assert cookie(guest, PERSON_COOKIE) == ""


def test_another_site_cannot_use_the_demos_open_door(guests: Callable[[], FlaskClient], shop: TestWorkshop) -> None:
    guest = guests()
    for headers in ({"Origin": "http://spools.example"}, {"Origin": "null"}, {"Host": "rebound.example"}):
        assert guest.post("/deliveries", data=DELIVERY, headers=headers).status_code == 403
    assert guest.get("/stock", headers={"Host": "rebound.example"}).status_code == 403
    assert cookie(guest, PERSON_COOKIE) == ""
    assert count(shop, Spool) == 0


def _acts(shop: TestWorkshop) -> list[tuple[int, str]]:
    with shop.store.read() as session:
        return [(one.act_id, one.kind) for one in acts.recent(session=session)]


def test_a_station_undoes_what_was_done_there_and_nothing_else(
    browser: Browser, client: FlaskClient, shop: TestWorkshop
) -> None:
    (spool,) = shop.deliver()
    station, elsewhere = browser("station"), browser("station")
    for code in (spool, shop.feeds[0]):
        assert elsewhere.post("/bench", data={"code": code, "key": f"there {code}"}).status_code == 200
    (newest, kind), *_ = _acts(shop)
    assert kind == "scan"
    refused = station.post("/bench/undo", data={"key": "undo 1", "act": newest})
    assert refused.status_code == 403
    assert "not done here" in refused.text
    assert _acts(shop)[0] == (newest, kind)
    assert elsewhere.post("/bench/undo", data={"key": "undo 2", "act": newest}).status_code == 200
    assert client.get("/setup/acts").text.count("undone") >= 1


def test_what_an_owner_set_only_an_owner_undoes(
    browser: Browser, client: FlaskClient, shop: TestWorkshop, key: Callable[[], str]
) -> None:
    hours = {"day_starts_hour": "4", "opens_hour": "8", "share_low": "1", "share_high": "2"}
    days = {"review_days": "7", "cover_days": "28", "safety_days": "3", "lead_days": "5"}
    named = {"name": "Alder works", "locale": "en_GB", "currency": "EUR", "zone": "Europe/Berlin"}
    assert client.post("/setup/settings", data={"key": key(), "do": "settings", **named, **hours, **days}).location
    (settings, kind), *_ = _acts(shop)
    assert kind == "settings"
    operator = browser("operator")
    assert operator.post(f"/setup/acts/{settings}/undo", data={"key": key()}).status_code == 403
    assert client.post(f"/setup/acts/{settings}/undo", data={"key": key()}).status_code == 302
    undo = _acts(shop)[0][0]
    assert operator.post(f"/setup/acts/{undo}/undo", data={"key": key()}).status_code == 403


def test_a_station_does_not_see_what_things_are_worth(
    browser: Browser, client: FlaskClient, shop: TestWorkshop
) -> None:
    (spool,) = shop.deliver()
    assert "Worth" in client.get(f"/spools/{spool}").text
    assert "Worth" not in browser("station").get(f"/spools/{spool}").text
    assert 'data-label="Freight"' in client.get("/deliveries").text
    assert 'data-label="Freight"' not in browser("station").get("/deliveries").text


def test_a_page_of_another_site_does_not_sign_the_demo_in(guests: Callable[[], FlaskClient]) -> None:
    for site in ("cross-site", "same-site"):
        for kind in ("image", "iframe", "empty"):
            made = {"Sec-Fetch-Site": site, "Sec-Fetch-Dest": kind}
            assert guests().get("/", headers=made).status_code == 401
        followed = {"Sec-Fetch-Site": site, "Sec-Fetch-Dest": "document"}
        assert guests().get("/", headers=followed).status_code == 200, "a link that a person follows"
    assert guests().get("/", headers={"Sec-Fetch-Site": "none"}).status_code == 200


def test_the_demos_own_device_becomes_no_station(guests: Callable[[], FlaskClient]) -> None:
    guest = guests()
    assert "Or this very device" not in guest.get("/people").text
    assert guest.post("/people", data={"do": "here", "label": "Here"}).status_code == 409


def test_two_stations_do_not_share_a_name(client: FlaskClient, browser: Browser) -> None:
    browser("station")
    refused = client.post("/people", data={"do": "station", "label": "BENCH"})
    assert refused.status_code == 409
    assert "Give this one another name" in refused.text
