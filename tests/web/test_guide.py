"""Every page says in two sentences what it is for, and one idea has one name."""

import re
from pathlib import Path

from flask import Flask
from flask.testing import FlaskClient

from spoolkeep.domain.glossary import WORDS
from spoolkeep.web.guide import HELP
from tests.web.test_errors_and_offers import opened
from tests.workshop import TestWorkshop

PAPERS = Path(__file__).parents[2] / "DEVELOPERS.md"


def sentences(words: str) -> list[str]:
    """Give the sentences of a help."""
    return re.findall(r"[A-Z][^.]*(?:\.|$)", words)


def test_every_page_says_in_two_sentences_what_it_is_for(app: Flask, client: FlaskClient, shop: TestWorkshop) -> None:
    shown = set()
    for endpoint, path in opened(app, shop):
        answer = client.get(path)
        if answer.status_code == 200 and answer.text.startswith("<!doctype html>"):
            assert endpoint in HELP, f"{endpoint} is not explained in web/guide.py"
            assert "What this page is for" in answer.text, path
            shown.add(endpoint)
    assert len(shown) > 25
    assert set(HELP) <= set(app.view_functions), "what is explained is a page"
    for endpoint, words in HELP.items():
        assert len(sentences(words)) == 2, endpoint


def test_the_words_are_those_of_the_papers(client: FlaskClient) -> None:
    table = PAPERS.read_text(encoding="utf-8").split("## Words")[1].split("\n## ")[0]
    known = {word.strip() for row in re.findall(r"^\| ([^|]+) \|", table, re.MULTILINE) for word in row.split(",")}
    for one in WORDS:
        assert set(one.word.split(", ")) <= known, f"{one.word} has no row under Words in DEVELOPERS.md"
    assert len({one.word for one in WORDS}) == len(WORDS)
    page = client.get("/words").text
    assert all(f">{one.word}</dt>" in page for one in WORDS)
