"""What a scan did, and what it waits for, is a picture too: not words and colour alone."""

import re
from collections.abc import Callable

import pytest
from flask.testing import FlaskClient

from spoolkeep.domain.cards import Card
from spoolkeep.services import bench
from tests.workshop import TestWorkshop

Key = Callable[[], str]


def drawn(client: FlaskClient, *names: str) -> list[str]:
    """Give the drawings of these names, as the demo of all icons has them."""
    asks = "{% from 'icons.html' import icon %}{% for name in names %}{{ icon(name) }}{% endfor %}"
    return re.findall(r'd="([^"]+)"', client.application.jinja_env.from_string(asks).render(names=names))


def signs(page: str) -> list[str]:
    found = re.search(r'<p class="signs">(.*?)</p>', page, flags=re.DOTALL)
    return re.findall(r'd="([^"]+)"', found[1]) if found else []


def scanned(client: FlaskClient, key: Key, code: str) -> list[str]:
    client.get("/bench")
    return signs(client.post("/bench", data={"key": key(), "code": code}).text)


def test_each_half_shows_what_it_waits_for(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    (spool,) = shop.deliver()
    assert scanned(client, key, spool) == drawn(client, "wait", "feed", "place")
    assert scanned(client, key, shop.feeds[0]) == drawn(client, "spool", "feed")
    assert scanned(client, key, shop.feeds[1]) == drawn(client, "wait", "spool", "job")
    assert scanned(client, key, shop.places[0]) == drawn(client, "wait", "spool")
    assert scanned(client, key, spool) == drawn(client, "spool", "place")


def test_a_card_shows_what_it_waits_for_and_undo_turns_back(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    (spool,) = shop.deliver()
    assert scanned(client, key, Card.WEIGH.code.text) == drawn(client, "wait", "spool")
    assert scanned(client, key, spool) == drawn(client, "wait", "card")
    assert scanned(client, key, Card.UNDO.code.text) == drawn(client, "back")


def test_a_count_shows_what_comes_next(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    client.get("/bench")
    page = client.post("/count", data={"key": key(), "code": shop.places[0]}).text
    assert signs(page) == drawn(client, "wait", "spool", "place")


@pytest.mark.parametrize(("half", "then"), [("spool", ("feed", "place")), ("feed", ("spool", "job"))])
def test_a_program_is_told_what_may_be_scanned_next(shop: TestWorkshop, half: str, then: tuple[str, ...]) -> None:
    code = shop.deliver()[0] if half == "spool" else shop.feeds[0]
    answer = shop.scan(code)
    assert answer.then == then
    assert answer.did == "waits"
    assert answer.kind == bench.HEARD
