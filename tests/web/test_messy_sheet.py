"""A spreadsheet that nobody cleaned comes in: what is proposed is shown, nothing is booked before a person agrees."""

import io
import re
from collections.abc import Sequence

import pytest
from flask.testing import FlaskClient
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.spelling import Plain, may_be_one
from spoolkeep.services import finding, stock
from spoolkeep.services.imports import spellings
from spoolkeep.store.tables import ImportNames, Place, Spool
from tests import messy_sheets
from tests.messy_sheets import Cell
from tests.workshop import TestWorkshop

SHEETS = {"csv": messy_sheets.as_csv, "xlsx": messy_sheets.as_workbook}


def sent(client: FlaskClient, data: bytes, *, name: str = "shelves.csv") -> str:
    answer = client.post(
        "/imports",
        data={"key": f"send {len(data)} {name}", "sheet": "spools", "file": (io.BytesIO(data), name)},
        content_type="multipart/form-data",
    )
    assert answer.status_code == 302, answer.text
    return str(answer.location)


def form_of(page: str) -> dict[str, str]:
    """Give what the reading's form would send as it is shown."""
    form = page.partition('<form id="reading"')[2].partition("</form>")[0]
    found: dict[str, str] = {}
    for tag in re.findall(r"<input [^>]*>", form):
        told = dict(re.findall(r'(\w+)="([^"]*)"', tag))
        if told.get("type") != "checkbox":
            found[told["name"]] = told.get("value", "")
        elif " checked" in tag:
            found[told["name"]] = f"{found.get(told['name'], '')} {told['value']}".strip()
    for name, options in re.findall(r'<select [^>]*name="([^"]+)"[^>]*>(.*?)</select>', form, re.DOTALL):
        values = re.findall(r'<option value="([^"]*)"( selected)?', options)
        found[name] = next((value for value, chosen in values if chosen), values[0][0])
    return found | {"do": "name", "key": f"name {len(page)}"}


def spools(shop: TestWorkshop) -> int:
    with shop.store.read() as session:
        return session.scalars(select(func.count()).select_from(Spool)).one()


def agreed(client: FlaskClient, where: str, **more: str) -> str:
    """Say that it is right, as it is shown; give the page after it."""
    answer = client.post(where, data=form_of(client.get(where).text) | more)
    assert answer.status_code == 302, answer.text
    return client.get(where).text


def booked(client: FlaskClient, where: str) -> None:
    answer = client.post(where, data={"key": f"book {where}", "do": "book"})
    assert (answer.status_code, answer.location) == (302, "/first-hour"), "it leads on to the next step"


@pytest.mark.parametrize("kind", SHEETS)
def test_a_messy_sheet_comes_in_by_one_yes(client: FlaskClient, shop: TestWorkshop, kind: str) -> None:
    where = sent(client, SHEETS[kind](), name=f"shelves.{kind}")
    page = client.get(where).text
    for proposed in (
        "lines 5 and 6 name the columns",
        "line 16 is a total and is left out",
        "“Weight now” is left_g",
        "PLA “Chalk” is “Chalk white”",
        "PLA “Chalk-White” is “Chalk white”",
    ):
        assert proposed in page
    assert "Book 7 rows" not in page
    assert client.post(where, data={"key": "early", "do": "book"}).status_code == 422
    assert spools(shop) == 0
    assert "Book 7 rows: 10 spools" in agreed(client, where)
    booked(client, where)
    with shop.store.read() as session:
        held = {
            row.item.name: (row.spools, row.left_mg) for row in stock.rows(session=session, now=shop.now) if row.spools
        }
        assert session.scalars(select(col(Place.name)).order_by(col(Place.name))).all() == [
            "Dry box",
            "Long shelf",
            "Shelf A",
            "Shelf B",
        ]
    assert held == {
        "PETG Signal red": (3, 2_000_000),
        "PLA Chalk white": (6, 5_340_000),
        "TPU Black": (1, 210_000),
    }
    assert sum(count for count, _ in held.values()) == messy_sheets.SPOOLS
    assert sum(left for _, left in held.values()) == messy_sheets.LEFT_G * 1000


def test_the_preview_tells_row_by_row_what_would_be_booked(client: FlaskClient) -> None:
    page = client.get(sent(client, messy_sheets.as_csv())).text
    rows = re.findall(r"<tr><td class=\"mark\">.*?</tr>", page, re.DOTALL)
    words = [" ".join(re.sub(r"<[^>]+>", " ", row).split()) for row in rows]
    assert len(words) == 7
    assert words[2].startswith("PLA Chalk white 10 3 1,000 g 1,000 g €19.90 Shelf A new")
    assert "new item" in words[4]
    assert "Dry box new" in words[4]
    assert "came 25 Jan" in words[4]


def test_what_was_decided_is_remembered_for_the_next_sheet_of_this_source(
    client: FlaskClient, shop: TestWorkshop
) -> None:
    where = sent(client, messy_sheets.as_csv())
    agreed(client, where)
    booked(client, where)
    with shop.store.read() as session:
        assert session.scalars(select(func.count()).select_from(ImportNames)).one() == 1
    more: Sequence[Sequence[Cell]] = [("PLA chalk white", None, "1 kg", "1 kg", 2, "19,90 €", "1.3.2026", "Shelf B")]
    again = sent(client, messy_sheets.as_csv(more))
    page = client.get(again).text
    asked = re.findall(r"line \d+ [^<]*", page)
    assert asked, "the total is asked about in each sheet"
    assert all("is a total and is left out" in one for one in asked)
    assert "“Weight now” is left_g" not in page
    assert "Book 1 row: 2 spools" in agreed(client, again)
    booked(client, again)
    assert spools(shop) == messy_sheets.SPOOLS + 2


def test_a_spelling_can_be_kept_apart_and_a_new_colour_asks_for_its_shade(
    client: FlaskClient, shop: TestWorkshop
) -> None:
    where = sent(client, b"material,colour,left\nPLA,Moss,1 kg\nPLA,Mosss,1 kg\n")
    page = client.get(where).text
    assert "PLA “Mosss” is “Moss”" in page
    assert "Give it, so that it can be shown." in page
    form = form_of(page)
    apart = next(name for name, value in form.items() if value == "pla mosss").replace("spelling", "means")
    page = agreed(client, where, **{apart: "Mosss", "shade-1": "green"})
    assert "“Mosss” is a new colour: give its shade" in page
    page = agreed(client, where, **{"shade-2": "moor"})
    assert "“moor” is no shade: take a plain word" in page
    assert "“Mosss” is a new colour: give its shade" in page, "what was told before is kept"
    page = agreed(client, where, **{"shade-2": "dark green"})
    assert "Book 2 rows" in page
    booked(client, where)
    with shop.store.read() as session:
        names = {item.name for item in finding.items(session).values()}
    assert {"PLA Moss", "PLA Mosss"} <= names


def test_an_item_that_was_made_since_wins_over_what_its_name_meant_before(
    client: FlaskClient, shop: TestWorkshop
) -> None:
    where = sent(client, b"material,colour,left_g\nPLA,Chalk,1000\n")
    assert "PLA “Chalk” is “Chalk white”" in client.get(where).text
    agreed(client, where)
    booked(client, where)
    assert spools_of(shop) == {"PLA Chalk white": 1}
    later = sent(client, b"material,colour,left_g\nPLA,Chalk,1000\nPLA,Chalk,900\n")
    shop.item("PLA", "Chalk", "#e0e0d8")
    booked(client, later)
    booked(client, sent(client, b"material,colour,left_g\nPLA,Chalk,1000\nPLA,Chalk,900\nPLA,Chalk,800\n"))
    assert spools_of(shop) == {"PLA Chalk white": 1, "PLA Chalk": 2}


def spools_of(shop: TestWorkshop) -> dict[str, int]:
    with shop.store.read() as session:
        return {row.item.name: row.spools for row in stock.rows(session=session, now=shop.now) if row.spools}


def many_colours(count: int) -> bytes:
    rows = "".join(f"PLA,Fern {chr(97 + n // 26)}{chr(97 + n % 26)} shade,850\n" for n in range(count))
    return f"material,colour,left_g\n{rows}".encode()


def test_what_was_agreed_stays_when_the_mended_sheet_is_sent_before_anything_was_booked(client: FlaskClient) -> None:
    head = b"material,colour,weight\n"
    first = sent(client, head + b"PLA,Slate blak,850 g\nPLA,Slate black,half\n")
    assert "“half” is not a weight" in agreed(client, first)
    again = sent(client, head + b"PLA,Slate blak,850 g\nPLA,Slate black,500 g\n")
    page = client.get(again).text
    assert "Book 2 rows" in page
    assert "That is right" not in page, "nothing is asked twice"
    other = sent(client, head + b"PLA,Slate blak,850 g\n", name="other.csv")
    assert "That is right" in client.get(other).text, "of another source nothing was said"


def test_a_sheet_of_very_many_new_colours_is_read_at_once_and_each_is_its_own(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    compared = []

    def counted(one: Plain, other: Plain) -> bool:
        compared.append(one.name)
        return may_be_one(one, other)

    monkeypatch.setattr(spellings, "may_be_one", counted)
    where = sent(client, many_colours(500))
    page = client.get(where).text
    assert "more than 60 colours of PLA are new: none was compared, each is its own" in page
    assert compared == []
    assert "” is “Fern" not in page
    few = client.get(sent(client, many_colours(60), name="few.csv")).text
    assert "more than 60 colours" not in few
    assert "PLA “Fern ab shade” is “Fern aa shade”" in few
    assert compared


def test_a_row_with_a_problem_can_be_left_out_by_a_tick(client: FlaskClient, shop: TestWorkshop) -> None:
    where = sent(client, b"material,colour,left_g\nPLA,Slate black,850 g\nPLA,Slate black,some\n")
    page = client.get(where).text
    assert "“some” is not a weight" in page
    assert "Line 3, which has a problem" in page
    assert "Book 1 row" in agreed(client, where, out="3", **{"name-1": "material"})
    booked(client, where)
    assert spools(shop) == 1
    again = sent(client, b"material,colour,left_g\nPLA,Slate black,850 g\nPLA,Slate black,some\nPLA,Slate black,90\n")
    page = client.get(again).text
    assert "line 3 reads like one that was left out before, and is left out" in page
    refused = client.post(again, data={"key": "too soon", "do": "book"})
    assert refused.status_code == 422, "nobody said yes to it for this sheet"
    assert "Book 1 row" in agreed(client, again)
    booked(client, again)
    assert spools(shop) == 2


def test_another_line_can_be_chosen_as_the_heading(client: FlaskClient) -> None:
    where = sent(client, b"a,b,c\nmaterial,colour,left_g\nPLA,Slate black,850\n")
    page = agreed(client, where, heading="2")
    assert "Book 1 row" in page
    bad = client.post(where, data={"key": "x", "do": "name", "heading": "77"})
    assert bad.status_code == 422


def test_two_weights_in_a_cell_are_full_and_left(client: FlaskClient, shop: TestWorkshop) -> None:
    where = sent(client, b"material,colour,weight\nPLA,Slate black,1 kg / 250 g\nPLA,Slate black,500 g\n")
    assert "“weight” is weights" in client.get(where).text
    agreed(client, where)
    booked(client, where)
    with shop.store.read() as session:
        (row,) = [row for row in stock.rows(session=session, now=shop.now) if row.spools]
    assert (row.spools, row.left_mg) == (2, 750_000)


def test_numbers_under_a_heading_in_kilograms_are_kilograms_once_somebody_agrees(client: FlaskClient) -> None:
    where = sent(client, b"material,colour,left (kg)\nPLA,Slate black,0.85\n")
    assert "numbers alone under “left (kg)” are kg" in client.get(where).text
    assert "850\N{NO-BREAK SPACE}g" in agreed(client, where)


def test_a_material_that_is_not_known_is_asked_about(client: FlaskClient) -> None:
    where = sent(client, b"material,colour,left_g\nPLA+,Slate black,850\n")
    page = client.get(where).text
    assert "“PLA+” is not a known material" in page
    assert "Book 1 row" in agreed(client, where, **{"known-1": "PLA"})


def test_dates_that_could_be_two_are_refused_until_somebody_says(client: FlaskClient) -> None:
    where = sent(client, b"material,colour,left_g,received_on\nPLA,Slate black,850,3/2/2026\n")
    assert "could be two days" in client.get(where).text
    page = agreed(client, where, day_first="day")
    assert "came 3 Feb" in page
