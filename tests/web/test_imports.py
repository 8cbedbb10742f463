"""A sheet is sent, its columns are named, it is looked at and booked once; its names are remembered."""

import io
from datetime import date, datetime

import pytest
from flask.testing import FlaskClient
from openpyxl import Workbook
from sqlalchemy import func, select

from spoolkeep.domain.sheets import records_of, rewritten
from spoolkeep.services.imports.workbook import as_text_sheet
from spoolkeep.store.tables import Act, ImportDraft, ImportNames, TakingsLine
from tests.workshop import TestWorkshop

SHEET = "When;Earned;Shop\n2026-03-01;120.50;Web\n2026-03-02;80;Web\n"
NAMES = {"When": "day", "Earned": "amount", "Shop": "channel"}


def sent(client: FlaskClient, data: bytes, *, sheet: str = "takings", name: str = "till.csv", key: str = "send") -> str:
    answer = client.post(
        "/imports",
        data={"key": key, "sheet": sheet, "file": (io.BytesIO(data), name)},
        content_type="multipart/form-data",
    )
    assert answer.status_code == 302, answer.text
    return str(answer.location)


def named(client: FlaskClient, where: str, names: dict[str, str]) -> None:
    form = {"key": "name", "do": "name"}
    for number, (theirs, ours) in enumerate(names.items(), start=1):
        form |= {f"column-{number}": theirs, f"name-{number}": ours}
    assert client.post(where, data=form).status_code == 302


def lines(shop: TestWorkshop) -> int:
    with shop.store.read() as session:
        return session.scalars(select(func.count()).select_from(TakingsLine)).one()


def test_columns_of_a_sheet_are_named_then_it_is_booked_once_and_the_names_are_remembered(
    client: FlaskClient, shop: TestWorkshop
) -> None:
    where = sent(client, SHEET.encode())
    assert "lacks the column" in client.get(where).text
    named(client, where, NAMES)
    assert "Book 2 rows" in client.get(where).text
    assert lines(shop) == 0
    answers = [client.post(where, data={"key": "book", "do": "book"}) for _ in range(2)]
    assert [answer.location for answer in answers] == ["/imports", "/imports"], (
        "a second press is answered as the first"
    )
    assert lines(shop) == 2
    again = sent(client, (SHEET + "2026-03-03;95;Web\n").encode(), key="other")
    page = client.get(again).text
    assert "Book 1 row" in page
    with shop.store.read() as session:
        assert session.scalars(select(func.count()).select_from(ImportNames)).one() == 1


def test_bad_rows_are_named_and_nothing_is_booked(client: FlaskClient, shop: TestWorkshop) -> None:
    where = sent(client, b"day,amount,channel\n2026-03-01,120,Web\nsoon,x,Web\n")
    page = client.get(where).text
    assert "with any bad row nothing is booked" in page
    assert (
        "Book" not in page.partition("What booking it would do")[2].partition("Its columns")[0].partition("bad row")[2]
    )
    client.post(where, data={"key": "book", "do": "book"})
    assert lines(shop) == 0
    assert client.get(where).status_code == 200, "it is kept until it is mended or dropped"
    client.post(where, data={"key": "drop", "do": "drop"})
    assert client.get(where).status_code == 404


def test_a_column_may_not_be_named_twice(client: FlaskClient) -> None:
    where = sent(client, SHEET.encode())
    answer = client.post(
        where,
        data={"key": "n", "do": "name", "column-1": "When", "name-1": "day", "column-2": "Earned", "name-2": "day"},
    )
    assert answer.status_code == 422
    assert "Two columns are named" in answer.text


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04 not really", b"%PDF-1.7", b"\xff\xd8\xff\xe0"])
def test_what_is_no_sheet_is_refused_in_a_sentence(client: FlaskClient, shop: TestWorkshop, data: bytes) -> None:
    answer = client.post(
        "/imports",
        data={"key": "a", "sheet": "jobs", "file": (io.BytesIO(data), "x.csv")},
        content_type="multipart/form-data",
    )
    assert answer.status_code == 422
    assert client.post("/imports", data={"key": "a", "sheet": "jobs"}).status_code == 422
    with shop.store.read() as session:
        assert session.scalars(select(func.count()).select_from(Act)).one() > 0
        assert session.scalars(select(func.count()).select_from(ImportDraft)).one() == 0


def workbook(*rows: tuple[object, ...]) -> bytes:
    book, out = Workbook(), io.BytesIO()
    for row in rows:
        book.active.append(row)
    book.save(out)
    return out.getvalue()


def test_a_workbook_is_read_as_its_open_sheet(client: FlaskClient, shop: TestWorkshop) -> None:
    data = workbook(
        ("day", "amount", "channel"), (date(2026, 3, 1), 120.5, "Web, shop"), (date(2026, 3, 2), 80, "Stall")
    )
    assert as_text_sheet(data) == b'day,amount,channel\n2026-03-01,120.5,"Web, shop"\n2026-03-02,80,Stall\n'
    where = sent(client, data, name="till.xlsx")
    named(client, where, {"day": "day", "amount": "amount", "channel": "channel"})
    client.post(where, data={"key": "book", "do": "book"})
    assert lines(shop) == 2
    moment = workbook(("at",), (datetime(2026, 3, 1, 14, 5),))  # noqa: DTZ001 - workbooks know no zones
    assert as_text_sheet(moment) == b"at\n2026-03-01 14:05:00\n"


def test_a_renamed_sheet_keeps_every_row_on_its_line() -> None:
    data = b'\n"The\nday",amount\n1,2\n\n3,4\n'
    head, *rows = records_of(data)
    assert head.cells == ("The\nday", "amount")
    text = rewritten([(0, "day"), (1, "amount")], rows, header_line=3).decode()
    assert text.split("\n")[3:] == ["1,2", "", "3,4", ""]
    assert "day,amount" in text


def test_whoever_looks_on_hears_how_many_rows_were_read(client: FlaskClient) -> None:
    where = sent(client, SHEET.encode())
    named(client, where, NAMES)
    assert client.get(f"{where}/progress").json == {"read_rows": 0, "rows": 0}
    assert client.post(where, data={"key": "book", "do": "book"}).status_code == 302
    assert client.get(f"{where}/progress").json == {"read_rows": 2, "rows": 2}
