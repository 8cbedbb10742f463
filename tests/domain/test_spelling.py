"""Which names may be one colour. The examples are invented."""

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.spelling import as_plain, distance, may_be_one, nearest, shade_for


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Chalk", "chalk white"),
        ("Chalk-White", "chalk white"),
        ("ChalkWhite", "Chalk white"),
        ("Grey", "gray"),
        ("Turquoise", "Turqoise"),
        ("Signal red", "Signal  RED"),
        ("Chalk", "Chakl"),
    ],
)
def test_spellings_of_one_colour_are_near(one: str, other: str) -> None:
    assert may_be_one(as_plain(one), as_plain(other))
    assert may_be_one(as_plain(other), as_plain(one))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Blue", "Sky blue"),
        ("Black", "Blue"),
        ("Galaxy black", "Galaxy blue"),
        ("Grey 7011", "Grey 7012"),
        ("Red", "Rod"),
        ("Black", "Blank paper"),
        ("White", "Chalk white"),
    ],
)
def test_two_colours_are_kept_apart(one: str, other: str) -> None:
    assert not may_be_one(as_plain(one), as_plain(other))


def test_the_nearest_is_proposed() -> None:
    near = [as_plain(name) for name in ("Chalk whites", "Chalk white", "Chalk wit")]
    assert nearest(as_plain("chalk white"), near) == "Chalk white"
    assert nearest(as_plain("Moss"), []) == ""


def test_very_long_names_are_one_only_where_they_are_the_same() -> None:
    long, slip = as_plain("a" * 3000), as_plain("a" * 2999 + "b")
    began = time.process_time()
    assert not may_be_one(long, slip)
    assert may_be_one(long, as_plain("A" * 3000))
    assert nearest(long, [as_plain("A" * 3000)]) == "A" * 3000
    assert time.process_time() - began < 0.2


def test_a_plain_word_in_a_name_tells_a_usual_shade() -> None:
    assert shade_for("Ocean blue") == shade_for("BLUE") != ""
    assert shade_for("Chalk") == ""


def test_distances_are_those_of_the_textbook() -> None:
    """Source: kitten and sitting are 3 apart, the usual example of Levenshtein's distance (from memory)."""
    assert distance("kitten", "sitting") == 3
    assert distance("chalk", "chakl") == 1


@given(st.text("abc", max_size=6), st.text("abc", max_size=6))
def test_a_distance_is_the_same_both_ways_and_nothing_only_between_equals(one: str, other: str) -> None:
    assert distance(one, other) == distance(other, one)
    assert (distance(one, other) == 0) == (one == other)
    assert distance(one, other) <= max(len(one), len(other))
    for most in (1, 2):
        assert (distance(one, other, most=most) <= most) == (distance(one, other) <= most)
