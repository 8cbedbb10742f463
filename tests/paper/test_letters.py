"""Words on paper: what fits, what is made smaller, and letters that no face has."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.paper.letters import (
    ELLIPSIS,
    LEAST_SHRINK,
    Face,
    broken,
    face_for,
    fit,
    halved,
    printable,
    unprintable,
    warning_of,
    width_of,
)

WIDTH = 100.0


def test_a_short_name_keeps_its_size() -> None:
    line = fit("Chalk white", Face.TEXT, 10, width=WIDTH)
    assert (line.text, line.size, line.face) == ("Chalk white", 10, Face.TEXT)


def test_a_longer_name_is_made_smaller_before_it_loses_anything() -> None:
    line = fit("Chalk white with sparks", Face.TEXT, 10, width=WIDTH)
    assert line.text == "Chalk white with sparks"
    assert 10 * LEAST_SHRINK <= line.size < 10


def test_a_very_long_name_loses_its_end() -> None:
    line = fit("Chalk white " * 10, Face.TEXT, 10, width=WIDTH)
    assert line.text.endswith(ELLIPSIS)
    assert line.size == 10 * LEAST_SHRINK


@given(st.text(max_size=80), st.floats(1, 40), st.floats(5, 400))
def test_no_line_is_wider_than_its_room(text: str, size: float, width: float) -> None:
    line = fit(text, Face.TEXT, size, width=width)
    assert line.width <= width + 1e-6
    assert line.size >= size * LEAST_SHRINK - 1e-9


@given(st.text(max_size=80), st.floats(20, 200))
def test_broken_lines_keep_every_word_and_fit(text: str, width: float) -> None:
    lines = broken(text, Face.TEXT, 10, width=width)
    assert "".join(lines).replace(" ", "") == printable(text).replace(" ", "")
    face = face_for(printable(text), Face.TEXT)
    assert all(len(line) == 1 or width_of(line, face, 10) <= width for line in lines)


def test_a_long_title_is_halved_where_the_longer_part_is_shortest() -> None:
    assert halved("Dry box by the window", Face.STRONG, 10, width=WIDTH) == ("Dry box by", "the window")
    assert halved("Drawer", Face.STRONG, 10, width=WIDTH) == ("Drawer", "")


@pytest.mark.parametrize("name", ["Żółć płomienna", "Éclat d'été", "Modř nebeská", "Blå Ångström", "Ğümüş", "Синий"])
def test_accented_names_are_drawn_as_they_are(name: str) -> None:
    assert printable(name) == name
    assert unprintable([name]) == ()


def test_an_accent_written_apart_is_drawn_together() -> None:
    assert printable("E\N{COMBINING ACUTE ACCENT}clat") == "Éclat"


def test_letters_that_no_face_has_are_written_as_their_numbers() -> None:
    assert printable("Sakura 日本") == "Sakura U+65E5 U+672C"
    assert unprintable(["Sakura 日本", "日"]) == ("日", "本")


def test_a_script_from_the_right_is_written_as_numbers_not_backwards() -> None:
    assert printable("\N{ARABIC LETTER ALEF}") == "U+0627"


def test_a_wide_form_becomes_its_plain_one() -> None:
    assert printable("\N{FULLWIDTH YEN SIGN}1,234") == "¥1,234"
    assert warning_of(["\N{FULLWIDTH YEN SIGN}1,234"]) is None


def test_line_breaks_and_odd_blanks_become_one_blank() -> None:
    assert printable(" Dry\n\tbox\N{NO-BREAK SPACE} 2\N{ZERO WIDTH SPACE} ") == "Dry box 2"


def test_the_warning_names_each_letter_once() -> None:
    assert warning_of(["plain", "also plain"]) is None
    warning = warning_of(["日本", "日"])
    assert warning is not None
    assert warning.count("日") == 1
    many = warning_of(["".join(chr(0x4E00 + at) for at in range(50))])
    assert many is not None
    assert len(many) < 150
