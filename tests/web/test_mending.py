"""The pages that mend what was entered: an item, a name, a merge with its preview, a spool under the wrong item."""

from collections.abc import Callable

from flask.testing import FlaskClient

from tests.workshop import TestWorkshop

Key = Callable[[], str]


def test_an_item_is_changed_on_its_page(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    path = f"/setup/items/{shop.articles[1]}"
    assert path in client.get("/setup").text
    form = {"colour": "Bone", "finish": "matt", "shade_1": "#eee8d5", "diameter": "1.75", "density": "1,3"}
    answer = client.post(path, data={"do": "change", "key": key(), **form}, follow_redirects=True)
    assert "PLA Bone" in answer.text
    assert "density 1.30 g/cm³" in answer.text
    assert "Called before: PLA Chalk white" in client.get(path).text
    refused = client.post(path, data={"do": "change", "key": key(), **form, "density": "20000"})
    assert refused.status_code == 422
    assert "too large" in refused.text


def test_a_merge_is_shown_before_it_is_done_and_an_old_link_leads_on(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    black, white = shop.articles
    shop.run_low(days=3)
    ahead = client.get(f"/setup/items/{black}?into={white}").text.replace("\xa0", " ")
    assert "PLA Slate black into PLA Chalk white" in ahead
    assert "1 with 600 g" in ahead
    assert "300 g on 3 days" in ahead
    answer = client.post(f"/setup/items/{black}", data={"do": "merge", "into": white, "key": key()})
    assert answer.location == f"/stock/{white}"
    assert client.get(f"/stock/{black}").location == f"/stock/{white}"
    assert client.get(f"/setup/items/{black}").location == f"/setup/items/{white}"
    found = client.get("/search?q=slate").text
    assert f"/stock/{white}" in found
    assert "was PLA Slate black" in found
    assert "merge items" in client.get("/setup/acts").text


def test_a_spool_under_the_wrong_item_is_moved_from_its_page(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    code, white = shop.deliver(1)[0], shop.articles[1]
    path = f"/spools/{code}/item"
    assert path in client.get(f"/spools/{code}").text
    ahead = client.get(f"{path}?into={white}").text
    assert "Its label keeps its code" in ahead
    answer = client.post(path, data={"into": white, "key": key()}, follow_redirects=True)
    assert "PLA Chalk white" in answer.text
    again = client.post(path, data={"into": white, "key": key()})
    assert again.status_code == 422
    assert "booked under PLA Chalk white already" in again.text


def test_a_name_is_changed_and_what_is_retired_can_be_taken_back(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    assert shop.places
    path = "/setup/place/1"
    assert path in client.get("/setup").text
    answer = client.post(path, data={"do": "rename", "name": "Wall shelf", "key": key()}, follow_redirects=True)
    assert "Wall shelf" in answer.text
    client.post(path, data={"do": "retire", "key": key()})
    assert "It is retired." in client.get(path).text
    assert "Wall shelf" not in client.get("/deliveries").text
    client.post(path, data={"do": "take back", "key": key()})
    assert "Wall shelf" in client.get("/deliveries").text
    assert client.get("/setup/shelf/1").status_code == 404
    assert client.post("/setup/place/1", data={"do": "merge", "into": 2, "key": key()}).status_code == 422
