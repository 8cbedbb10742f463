"""Typed numbers become whole milligrams and cents, or a sentence: never a thousandth of what was meant."""

from decimal import Decimal

import pytest

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.units import (
    decimal_from,
    decimal_mark_in,
    mg_from_grams,
    minor_from_major,
    positive_mg_from_grams,
    with_mark,
)


@pytest.mark.parametrize(
    ("typed", "number"),
    [
        ("12.5", "12.5"),
        ("12,5", "12.5"),
        ("1000", "1000"),
        ("1,234.5", "1234.5"),
        ("1.234,5", "1234.5"),
        ("1 234,50", "1234.50"),
        ("1'234.5", "1234.5"),
        ("1,234,567", "1234567"),
        ("0,125", "0.125"),
        ("0.125", "0.125"),
        ("12.3450", "12.3450"),
        ("-3,5", "-3.5"),
    ],
)
def test_a_number_is_read_as_people_of_either_habit_write_it(typed: str, number: str) -> None:
    assert decimal_from(typed, "Grams") == Decimal(number)


@pytest.mark.parametrize("typed", ["1,000", "1.000", "1,182", "12.345", "-2.500"])
def test_what_could_be_a_thousand_or_one_is_refused(typed: str) -> None:
    with pytest.raises(BadInput, match="could be") as refused:
        decimal_from(typed, "Grams")
    assert refused.value.code == "could_be_two"


@pytest.mark.parametrize(
    ("typed", "mark", "number"),
    [("1,000", ".", "1000"), ("1,000", ",", "1"), ("12.345", ".", "12.345"), ("7", ".", "7")],
)
def test_a_known_decimal_mark_decides(typed: str, mark: str, number: str) -> None:
    assert decimal_from(with_mark(typed, mark), "Grams") == Decimal(number)


@pytest.mark.parametrize(
    ("typed", "mark"),
    [
        (["1.000", "12.5"], "."),
        (["1.000", "0,25"], ","),
        (["1.000", "1.234.567"], ","),
        (["1.234,5"], ","),
        (["1.000", "7"], None),
        ([], None),
    ],
)
def test_a_sheets_other_numbers_tell_its_decimal_mark(typed: list[str], mark: str | None) -> None:
    assert decimal_mark_in(typed) == mark


@pytest.mark.parametrize("typed", ["", "abc", "1e5", "12.5.6", "NaN", "inf", "1,2,3", "--1", "12 g"])
def test_what_is_no_number_is_refused(typed: str) -> None:
    with pytest.raises(BadInput):
        decimal_from(typed, "Grams")


def test_grams_and_money_are_whole_in_their_smallest_unit() -> None:
    assert mg_from_grams("42.5") == 42_500
    assert minor_from_major("18,50", 2) == 1850
    assert minor_from_major("1200", 0) == 1200
    for typed in ("0.0001", "2000000"):
        with pytest.raises(BadInput):
            mg_from_grams(typed)
    with pytest.raises(BadInput):
        minor_from_major("1.5", 0)
    with pytest.raises(BadInput):
        positive_mg_from_grams("0")
