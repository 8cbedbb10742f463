"""Coming in and going out, as a browser does it: the first link, passwords, cookies, and guessing."""

import re
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from argon2 import PasswordHasher
from flask import Flask
from flask.testing import FlaskClient

from spoolkeep.domain.words import LinkKind, Role
from spoolkeep.services import passwords, people, signing
from spoolkeep.store.tables import Person, Spool
from spoolkeep.web import lock
from spoolkeep.web.lock import DEVICE_COOKIE, PERSON_COOKIE, STATION_COOKIE
from tests.web.conftest import PASSWORD, Browser
from tests.web.door import (
    DELIVERY,
    OTHER,
    another,
    cookie,
    count,
    form_of,
    link,
    set_by,
    sign_in,
    tried,
)
from tests.workshop import TestWorkshop, somebody

SECURE = "https://localhost"


# ------------------------------------------------------------------ the first owner


def test_a_new_workshop_lets_nobody_in(stranger: FlaskClient, shop: TestWorkshop) -> None:
    """Source: OWASP ASVS 5.0.0, V6.3.2: no account that everybody knows."""
    for path in ("/", "/setup", "/people", "/me"):
        answer = stranger.get(path)
        assert answer.status_code == 401, path
        assert "Nobody owns this workshop yet" in answer.text
        assert "spoolkeep owner" in answer.text
    for name in ("Workshop", "admin", "owner", ""):
        for password in ("", "admin", "Workshop", "password"):
            assert sign_in(stranger, password, name).status_code in {401, 429}
    assert count(shop, Person) == 0


def test_the_first_link_makes_the_owner_once(app: Flask, stranger: FlaskClient, shop: TestWorkshop) -> None:
    secret = link(shop, LinkKind.FIRST)
    asked = stranger.post("/join", data={"secret": secret})
    assert asked.status_code == 200
    assert "The first owner" in asked.text
    assert 'autocomplete="new-password"' in asked.text
    came = stranger.post("/join", data={"secret": secret, "name": "Ada", "password": PASSWORD})
    assert (came.status_code, came.location) == (302, "/")
    assert stranger.get("/people").status_code == 200
    second = another(app)
    for form in ({"secret": secret}, {"secret": secret, "name": "Eve", "password": OTHER}):
        refused = second.post("/join", data=form)
        assert refused.status_code == 401
        assert "This link does not hold any more" in refused.text
    assert count(shop, Person) == 1
    assert sign_in(second).status_code == 302


@pytest.mark.parametrize(
    ("form", "code"),
    [
        ({"name": "Ada", "password": "short"}, "Use at least 12 characters"),
        ({"name": "Ada", "password": "passwordpassword"}, "That would soon be guessed"),
        ({"name": "Quorvane", "password": "Quorvane2026!"}, "That would soon be guessed"),
        ({"name": "Ada", "password": "x" * 201}, "Use at most 200 characters"),
        ({"name": " ", "password": PASSWORD}, "Write what it is called"),
        ({"name": "Ada", "password": ""}, "Use at least 12 characters"),
    ],
)
def test_a_password_that_is_refused_leaves_the_link_open_and_is_not_written_back(
    stranger: FlaskClient, shop: TestWorkshop, form: dict[str, str], code: str
) -> None:
    secret = link(shop, LinkKind.FIRST)
    refused = stranger.post("/join", data={"secret": secret, **form})
    assert refused.status_code == 422
    assert code in refused.text
    assert form_of(refused, "/join")["secret"] == secret
    assert form_of(refused, "/join")["password"] == ""
    assert stranger.post("/join", data={"secret": secret, "name": "Ada", "password": PASSWORD}).status_code == 302


def test_opening_the_page_of_a_link_uses_nothing_up(stranger: FlaskClient, shop: TestWorkshop, ada: int) -> None:
    """A program that looks at links before a person does opens the page; what is behind the # it never sends."""
    secret = link(shop, LinkKind.PERSON, ada)
    for path in ("/join", f"/join?secret={secret}"):
        page = stranger.get(path)
        assert page.status_code == 200
        assert secret not in page.text
    assert stranger.post("/join", data={"secret": secret}).status_code == 302
    assert stranger.get("/me").status_code == 200


# ------------------------------------------------------------------ in and out


def test_a_person_signs_in_and_out(stranger: FlaskClient, ada: int) -> None:
    assert stranger.get("/stock").status_code == 401
    came = sign_in(stranger)
    assert (came.status_code, came.location) == (302, "/")
    assert "Ada" in stranger.get("/stock").text
    went = stranger.post("/sign-out")
    assert (went.status_code, went.location) == (302, "/sign-in")
    assert stranger.get("/stock").status_code == 401
    assert ada


def test_a_person_is_led_to_the_page_that_was_asked_for(stranger: FlaskClient, ada: int) -> None:
    asked = stranger.get("/deliveries?order=5")
    assert asked.status_code == 401
    to = form_of(asked, "/sign-in")["to"]
    assert to == "/deliveries?order=5"
    assert sign_in(stranger, to=to).location == to
    assert ada


ELSEWHERE = (
    "//spools.example",
    "/\\spools.example",
    "/\t/spools.example",
    "https://spools.example/",
    "javascript:alert(1)",
    "/nothing",
    "/sign-out",
    "/api/openapi.json",
    "/static/css/paper.css",
    "",
)


def test_a_way_back_leads_to_a_page_of_ours(stranger: FlaskClient, ada: int) -> None:
    """Source: OWASP ASVS 5.0.0, V1.2.2 and V3.7.2."""
    for to in ELSEWHERE:
        assert sign_in(stranger, to=to).location == "/", to
    assert ada


def test_the_sign_in_helps_who_keeps_passwords_in_a_safe(stranger: FlaskClient, ada: int) -> None:
    """Source: OWASP ASVS 5.0.0, V6.2.6 and V6.2.7: masked; pasting and password managers are let be."""
    page = stranger.get("/sign-in").text
    for part in ('type="password"', 'autocomplete="username"', 'autocomplete="current-password"'):
        assert part in page
    assert "onpaste" not in page
    assert "maxlength" not in re.findall(r"<input[^>]*type=\"password\"[^>]*>", page)[0]
    assert ada


def test_a_wrong_name_and_a_wrong_password_are_told_alike(stranger: FlaskClient, ada: int) -> None:
    """Source: OWASP ASVS 5.0.0, V6.3.8: nobody learns who has an account."""
    for name, password in (("Ada", OTHER), ("Nobody", PASSWORD), ("", ""), ("Ada", "x" * 5000)):
        refused = sign_in(stranger, password, name)
        assert refused.status_code == 401
        assert "That name and that password do not belong together" in refused.text
        assert password == "" or password not in refused.text
    assert cookie(stranger, PERSON_COOKIE) == ""
    assert ada


def test_whoever_signed_out_is_out(app: Flask, stranger: FlaskClient, ada: int) -> None:
    """Source: OWASP ASVS 5.0.0, V7.4.1: the secret itself ends, not only the cookie; a page left open shows nothing."""
    sign_in(stranger)
    secret = cookie(stranger, PERSON_COOKIE)
    assert stranger.get("/stock").headers["Cache-Control"] == "no-store"
    went = stranger.post("/sign-out")
    assert "Max-Age=0" in set_by(went, PERSON_COOKIE)
    thief = another(app)
    thief.set_cookie(PERSON_COOKIE, secret)
    assert thief.get("/me").status_code == 401
    assert stranger.post("/sign-out").status_code == 302, "and nothing breaks twice"
    assert ada


def test_each_sign_in_has_a_secret_of_its_own_and_the_old_one_ends(app: Flask, stranger: FlaskClient, ada: int) -> None:
    """Source: OWASP ASVS 5.0.0, V7.2.4: no secret of before a sign-in goes on after it."""
    secrets = []
    for _ in range(3):
        assert sign_in(stranger).status_code == 302
        secrets.append(cookie(stranger, PERSON_COOKIE))
    assert len(set(secrets)) == 3
    found = []
    for secret in secrets:
        other = another(app)
        other.set_cookie(PERSON_COOKIE, secret)
        found.append(other.get("/me").status_code)
    assert found == [401, 401, 200]
    assert ada


def test_a_secret_that_was_planted_is_not_taken_up(stranger: FlaskClient, ada: int) -> None:
    stranger.set_cookie(PERSON_COOKIE, "planted")
    stranger.set_cookie(DEVICE_COOKIE, "planted")
    assert sign_in(stranger).status_code == 302
    assert "planted" not in {cookie(stranger, PERSON_COOKIE), cookie(stranger, DEVICE_COOKIE)}
    assert ada


def test_a_link_ends_the_sign_in_that_the_browser_had(
    app: Flask, stranger: FlaskClient, shop: TestWorkshop, ada: int
) -> None:
    ben = somebody(shop.store, shop.now, "Ben", Role.OPERATOR)
    sign_in(stranger)
    old = cookie(stranger, PERSON_COOKIE)
    assert stranger.post("/join", data={"secret": link(shop, LinkKind.PERSON, ben)}).status_code == 302
    assert ">Ben<" in stranger.get("/me").text
    other = another(app)
    other.set_cookie(PERSON_COOKIE, old)
    assert other.get("/me").status_code == 401
    assert ada


# ------------------------------------------------------------------ cookies


def test_the_cookies_are_not_for_scripts_and_not_for_other_sites(
    stranger: FlaskClient, shop: TestWorkshop, ada: int
) -> None:
    """Source: OWASP ASVS 5.0.0, V3.3.2 and V3.3.4; RFC 6265bis, section 5.6.7, on Lax."""
    came = sign_in(stranger)
    station = stranger.post("/join", data={"secret": link(shop, LinkKind.STATION, label="Phone")})
    said = stranger.post("/me", data={"do": "everywhere"})
    named = [set_by(came, PERSON_COOKIE), set_by(came, DEVICE_COOKIE), set_by(station, STATION_COOKIE)]
    for one in [*named, set_by(said, PERSON_COOKIE)]:
        parts = {part.strip() for part in one.split(";")[1:]}
        assert {"HttpOnly", "SameSite=Lax", "Path=/"} <= parts, one
        assert "Secure" not in parts, one
        assert not any(part.startswith("Domain") for part in parts), one
    assert "Max-Age=2592000" in named[0]  # thirty days
    assert "Max-Age=34560000" in named[1]  # 400 days: RFC 6265bis, section 5.5
    assert "Max-Age=34560000" in named[2]
    assert ada


def test_the_cookies_are_tied_to_the_host_on_an_encrypted_way(app: Flask, shop: TestWorkshop, ada: int) -> None:
    """Source: OWASP ASVS 5.0.0, V3.3.1 and V3.3.3; RFC 6265bis, section 4.1.3.2, on the prefix."""
    client = app.test_client()
    client.environ_base["HTTP_ORIGIN"] = SECURE
    came = client.post("/sign-in", data={"name": "Ada", "password": PASSWORD}, base_url=SECURE)
    assert came.status_code == 302
    assert "Strict-Transport-Security" in came.headers
    secret = link(shop, LinkKind.STATION, label="Phone")
    station = client.post("/join", data={"secret": secret}, base_url=SECURE)
    booked = client.post("/deliveries", data=DELIVERY, base_url=SECURE)
    names = (PERSON_COOKIE, DEVICE_COOKIE, STATION_COOKIE, lock.SAID_COOKIE)
    for answer, name in zip((came, came, station, booked), names, strict=True):
        one = set_by(answer, f"__Host-{name}")
        assert {"Secure", "HttpOnly", "SameSite=Lax", "Path=/"} <= {part.strip() for part in one.split(";")}, one
        assert "Domain" not in one
        assert set_by(answer, name) == ""
    assert client.get("/me", base_url=SECURE).status_code == 200
    assert ada


def test_a_cookie_of_the_plain_way_does_not_count_on_the_encrypted_one(browser: Browser) -> None:
    """Anybody on the plain network could have set it."""
    owner = browser("owner")
    assert owner.get("/me").status_code == 200
    assert owner.get("/me", base_url=SECURE).status_code == 401


def test_the_cookie_of_messages_is_not_for_scripts_either_and_a_forged_one_says_nothing(
    client: FlaskClient, shop: TestWorkshop
) -> None:
    booked = client.post("/deliveries", data=DELIVERY)
    one = set_by(booked, lock.SAID_COOKIE)
    assert {"HttpOnly", "SameSite=Lax", "Path=/"} <= {part.strip() for part in one.split(";")}
    client.set_cookie(lock.SAID_COOKIE, f"{cookie(client, lock.SAID_COOKIE)[:-4]}AAAA")
    assert "Booked in" not in client.get("/deliveries").text
    assert count(shop, Spool) == 3


# ------------------------------------------------------------------ guessing


def test_guesses_are_held_off_with_words_that_say_what_to_do(
    stranger: FlaskClient, shop: TestWorkshop, ada: int
) -> None:
    for _ in range(signing.HOURLY):
        assert sign_in(stranger, OTHER).status_code == 401
    held = sign_in(stranger)
    assert held.status_code == 429
    assert "Try again later" in held.text
    assert "spoolkeep owner" in held.text
    shop.now += timedelta(hours=1)
    assert sign_in(stranger).status_code == 302
    assert ada


def test_a_visitor_cannot_be_another_one_by_saying_so(
    stranger: FlaskClient, ada: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(passwords, "matches", lambda *_given: False)
    found = [
        stranger.post(
            "/sign-in",
            data={"name": "Ada", "password": OTHER},
            headers={"X-Forwarded-For": f"203.0.113.{n}", "Forwarded": f"for=203.0.113.{n}", "X-Real-IP": "::1"},
        ).status_code
        for n in range(signing.HOURLY + 2)
    ]
    assert found == [401] * signing.HOURLY + [429] * 2
    assert ada


def test_a_flood_from_everywhere_does_not_hold_a_known_device_off(
    app: Flask, stranger: FlaskClient, ada: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hundred and more guesses, counted as looked at: only the check itself is left out."""
    sign_in(stranger)
    stranger.post("/sign-out")
    with monkeypatch.context() as without_waiting:
        without_waiting.setattr(passwords, "matches", lambda *_given: False)
        flood = [
            another(app)
            .post(
                "/sign-in",
                data={"name": "Ada", "password": OTHER},
                environ_overrides={"REMOTE_ADDR": f"203.0.113.{n}"},
            )
            .status_code
            for n in range(signing.PERSON_DAILY + 10)
        ]
    assert flood == [401] * signing.PERSON_DAILY + [429] * 10
    assert sign_in(another(app)).status_code == 429
    assert sign_in(stranger).status_code == 302, "by the cookie of the device"
    page = stranger.post("/me", data={"do": "device"})
    way = re.search(r"/join#(\w+)", page.text)
    assert way is not None
    phone = another(app)
    assert phone.post("/join", data={"secret": way[1]}).status_code == 302
    assert phone.get("/me").status_code == 200
    phone.post("/sign-out")
    assert sign_in(phone).status_code == 302, "which is known from then on"
    assert ada


@pytest.fixture
def full_room(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Let as many checks wait as may."""
    room = threading.BoundedSemaphore(passwords.WAITING_ROOM)
    monkeypatch.setattr(passwords, "_room", room)
    with ThreadPoolExecutor(passwords.WAITING_ROOM) as others:
        list(others.map(lambda _: room.acquire(), range(passwords.WAITING_ROOM)))
        yield
        for _ in range(passwords.WAITING_ROOM):
            room.release()


@pytest.mark.usefixtures("full_room")
def test_where_too_many_sign_in_at_once_nothing_is_counted_as_wrong(
    stranger: FlaskClient, shop: TestWorkshop, ada: int
) -> None:
    for _ in range(signing.HOURLY + 2):
        full = sign_in(stranger)
        assert full.status_code == 429
        assert "Send it again in a few seconds" in full.text
    assert tried(shop) == 0
    assert ada


def test_a_weaker_hash_is_renewed_at_the_next_sign_in(stranger: FlaskClient, shop: TestWorkshop) -> None:
    weak = PasswordHasher(time_cost=1, memory_cost=8_192, parallelism=1).hash(PASSWORD)
    ada = shop.do(lambda s: people.set_owner(session=s, now=shop.now, name="Ada", password_hash=weak))
    assert sign_in(stranger, OTHER).status_code == 401
    assert _kept(shop, ada) == weak
    assert sign_in(stranger).status_code == 302
    assert _kept(shop, ada).startswith("$argon2id$v=19$m=19456,t=2,p=1$")
    assert sign_in(stranger).status_code == 302


def _kept(shop: TestWorkshop, actor_id: int) -> str:
    with shop.store.read() as session:
        person = people.by_number(session, actor_id)
        assert person is not None
        return person.password_hash or ""


def test_a_blank_before_a_password_belongs_to_it(stranger: FlaskClient, shop: TestWorkshop) -> None:
    secret, chosen = link(shop, LinkKind.FIRST), f"  {PASSWORD}\t"
    assert stranger.post("/join", data={"secret": secret, "name": "Ada", "password": chosen}).status_code == 302
    assert sign_in(stranger, PASSWORD).status_code == 401
    assert sign_in(stranger, chosen, " ada ").status_code == 302
