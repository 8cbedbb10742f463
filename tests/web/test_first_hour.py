"""The first hour: one short path through an empty workshop, each step on its page, skipped or taken up again."""

import re
from collections.abc import Callable
from datetime import datetime

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput
from spoolkeep.services import choices, firsthour, labels, stock, undoing
from spoolkeep.services.firsthour import OnShelf, Shelved, Step
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import Act, Feed, Machine, Place, Workshop
from tests.workshop import TestWorkshop, by

Key = Callable[[], str]


def hour_of(shop: TestWorkshop) -> firsthour.Hour:
    with shop.store.read() as session:
        return firsthour.hour(session, load_shop(session))


def shelve(shop: TestWorkshop, **told: str) -> Shelved:
    said = {"item": "PLA Slate black", "weight": "850 g", "tare": "", "full": "", "place": "", "count": "", "shade": ""}
    entry = OnShelf(**(said | told))
    return shop.do(lambda s: firsthour.shelve(session=s, now=shop.now, by=by(), entry=entry))


def test_a_place_is_of_the_kind_that_its_name_says(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    names = "Oak shelf, Dry box 1-2, Plan drawer, Cellar, Shelf of the dry box"
    client.post("/first-hour", data={"key": key(), "do": "places", "names": names, "kind": "drawer"})
    with shop.store.read() as session:
        kinds = {one.name: one.kind for one in choices.place_list(session=session)}
    assert kinds["Oak shelf"] == "shelf"
    assert kinds["Dry box 1"] == kinds["Dry box 2"] == "dry box"
    assert kinds["Plan drawer"] == kinds["Cellar"] == kinds["Shelf of the dry box"] == "drawer"


def test_machines_and_places_are_entered_several_at_once_and_taken_back_as_one(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    form = {"key": key(), "do": "machines", "names": "Elm 1-6", "feeds": "2"}
    assert client.post("/first-hour", data=form).location == "/first-hour"
    assert client.post("/first-hour", data=form).location == "/first-hour", "a second press is answered as the first"
    assert "Take it back under Setup → Acts and undo." in client.get("/first-hour").text
    assert "Acts and undo" in client.get("/setup").text, "that is what the way there is called"
    places = {"key": key(), "do": "places", "names": "Shelf A-D, Cellar", "kind": "shelf"}
    client.post("/first-hour", data=places)
    with shop.store.read() as session:
        machines = session.scalars(select(col(Machine.name)).order_by(col(Machine.id))).all()
        assert machines == ["Larch", *(f"Elm {number}" for number in range(1, 7))]
        assert len(session.scalars(select(Feed)).all()) == len(shop.feeds) + 12
        names = session.scalars(select(col(Place.name)).order_by(col(Place.id))).all()
        act = session.scalars(select(Act).where(col(Act.kind) == "machines")).one()
        about, act_id = act.about, act.id
    assert names == ["Long shelf", "Shelf A", "Shelf B", "Shelf C", "Shelf D", "Cellar"]
    assert about == "Elm 1 to Elm 6"
    assert client.post(f"/setup/acts/{act_id}/undo", data={"key": key()}).status_code == 302
    with shop.store.read() as session:
        assert session.scalars(select(col(Machine.name)).where(col(Machine.live))).all() == ["Larch"]


def test_a_name_that_is_taken_adds_none_of_them(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    answer = client.post("/first-hour", data={"key": key(), "do": "machines", "names": "Larch, Yew", "feeds": "1"})
    assert answer.status_code == 409
    assert "There is a machine named “Larch” already" in answer.text
    assert 'value="Larch, Yew"' in answer.text, "what was typed is kept"
    with shop.store.read() as session:
        assert session.scalars(select(col(Machine.name))).all() == ["Larch"]


def test_the_workshop_is_named_and_its_other_settings_stay(client: FlaskClient, store: Store, key: Key) -> None:
    form = {"key": key(), "name": "Reed Lane", "zone": "Europe/Lisbon", "currency": "eur", "locale": "pt_PT"}
    assert client.post("/first-hour/workshop", data=form).status_code == 302
    with store.read() as session:
        row = session.get_one(Workshop, 1)
        assert (row.name, row.zone, row.currency, row.opens_hour) == ("Reed Lane", "Europe/Lisbon", "EUR", 7)
    wrong = client.post("/first-hour/workshop", data=form | {"key": key(), "zone": "Moon/Base"})
    assert wrong.status_code == 422
    assert 'value="Moon/Base"' in wrong.text


def test_a_step_is_skipped_and_taken_up_again_and_that_holds(client: FlaskClient, store: Store, key: Key) -> None:
    for _ in range(2):
        assert client.post("/first-hour", data={"key": key(), "do": "say", "step": "station"}).status_code == 302
        with store.read() as session:
            assert firsthour.hour(session, load_shop(session)).said == {Step.STATION}
        client.post("/first-hour", data={"key": key(), "do": "say", "step": "station", "open": "yes"})
        with store.read() as session:
            assert firsthour.hour(session, load_shop(session)).said == frozenset()
    assert client.post("/first-hour", data={"key": key(), "do": "say", "step": "nap"}).status_code == 422


def _taken_back(shop: TestWorkshop, act_id: int) -> int:
    def undo(session: Session) -> int:
        return undoing.undo_act(session=session, now=shop.now, by=by(), act_id=act_id, owner=True).act_id

    return shop.do(undo)


def _say(shop: TestWorkshop, step: Step) -> None:
    shop.do(lambda s: firsthour.say(session=s, now=shop.now, by=by(), step=step, done=True))


def test_a_skip_that_is_taken_back_and_done_again_counts_each_time(shop: TestWorkshop) -> None:
    made = shop.do(lambda s: firsthour.say(session=s, now=shop.now, by=by(), step=Step.COUNT, done=True))
    found = [Step.COUNT in hour_of(shop).said]
    act_id = made.act_id
    for _ in range(2):
        act_id = _taken_back(shop, act_id)
        found.append(Step.COUNT in hour_of(shop).said)
    assert found == [True, False, True]


def test_spools_come_in_one_after_the_other_on_the_same_page(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    first = client.post(
        "/first-hour",
        data={"key": key(), "do": "spool", "item": "PLA Slate black", "weight": "1.05 kg", "tare": "200", "place": "A"},
    )
    assert first.location.startswith("/first-hour?at=spools&place=A&tare=200")
    page = client.get(first.location).text
    assert "850\N{NO-BREAK SPACE}g: S" in page
    assert re.search(r'name="place"[^>]* value="A"|value="A"[^>]*name="place"', page), "the place stays"
    two = {"key": key(), "do": "spool", "item": "PETG Sea green", "weight": "500", "count": "2"}
    client.post("/first-hour", data=two)
    with shop.store.read() as session:
        held = {row.item.name: (row.spools, row.left_mg) for row in stock.rows(session=session, now=shop.now)}
        assert list(differences(session)) == []
    assert held["PLA Slate black"] == (1, 850_000)
    assert held["PETG Sea green"] == (2, 1_000_000)


@pytest.mark.parametrize(
    ("told", "code"),
    [
        ({"item": "Slate"}, "no_such_item"),
        ({"item": "PLA Moss"}, "no_shade"),
        ({"weight": "some"}, "not_a_weight"),
        ({"weight": "99999999999999999999999 kg"}, "too_heavy"),
        ({"tare": "99999999999999999999999 kg"}, "too_heavy"),
        ({"weight": "100 g", "tare": "200 g"}, "negative_left"),
        ({"full": "500"}, "more_than_new"),
        ({"count": "0"}, "not_a_count"),
    ],
)
def test_a_spool_that_cannot_be_is_refused(shop: TestWorkshop, told: dict[str, str], code: str) -> None:
    with pytest.raises(BadInput) as refused:
        shelve(shop, **told)
    assert refused.value.code == code


def test_a_name_without_a_plain_word_takes_the_shade_that_is_said(shop: TestWorkshop) -> None:
    assert shelve(shop, item="PLA Moss", shade="green").item == "PLA Moss"


def test_all_labels_are_in_walking_order(client: FlaskClient, shop: TestWorkshop) -> None:
    (near,) = shelve(shop, place="A nook").codes
    (far,) = shelve(shop, place="Long shelf").codes
    (nowhere,) = shelve(shop).codes
    with shop.store.read() as session:
        found = [one.code.text for one in labels.of_everything(session=session, now=shop.now).labels]
        nook = next(text for text in found if text.startswith("P") and text != shop.places[0])
    assert found == [nook, near, shop.places[0], far, *shop.feeds, nowhere]
    assert client.get("/labels/all.pdf").data.startswith(b"%PDF")


def test_an_empty_workshop_has_no_labels(sqlite_store: Store, now: datetime) -> None:
    with sqlite_store.read() as session, pytest.raises(BadInput, match="Add one first"):
        labels.of_everything(session=session, now=now)


def test_today_leads_until_all_is_done_and_never_an_older_workshop(client: FlaskClient, shop: TestWorkshop) -> None:
    shelve(shop)
    page = client.get("/").text
    assert "5 steps of the first hour are open" in page
    assert "Next: Say what the workshop is" in page
    for step in Step:
        _say(shop, step)
    assert hour_of(shop).is_over
    assert "first hour" not in client.get("/").text


def test_a_workshop_that_has_had_deliveries_is_not_led(client: FlaskClient, shop: TestWorkshop) -> None:
    shop.deliver()
    assert hour_of(shop).is_over
    assert "first hour" not in client.get("/").text
