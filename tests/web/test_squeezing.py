"""Text goes compressed to whoever takes it, and comes out as it was."""

import gzip

from flask.testing import FlaskClient

from tests.workshop import TestWorkshop

TAKES = {"Accept-Encoding": "gzip, br"}
SHEET = "/static/css/sheet.css"


def got(client: FlaskClient, path: str, headers: dict[str, str]) -> tuple[int, dict[str, str], bytes]:
    """Give the status, the headers and the body of an answer."""
    with client.get(path, headers=headers) as answer:
        return answer.status_code, dict(answer.headers), answer.data


def test_a_page_and_a_sheet_come_compressed_to_whoever_takes_it_and_plain_to_others(
    client: FlaskClient, shop: TestWorkshop
) -> None:
    shop.deliver()
    for path in ("/words", SHEET):
        _, plainly, plain = got(client, path, {})
        _, headers, pressed = got(client, path, TAKES)
        assert "Content-Encoding" not in plainly
        assert headers["Content-Encoding"] == "gzip"
        assert "Accept-Encoding" in headers["Vary"]
        assert gzip.decompress(pressed) == plain
        assert len(pressed) < len(plain) / 2
        assert int(headers["Content-Length"]) == len(pressed)


def test_what_a_browser_holds_already_is_not_sent_again(client: FlaskClient) -> None:
    """Source: RFC 9110, section 13.1.2: If-None-Match compares weakly."""
    mark = got(client, SHEET, TAKES)[1]["ETag"]
    assert mark.startswith('W/"')
    assert got(client, SHEET, TAKES | {"If-None-Match": mark})[0] == 304


def test_where_a_secret_may_stand_beside_what_was_sent_nothing_is_compressed(client: FlaskClient) -> None:
    """Source: Gluck, Harris and Prado, BREACH (2013)."""
    status, headers, _ = got(client, "/people", TAKES)
    assert status == 200
    assert "Content-Encoding" not in headers


def test_whoever_refuses_it_and_whoever_asks_for_a_part_get_it_plain(client: FlaskClient) -> None:
    for headers in ({"Accept-Encoding": "gzip;q=0"}, TAKES | {"Range": "bytes=0-10"}):
        assert "Content-Encoding" not in got(client, SHEET, headers)[1]
