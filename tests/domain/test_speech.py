"""What the Bench says in a workshop's own words: every sentence is on the list, and no place in braces is lost."""

import ast
import re
from pathlib import Path

import pytest

from spoolkeep.domain import speech
from spoolkeep.domain.sayings import BY_SCRIPT, HEADINGS, SAYINGS

TOP = Path(__file__).parent.parent.parent
FLOOR = (
    *("services/bench", "services/cards", "services/swaps", "services/reels", "services/standby"),
    "services/airing",
    *("services/counting", "domain/rightspool"),
)
"""Modules whose sentences are said at a machine or on a count."""
PARTED = {
    "Order {} from {}: {} awaited. Book in what came.": "Order R1 from Reed: 2 spools are awaited. Book in what came.",
    "per cent. Came off bad books it.": "Larch 7: 40 per cent. Came off bad books it.",
    "g. Weigh books it.": "Larch 7: 812 g. Weigh books it.",
    "{} Now scan {}.": "Now scan a feed.",
    "“{}” came off {}: {} g drawn.": ("“Hook” came off bad: 40 g drawn."),
    "{} that was there {}.": "PLA Chalk that was there goes back to Shelf A.",
    "{} “{}” still runs on {} by the books, without it.": ("“Hook” still runs on Larch by the books, without it."),
    ", {} not yet.": "3 seen here, 2 not yet.",
    "“{}” needs {}, about {} are left: {} ({} that it does).": (
        "“Hook” needs 40 g, about 30 g are left: it may not last (30 % that it does)."
    ),
}
"""Sentences that are put together of parts, and what comes of it."""
TEMPLATES = (
    "bench.html",
    "bench_live.html",
    "bench_board.html",
    "bench_machines.html",
    "count.html",
    "count_live.html",
)


def _sentences(path: Path) -> set[str]:
    """Give the texts in a module that end as a sentence does, with {} for whatever is filled in."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    inside = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values}
    docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    found = set()
    for node in ast.walk(tree):
        if id(node) in inside | docs:
            continue
        if isinstance(node, ast.JoinedStr):
            found.add("".join(str(one.value) if isinstance(one, ast.Constant) else "{}" for one in node.values))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            found.add(node.value)
    return {text.strip() for text in found if " " in text.strip() and text.rstrip().endswith(".")}


def _is_sayable(text: str) -> bool:
    """Give whether a text, with something filled in, is made of sayings only."""
    for filled in ("Larch 7", ""):
        plain = re.sub(r"\s+", " ", text.replace("{}", filled)).strip()
        parts = speech._parts(plain)  # noqa: SLF001 - what cannot be said otherwise is what is asked
        if all(part.saying or not part.text.strip(" .:") or part.text.strip() == "Larch 7" for part in parts):
            return True
    return False


@pytest.mark.parametrize("module", FLOOR)
def test_every_sentence_of_the_floor_is_on_the_list(module: str) -> None:
    said = _sentences(TOP / "spoolkeep" / f"{module}.py")
    assert {text for text in said if not _is_sayable(text)} - set(PARTED) == set()


@pytest.mark.parametrize("said", PARTED.values())
def test_what_is_put_together_of_parts_is_said_whole(said: str) -> None:
    assert all(part.saying for part in speech._parts(said))  # noqa: SLF001 - as above


@pytest.mark.parametrize("template", TEMPLATES)
def test_every_word_that_a_page_of_the_bench_asks_for_is_on_the_list(template: str) -> None:
    page = (TOP / "templates" / template).read_text(encoding="utf-8")
    asked = re.findall(r"'([^'{}]+)'\|spoken", page)
    assert {word for word in asked if word not in SAYINGS} == set()


def test_each_saying_stands_once_and_has_no_sign_that_parts_a_line() -> None:
    assert len(set(SAYINGS)) == len(SAYINGS) > 150
    assert not [one for one in SAYINGS if "=" in one or one.startswith("#")]
    assert set(HEADINGS) <= set(SAYINGS)


def test_a_complete_list_is_read_back_as_nothing_translated_and_nothing_wrong() -> None:
    text = speech.listed(speech.Words())
    again = speech.words_from(text)
    assert (again.by_english, again.problems) == ({}, ())
    assert text.count(" =\n") == len(SAYINGS)


def test_what_is_translated_stays_when_the_list_is_made_complete() -> None:
    words = speech.words_from("Heard = Gehoert\n{spool} is on {feed}. = Auf {feed}: {spool}.\n")
    assert words.problems == ()
    assert speech.words_from(speech.listed(words)) == words


def test_remarks_stay_above_what_they_are_about_and_ours_are_not_doubled() -> None:
    written = "# ours to keep\n# two lines\nLook = Schau\n\n# asked Ute\nHeard =\n# at the end\n"
    once = speech.listed(speech.words_from(written))
    assert "# ours to keep\n# two lines\nLook = Schau\n" in once
    assert "# asked Ute\nHeard =\n" in once
    assert once.endswith("# at the end\n")
    assert speech.listed(speech.words_from(once)) == once


def test_all_that_the_script_says_by_itself_is_on_the_list() -> None:
    script = (TOP / "spoolkeep" / "web" / "static" / "js" / "scan.js").read_text(encoding="utf-8")
    said = set(re.findall(r'"((?:[A-Z1{]|not taken )[^"]* [^"]+|scanned \{time\}|Sign in)"', script))
    assert said == set(BY_SCRIPT)
    assert not re.findall(r"(?:say\([^,]+,|textContent:|textContent =) [\"`][A-Za-z]", script), "said past the list"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("Heard", "There is no = in it"),
        ("Hard = Hart", "is nothing that the Bench says"),
        ("{spool} is on {feed}. = {spool} ist da.", "must be the same as in English: {spool}, {feed}"),
        ("Heard = {spool} da", "must be the same as in English: none"),
        ("{spool} is on {feed}. = {spool} {spool} {feed}", "Put each in once"),
    ],
)
def test_a_bad_line_is_refused_with_its_number_and_the_rest_holds(line: str, said: str) -> None:
    words = speech.words_from(f"# remark\n\n{line}\nLook = Schau\n")
    (problem,) = words.problems
    assert problem.line == 3
    assert said in problem.words
    assert words.by_english == {"Look": "Schau"}


def test_a_saying_that_comes_twice_is_refused_the_second_time() -> None:
    words = speech.words_from("Look = Schau\nLook = Sieh\n")
    assert [one.line for one in words.problems] == [2]
    assert words.said("Look") == "Schau"


def test_sentences_are_said_one_by_one_with_what_is_filled_in_and_english_for_the_rest() -> None:
    words = speech.words_from(
        "{spool} is on {feed}. = Auf {feed} ist jetzt {spool}.\n"
        "Now scan {what}. = Jetzt {what}.\n"
        "a feed or a place = Zufuhr oder Platz\n"
    )
    assert words.said("PLA Chalk is on Larch feed 1.") == "Auf Larch feed 1 ist jetzt PLA Chalk."
    assert words.said("PLA Chalk. Now scan a feed or a place.") == "PLA Chalk. Jetzt Zufuhr oder Platz."
    two = "PLA Chalk is on Larch. It came off Yew."
    assert words.said(two) == "Auf Larch ist jetzt PLA Chalk. It came off Yew."
    assert words.said("Something else was said.") == "Something else was said."
    assert speech.Words().said(two) == two
