"""Text goes compressed to whoever takes it, and comes out as it was."""

import gzip

from flask.testing import FlaskClient

from tests.workshop import TestWorkshop

TAKES = {"Accept-Encoding": "gzip, br"}


def test_a_page_and_a_sheet_come_compressed_to_whoever_takes_it_and_plain_to_others(
    client: FlaskClient, shop: TestWorkshop
) -> None:
    shop.deliver()
    for path in ("/words", "/static/css/sheet.css"):
        plain, pressed = client.get(path), client.get(path, headers=TAKES)
        assert "Content-Encoding" not in plain.headers
        assert pressed.headers["Content-Encoding"] == "gzip"
        assert "Accept-Encoding" in pressed.headers["Vary"]
        assert gzip.decompress(pressed.data) == plain.data
        assert len(pressed.data) < len(plain.data) / 2
        assert int(pressed.headers["Content-Length"]) == len(pressed.data)


def test_what_a_browser_holds_already_is_not_sent_again(client: FlaskClient) -> None:
    """Source: RFC 9110, section 13.1.2: If-None-Match compares weakly."""
    first = client.get("/static/css/sheet.css", headers=TAKES)
    assert first.headers["ETag"].startswith('W/"')
    again = client.get("/static/css/sheet.css", headers=TAKES | {"If-None-Match": first.headers["ETag"]})
    assert again.status_code == 304


def test_where_a_secret_may_stand_beside_what_was_sent_nothing_is_compressed(client: FlaskClient) -> None:
    """Source: Gluck, Harris and Prado, BREACH (2013)."""
    answer = client.get("/people", headers=TAKES)
    assert answer.status_code == 200
    assert "Content-Encoding" not in answer.headers


def test_whoever_refuses_it_and_whoever_asks_for_a_part_get_it_plain(client: FlaskClient) -> None:
    for headers in ({"Accept-Encoding": "gzip;q=0"}, TAKES | {"Range": "bytes=0-10"}):
        assert "Content-Encoding" not in client.get("/static/css/sheet.css", headers=headers).headers
