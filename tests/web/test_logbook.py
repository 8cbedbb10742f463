"""The log of a served workshop: it says when, where, who by number and how long, and nothing that anybody wrote."""

import json
import logging
import os
import re
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy.exc import IntegrityError

from spoolkeep.web import logbook
from spoolkeep.web.lock import DEVICE_COOKIE, PERSON_COOKIE
from spoolkeep.web.logbook import JsonLines, Own
from tests.web.conftest import PASSWORD
from tests.web.door import another, cookie, sign_in

SAID = "Grandmother's kitchen drawer"


def lines(folder: Path) -> list[dict[str, Any]]:
    """Give what the log of a folder says, file by file."""
    return [json.loads(line) for file in sorted(folder.glob("*.jsonl")) for line in file.read_text().splitlines()]


def test_each_request_is_a_line_with_its_pattern_its_actor_and_its_time(client: FlaskClient, tmp_path: Path) -> None:
    with logbook.opened(tmp_path, "serve"):
        client.get("/stock/1?from=SAID")
        client.get(f"/{SAID}")
        client.post("/jobs", data={"title": SAID})
    started, page, nowhere, form, ended = lines(tmp_path)
    assert started["event"] == "started"
    assert ended["event"] == "ended"
    assert {"method": "GET", "path": "/stock/<int:article_id>", "status": 200, "level": "info"}.items() <= page.items()
    assert page["ms"] > 0
    assert page["bytes"] > 1000
    assert page["actor"] > 0
    assert page["time"].endswith("+00:00")
    assert nowhere["path"] is None
    assert nowhere["status"] == 404
    assert form["path"] == "/jobs"
    assert SAID not in str(lines(tmp_path))


def test_nothing_that_a_visitor_says_is_in_the_log(app: Flask, ada: int, tmp_path: Path) -> None:
    """Source: OWASP ASVS 5.0.0, V16.2.5."""
    del ada
    with logbook.opened(tmp_path, "serve"):
        visitor = another(app)
        sign_in(visitor, "a wrong password of mine")
        sign_in(visitor, PASSWORD)
        visitor.get("/search?q=kitchen", headers={"Authorization": "Bearer a-token-of-mine", "User-Agent": "mine"})
        visitor.open("/bench", method="KITCHEN")
    said = "".join(file.read_text() for file in tmp_path.iterdir())
    assert said.count('"event": "request"') == 4
    secrets = [cookie(visitor, name) for name in (PERSON_COOKIE, DEVICE_COOKIE)]
    assert all(secrets)
    for word in ("mine", "kitchen", "KITCHEN", PASSWORD, "Ada", *secrets):
        assert word not in said, word


def test_a_request_that_failed_has_a_number_that_a_person_can_say(
    app: Flask, client: FlaskClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(**_: object) -> None:
        try:
            int(SAID)
        except ValueError as error:
            raise RuntimeError(SAID) from error

    app.testing = False
    monkeypatch.setattr("spoolkeep.web.today.today.needed", breaks)
    with logbook.opened(tmp_path, "serve"):
        answer = client.get("/")
    failed = next(one for one in lines(tmp_path) if one["event"] == "failed")
    asked = next(one for one in lines(tmp_path) if one["event"] == "request")
    assert answer.status_code == 500
    assert f"this number: {failed['number']}." in answer.text
    assert asked["number"] == failed["number"]
    assert failed["level"] == "error"
    assert failed["error"] == ["RuntimeError", "ValueError"]
    assert failed["frames"][-1].endswith("breaks")
    assert any(one.startswith("spoolkeep/web/today.py:") for one in failed["frames"])
    assert SAID not in str(lines(tmp_path))


def test_what_is_asked_all_day_long_is_left_out_unless_it_is_slow_or_refused(
    client: FlaskClient, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with logbook.opened(tmp_path, "serve"):
        client.get("/bench/board")
        client.get("/static/css/paper.css").close()
        client.get("/static/nothing")
        monkeypatch.setattr(logbook, "SLOW_MS", 0)
        client.get("/bench/board")
    refused, slow = (one for one in lines(tmp_path) if one["event"] == "request")
    assert refused["status"] == 404
    assert slow["path"] == "/bench/board"
    assert slow["slow"] is True


def test_words_of_the_program_are_kept_with_their_numbers_and_without_names(tmp_path: Path) -> None:
    with logbook.opened(tmp_path, "serve"):
        logging.getLogger("spoolkeep.services.shelf").warning("Job %s was not taken: %s", 12, SAID)
        logging.getLogger("another.library").warning(f"Lost {SAID}")  # noqa: G004 - as others do
    _, ours, theirs, _ = lines(tmp_path)
    assert ours["words"] == "Job 12 was not taken: …"
    assert theirs["where"].startswith("test_logbook:")
    assert SAID not in str(theirs)


def test_the_terminal_says_no_word_that_anybody_wrote(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A failed statement brings the database's own words, in which what was written stands."""

    def breaks() -> None:
        try:
            int(SAID)
        except ValueError as error:
            detail = f"Key (name)=({SAID}) already exists."
            raise IntegrityError("INSERT INTO article (name) VALUES (?)", None, Exception(detail)) from error

    ours = logging.getLogger("spoolkeep.services.shelf")
    with logbook.opened(tmp_path, "serve"):
        try:
            breaks()
        except IntegrityError as error:
            ours.exception("The look “%s” found %s.", Own("due"), SAID)
            facts = {"facts": {"number": "006123"}, "failure": error}
            ours.error("unexpected %s", SAID, extra=facts)
        logging.getLogger("another.library").warning(f"Lost {SAID}")  # noqa: G004 - as others do
    told = capsys.readouterr().err
    assert SAID not in told
    assert "The look “due” found ….\n  IntegrityError (Exception) in: INSERT INTO article (name) VALUES (?)" in told
    assert "  ValueError\n" in told
    assert re.search(r"test_logbook\.py:\d+ breaks\n", told)
    assert "event failed, number 006123\n" in told
    assert re.search(r"level warning, event another\.library, where test_logbook:\d+\n", told)


def test_a_log_that_is_full_goes_on_in_a_new_file_and_the_oldest_is_let_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logbook, "MOST_BYTES", 2000)
    with logbook.opened(tmp_path, "serve"):
        for number in range(200):
            logging.getLogger("spoolkeep").info("Line %d", number)
    files = sorted(one.name for one in tmp_path.iterdir())
    assert files == ["serve.1.jsonl", "serve.2.jsonl", "serve.3.jsonl", "serve.4.jsonl", "serve.jsonl"]
    assert all(0 < (tmp_path / name).stat().st_size <= 2000 for name in files)
    told = [
        line
        for name in ("serve.4", "serve.3", "serve.2", "serve.1", "serve")
        for line in (tmp_path / f"{name}.jsonl").read_text().splitlines()
    ]
    times = [json.loads(line)["time"] for line in told]
    assert times == sorted(times)
    assert json.loads(told[-2])["words"] == "Line 199"


@pytest.mark.parametrize("what", ["write", "open"])
def test_a_disk_that_is_full_or_may_not_be_written_stops_nobody_and_is_told_once(
    client: FlaskClient,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    what: str,
) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    with ExitStack() as log:
        with monkeypatch.context() as patched:
            patched.setattr(os, what, full)
            log.enter_context(logbook.opened(tmp_path / "log", "serve"))
            assert client.get("/stock").status_code == 200
            assert client.get("/jobs").status_code == 200
        assert client.get("/bench").status_code == 200
    assert capsys.readouterr().err.count("cannot be written (OSError); serving goes on without it.") == 1
    assert [one["path"] for one in lines(tmp_path / "log") if one["event"] == "request"] == ["/bench"]


def test_a_log_belongs_to_its_owner_alone_and_no_handler_stays(tmp_path: Path) -> None:
    before = list(logging.getLogger().handlers)
    with logbook.opened(tmp_path / "log", "serve"):
        assert any(isinstance(one, JsonLines) for one in logging.getLogger().handlers)
    assert logging.getLogger().handlers == before
    assert (tmp_path / "log" / "serve.jsonl").stat().st_mode & 0o077 == 0


def test_without_a_folder_only_the_terminal_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with logbook.opened(None, "serve"):
        logging.getLogger("spoolkeep").warning("The shelf is full.")
        logging.getLogger("spoolkeep").info("Nobody needs to know.")
    assert capsys.readouterr().err == "The shelf is full.\n"
    assert not list(tmp_path.iterdir())
