"""The page of materials, and what is to be minded where it matters."""

from collections.abc import Callable

from flask.testing import FlaskClient

from tests.workshop import TestWorkshop

Key = Callable[[], str]
PA = {"name": "Polyamide", "density": "1.14", "dry_celsius": "80", "dry_hours": "12", "out_hours": "12"}


def material_of(client: FlaskClient, code: str) -> str:
    page = client.get("/setup/materials").text
    return page.split(f">{code}</a>")[0].rsplit("#material-", 1)[1].removesuffix('"')


def test_every_material_says_how_it_is_dried_and_what_is_to_be_minded_with_its_source(client: FlaskClient) -> None:
    page = client.get("/setup/materials").text
    for words in ("about 80 °C for 12 hours", "styrene", "Environ. Sci. Technol.", "never in a food oven", "10/2011"):
        assert words in page, words


def test_what_is_known_of_a_material_is_changed_and_can_be_taken_back(client: FlaskClient, key: Key) -> None:
    number = material_of(client, "PA")
    sent = {"do": "describe", "material": number, **PA, "out_hours": "8", "care": "The grey one first."}
    assert client.post("/setup/materials", data={"key": key(), **sent}).status_code == 302
    assert 'data-label="May be out, h">8<' in client.get("/setup/materials").text
    assert "The grey one first." in client.get("/setup/materials").text
    assert "Material" in client.get("/setup/acts").text


def test_a_material_of_ones_own_can_be_entered_and_items_be_made_of_it(client: FlaskClient, key: Key) -> None:
    sent = {"do": "add", "code": "pp", "name": "Polypropylene", "density": "0.9"}
    assert client.post("/setup/materials", data={"key": key(), **sent}).status_code == 302
    again = client.post("/setup/materials", data={"key": key(), **sent})
    assert again.status_code == 409
    assert "PP is there already." in again.text
    item = {"do": "item", "material": "PP", "colour": "Ice", "shade": "#eeeeff"}
    assert client.post("/setup", data={"key": key(), **item}).status_code == 302
    assert "PP Ice" in client.get("/setup").text


def test_a_figure_that_cannot_be_is_refused_and_what_was_typed_stays(client: FlaskClient, key: Key) -> None:
    number = material_of(client, "PA")
    for field, typed, words in (
        ("density", "40", "0.5 to 10 g"),
        ("dry_celsius", "500", "30 to 200 °C"),
        ("dry_hours", "0", "1 to 240 hours"),
        ("out_hours", "-1", "1 to 8760 hours"),
        ("name", "", "A material&#39;s name"),
    ):
        sent = {"do": "describe", "material": number, **PA, "care": "kept", field: typed}
        answer = client.post("/setup/materials", data={"key": key(), **sent})
        assert answer.status_code == 422, field
        assert words in answer.text, field
        assert "kept" in answer.text


def test_a_place_becomes_a_dryer_and_the_bench_shows_what_is_in_it(
    client: FlaskClient, key: Key, shop: TestWorkshop
) -> None:
    shop.articles.append(shop.item("PA", "Ash", "#777777"))
    (code,) = shop.deliver(article=len(shop.articles) - 1)
    client.post("/setup", data={"key": key(), "do": "place", "name": "Warm box", "kind": "dry box"})
    page = client.get("/setup").text
    number = page.split(">Warm box</option>")[0].rsplit('value="', 1)[1].split('"')[0]
    assert client.post("/setup", data={"key": key(), "do": "dryer", "place": number, "hours": "6"}).status_code == 302
    page = client.get("/setup").text
    assert "dryer, at least 6 h" in page
    label = page.split("dryer, at least 6 h")[1].split("code=")[1][:9]
    shop.scan(code, label)
    bench = client.get("/bench").text
    assert "in Warm box, dry from" in bench
    assert "in Warm box, dry from" in client.get(f"/spools/{code}").text


def test_an_item_says_what_is_to_be_minded_of_it(client: FlaskClient, shop: TestWorkshop) -> None:
    page = client.get(f"/stock/{shop.articles[0]}").text
    assert "What to mind of PLA" in page
    assert "lactide" in page
