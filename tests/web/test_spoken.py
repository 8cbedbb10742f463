"""The Bench speaks the workshop's own words: read at the start and on change, on the floor's screens only."""

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from flask import Flask
from flask.testing import FlaskClient

from spoolkeep.cli import cli
from spoolkeep.domain.sayings import SAYINGS
from spoolkeep.services.benchwords import BenchWords
from spoolkeep.web import spoken
from tests.workshop import TestWorkshop

Key = Callable[[], str]
GERMAN = """Heard = Verstanden
Now scan {what}. = Jetzt {what} scannen.
a feed or a place = eine Zufuhr oder einen Platz
Scan a spool, and the feed or place it goes to = Spule scannen, dann Zufuhr oder Platz
Ready to scan. = Bereit.
No spool = Keine Spule
"""


@pytest.fixture
def path(app: Flask, tmp_path: Path) -> Path:
    """Give the file of the app's words."""
    file = tmp_path / "words.txt"
    spoken.install(app, BenchWords(file))
    return file


def test_the_bench_speaks_the_words_of_the_file_and_a_change_is_heard_at_once(
    client: FlaskClient, shop: TestWorkshop, key: Key, path: Path
) -> None:
    (code,) = shop.deliver()
    assert "Scan a spool, and the feed" in client.get("/bench").text
    path.write_text(GERMAN, encoding="utf-8")
    page = client.get("/bench").text
    assert "Spule scannen, dann Zufuhr oder Platz" in page
    assert "Bereit." in page, "the script has its words too"
    said = client.post("/bench", data={"key": key(), "code": code}).text
    assert "PLA Slate black. Jetzt eine Zufuhr oder einen Platz scannen." in said
    assert "Verstanden" in said
    path.unlink()
    assert "Scan a spool, and the feed" in client.get("/bench").text


def test_a_count_speaks_them_from_its_head_to_its_settling(
    client: FlaskClient, shop: TestWorkshop, key: Key, path: Path
) -> None:
    path.write_text(
        "Count = Zaehlung\n"
        "Begun {when}: {seen} seen, {missing} not seen where the books have them. "
        "= {seen} da, {missing} fehlt; {when}\n"
        "by the books {what} = laut Buch {what}\nWrite off {code} = {code} abschreiben\n"
        "1 not seen will have no place any more, keeps its grams, and is written off only where you tick it. "
        "= Eine fehlt: ohne Platz.\n"
        "{count} seen on a shelf are on a machine by the books, and will come off it. = x {count}\n"
        "1 seen on a shelf is on a machine by the books, and will come off it. = Eine kommt von der Maschine.\n",
        encoding="utf-8",
    )
    first, second = shop.deliver(2)
    shop.scan(first, shop.places[0])
    shop.scan(second, shop.feeds[0])
    client.post("/count", data={"key": key(), "code": shop.places[0]})
    page = client.post("/count", data={"key": key(), "code": second}).text
    assert "1 da, 1 fehlt; " in page
    assert "laut Buch it is on Larch" in page, page[page.index("scan-live") :][:1900]
    assert f'aria-label="{first} abschreiben"' in page
    assert "Eine fehlt: ohne Platz." in page
    assert "Eine kommt von der Maschine." in page
    assert "<h1>Zaehlung</h1>" in client.get("/count").text
    path.unlink()
    assert "<h1>Count</h1>" in client.get("/count").text, "what stands in a template is said anew at each look"


def test_elsewhere_english_is_spoken_and_programs_hear_english(
    client: FlaskClient, shop: TestWorkshop, path: Path
) -> None:
    path.write_text(GERMAN, encoding="utf-8")
    (code,) = shop.deliver()
    assert shop.scan(code).words == "PLA Slate black. Now scan a feed or a place."
    assert "Verstanden" not in client.get("/deliveries").text


def test_a_translation_cannot_put_markup_on_a_page(client: FlaskClient, path: Path) -> None:
    path.write_text("Scan a spool, and the feed or place it goes to = <b>x</b>\nReady to scan. = \"'><b>y</b>\n")
    page = client.get("/bench").text
    assert "<b>x</b>" not in page
    assert "<b>y</b>" not in page


def test_setup_names_bad_lines(client: FlaskClient, path: Path) -> None:
    path.write_text("Heard = Verstanden\nNow scan {what}. = Jetzt scannen.\n", encoding="utf-8")
    page = client.get("/setup").text
    assert f"1 of {len(SAYINGS)} sentences and words are in your own language" in page
    assert "Line 2: The places in braces must be the same as in English: {what}" in page


def test_the_command_makes_the_list_complete_and_refuses_a_bad_line(tmp_path: Path) -> None:
    file = tmp_path / "words.txt"
    run = CliRunner().invoke(cli, ["words", "--instance", str(tmp_path)])
    assert run.exit_code == 0
    assert f"0 of {len(SAYINGS)} are translated" in run.output
    assert "Heard =\n" in file.read_text(encoding="utf-8")
    file.write_text(GERMAN, encoding="utf-8")
    assert "6 of" in CliRunner().invoke(cli, ["words", "--instance", str(tmp_path)]).output
    assert "Heard = Verstanden\n" in file.read_text(encoding="utf-8")
    file.write_text("Heard\n", encoding="utf-8")
    refused = CliRunner().invoke(cli, ["words", "--instance", str(tmp_path), "--check"])
    assert refused.exit_code == 1
    assert "line 1: There is no = in it" in refused.output
    assert file.read_text(encoding="utf-8") == "Heard\n", "nothing that somebody wrote is lost"


def test_a_file_that_cannot_be_read_is_said_and_means_english(tmp_path: Path) -> None:
    file = tmp_path / "words.txt"
    file.write_bytes(b"Heard = Verst\xe4ndlich\n")
    words = BenchWords(file).now()
    assert "is not UTF-8" in words.problems[0].words
    assert words.said("Heard") == "Heard"
