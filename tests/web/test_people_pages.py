"""A person's own page, and what owners do on People and devices."""

import re
from html import unescape

import pytest
from flask import Flask
from flask.testing import FlaskClient

from spoolkeep.domain.errors import TooMany
from spoolkeep.domain.words import LinkKind, Role
from spoolkeep.services import links, passwords, people, signing
from spoolkeep.web.lock import PERSON_COOKIE, STATION_COOKIE
from tests.web.conftest import PASSWORD, Browser
from tests.web.door import (
    DELIVERY,
    OTHER,
    another,
    cookie,
    link,
    number_of,
    shown,
    sign_in,
    tried,
)
from tests.workshop import TestWorkshop, somebody

# ------------------------------------------------------------------ a person's own page


def test_a_password_is_changed_with_the_one_of_now(app: Flask, stranger: FlaskClient, ada: int) -> None:
    """Source: OWASP ASVS 5.0.0, V6.2.2 and V6.2.3; V7.4.3: every other sign-in ends."""
    phone = another(app)
    sign_in(stranger)
    sign_in(phone)
    before = cookie(stranger, PERSON_COOKIE)
    refused = stranger.post("/me", data={"do": "password", "password": OTHER, "new": "four green clocks went east"})
    assert refused.status_code == 422
    assert "That is not your password now" in refused.text
    assert stranger.get("/me").status_code == 200
    changed = stranger.post("/me", data={"do": "password", "password": PASSWORD, "new": OTHER})
    assert (changed.status_code, changed.location) == (302, "/me")
    assert cookie(stranger, PERSON_COOKIE) != before
    assert "Every other device is signed out" in stranger.get("/me").text
    assert phone.get("/me").status_code == 401
    assert sign_in(phone).status_code == 401
    assert sign_in(phone, OTHER).status_code == 302
    assert ada


def test_a_new_password_that_would_be_guessed_is_refused_and_the_sign_in_goes_on(
    stranger: FlaskClient, shop: TestWorkshop, ada: int
) -> None:
    sign_in(stranger)
    for new in ("eleven char", "passwordpassword", "x" * 201):
        answer = stranger.post("/me", data={"do": "password", "password": PASSWORD, "new": new})
        assert answer.status_code == 422
        assert new not in answer.text
    assert tried(shop) == 0
    assert stranger.get("/me").status_code == 200
    assert ada


def test_the_one_of_now_cannot_be_guessed_on_a_page_left_open(
    stranger: FlaskClient, ada: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    sign_in(stranger)
    monkeypatch.setattr(passwords, "matches", lambda *_given: False)
    form = {"do": "password", "password": "a guess", "new": OTHER}
    found = [stranger.post("/me", data=form).status_code for _ in range(signing.HOURLY + 1)]
    assert found == [422] * signing.HOURLY + [429]
    assert stranger.get("/me").status_code == 200
    assert ada


def test_whoever_changes_a_password_while_too_many_sign_in_stays_signed_in(
    stranger: FlaskClient, ada: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second of the two checks is the one that is refused."""
    sign_in(stranger)
    monkeypatch.setattr(passwords, "hashed", _too_many)
    assert stranger.post("/me", data={"do": "password", "password": PASSWORD, "new": OTHER}).status_code == 429
    assert stranger.get("/me").status_code == 200
    assert ada


def _too_many(_password: str) -> str:
    raise TooMany("too_many_at_once", "Many are signing in at this moment.")


def test_sign_out_everywhere_is_one_press(app: Flask, stranger: FlaskClient, ada: int) -> None:
    phone = another(app)
    sign_in(stranger)
    sign_in(phone)
    assert stranger.post("/me", data={"do": "everywhere"}).location == "/sign-in"
    assert [one.get("/me").status_code for one in (stranger, phone)] == [401, 401]
    assert ada


def test_a_further_device_comes_in_by_a_link_without_a_password_once(
    app: Flask, stranger: FlaskClient, shop: TestWorkshop, ada: int
) -> None:
    sign_in(stranger)
    secret = shown(stranger.post("/me", data={"do": "device"}))
    assert secret not in stranger.get("/me").text, "shown this once"
    phone = another(app)
    assert phone.post("/join", data={"secret": secret}).location == "/"
    assert ">Ada<" in phone.get("/me").text
    assert another(app).post("/join", data={"secret": secret}).status_code == 401
    late = shown(stranger.post("/me", data={"do": "device"}))
    shop.now += links.AT_HAND_LASTS
    assert another(app).post("/join", data={"secret": late}).status_code == 401
    assert ada


# ------------------------------------------------------------------ people and devices


def test_a_person_is_added_with_a_link_and_chooses_a_password(app: Flask, client: FlaskClient) -> None:
    secret = shown(client.post("/people", data={"do": "person", "name": "Ben", "role": "operator"}))
    new = another(app)
    asked = new.post("/join", data={"secret": secret})
    assert "Welcome, Ben" in asked.text
    assert new.post("/join", data={"secret": secret, "password": PASSWORD}).status_code == 302
    assert new.get("/people").status_code == 403
    assert new.post("/deliveries", data=DELIVERY).status_code == 302
    assert ">Ben<" in client.get("/people").text
    assert "Ben" in client.get("/setup/acts").text


def test_a_forgotten_password_ends_and_a_link_lets_a_new_one_be_chosen(
    app: Flask, client: FlaskClient, shop: TestWorkshop, kept: str
) -> None:
    """Source: OWASP ASVS 5.0.0, V6.4.3: no weaker way in than the first one."""
    ben = somebody(shop.store, shop.now, "Ben", Role.OPERATOR)
    shop.do(lambda s: people.choose_password(session=s, now=shop.now, actor_id=ben, password_hash=kept))
    bens = another(app)
    assert sign_in(bens, name="Ben").status_code == 302
    secret = shown(client.post("/people", data={"do": "again", "person": str(ben)}))
    assert bens.get("/me").status_code == 401
    assert sign_in(bens, name="Ben").status_code == 401
    assert bens.post("/join", data={"secret": secret, "password": OTHER}).status_code == 302
    assert sign_in(another(app), OTHER, "Ben").status_code == 302


def test_the_last_owner_keeps_the_key(client: FlaskClient, shop: TestWorkshop) -> None:
    with shop.store.read() as session:
        found = people.named(session, "A owner")
    assert found is not None
    for form in ({"do": "role", "role": "reader"}, {"do": "name"}, {"do": "again"}):
        refused = client.post("/people", data={**form, "person": str(found[1].id)})
        assert refused.status_code == 409, form
        assert "Somebody must own the workshop" in refused.text
    assert client.get("/people").status_code == 200


def test_a_removed_name_stands_on_no_page(browser: Browser, client: FlaskClient, shop: TestWorkshop) -> None:
    ben = somebody(shop.store, shop.now, "Thessaly", Role.OPERATOR)
    theirs = browser("operator")
    shop.do(lambda s: people.remove_name(session=s, now=shop.now, by_id=ben, actor_id=ben))
    assert theirs.get("/stock").status_code == 200
    for path in ("/people", "/setup/acts", "/bench", "/setup", "/"):
        assert "Thessaly" not in client.get(path).text
    assert f"actor {ben}" in client.get("/people").text


def test_a_token_is_shown_once(app: Flask, client: FlaskClient) -> None:
    form = {"do": "token", "label": "Larch script", "scope": ["see", "scan"]}
    shown = client.post("/people", data=form)
    assert shown.status_code == 200
    found = re.search(r'<code class="way-secret">([\w-]{43})</code>', shown.text)
    assert found is not None
    assert found[1] not in client.get("/people").text
    program = app.test_client()
    assert program.get("/api/stock", headers={"Authorization": f"Bearer {found[1]}"}).status_code == 200
    number = number_of(client.get("/people"), "Larch script")
    assert client.post("/people", data={"do": "revoke", "token": number}).status_code == 302
    assert program.get("/api/stock", headers={"Authorization": f"Bearer {found[1]}"}).status_code == 401


def test_no_secret_stands_in_an_address(app: Flask, client: FlaskClient, shop: TestWorkshop, ada: int) -> None:
    """Source: OWASP ASVS 5.0.0, V14.2.1: neither in where an answer leads, nor in a link that is sent on as asked."""
    answers, secrets = [], []
    visitor = another(app)
    for kind, actor_id in ((LinkKind.STATION, None), (LinkKind.PERSON, ada)):
        secret = link(shop, kind, actor_id, "Phone")
        secrets.append(secret)
        answers.append(visitor.post("/join", data={"secret": secret}))
        answers.append(visitor.post("/join", data={"secret": secret}))
    answers += [sign_in(visitor), visitor.post("/me", data={"do": "device"})]
    answers += [client.post("/people", data={"do": "token", "label": "Script", "scope": "see"})]
    answers += [client.post("/people", data={"do": "here", "label": "Bench"})]
    secrets += [cookie(visitor, PERSON_COOKIE), cookie(client, STATION_COOKIE)]
    secrets += [found for answer in answers for found in re.findall(r"/join#(\w{26})", answer.text)]
    for answer in answers:
        asked = f"{answer.request.path}?{answer.request.query_string.decode()} {answer.headers.get('Location', '')}"
        held = {secret for secret in secrets if secret and secret in asked}
        assert held == set(), asked
        for href in re.findall(r"""(?:href|src|action)=["']([^"']*)["']""", answer.text):
            sent = unescape(href).partition("#")[0]
            assert not any(secret and secret in sent for secret in secrets if not sent.startswith("data:")), sent
