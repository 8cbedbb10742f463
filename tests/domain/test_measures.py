"""Weights, amounts, counts and dates as people write them in cells. The spellings are common practice, no source."""

import time

import pytest

from spoolkeep.domain import measures
from spoolkeep.domain.errors import BadInput


@pytest.mark.parametrize(
    ("cell", "grams"),
    [
        ("850 g", "850"),
        ("850g", "850"),
        ("0,85 kg", "850"),
        ("0.850 KG", "850"),
        ("1 kg", "1000"),
        ("812,5", "812.5"),
        ("250 grams", "250"),
        ("1 lb", "453.592"),
        ("8 oz", "226.796"),
    ],
)
def test_a_weight_is_read_with_its_unit(cell: str, grams: str) -> None:
    """Source of the pound: 0.45359237 kg exactly, the agreement of 1959; an ounce is its sixteenth."""
    assert float(measures.grams(cell)) == float(grams)


def test_a_number_alone_is_in_the_unit_that_a_person_said() -> None:
    assert float(measures.grams("0,85", unit="kg")) == 850
    assert float(measures.grams("850 g", unit="kg")) == 850


@pytest.mark.parametrize(
    ("cell", "code"),
    [("1 kg / 250 g", "two_weights"), ("half", "not_a_weight"), ("3 m", "unknown_unit"), ("1,000 kg", "could_be_two")],
)
def test_what_is_no_weight_or_could_be_two_is_refused(cell: str, code: str) -> None:
    with pytest.raises(BadInput) as refused:
        measures.grams(cell)
    assert refused.value.code == code


@pytest.mark.parametrize("cell", ["99999999999999999999999 kg", "1001 kg", "1000001 g", f"{'9' * 70} lb"])
def test_more_than_a_tonne_is_refused_in_a_sentence(cell: str) -> None:
    with pytest.raises(BadInput, match="more than a tonne"):
        measures.grams(cell)


def test_two_weights_in_a_cell_are_told_apart() -> None:
    assert measures.weights("1 kg / 250 g") == ("1 kg", "250 g")
    assert measures.weights("250 g of 1 kg") == ("250 g", "1 kg")
    assert measures.weights("Shelf A / B") == ()


@pytest.mark.parametrize("cell", ["19,90 €", "€ 19,90", "19,90", "EUR 19,90", "19,90 EUR"])
def test_an_amount_is_read_with_the_sign_of_its_currency(cell: str) -> None:
    assert measures.amount(cell, currency="EUR") == "19,90"


@pytest.mark.parametrize("cell", ["19.90 $", "USD 19.90", "£19.90", "19.90 chf"])
def test_an_amount_in_another_currency_is_refused(cell: str) -> None:
    with pytest.raises(BadInput, match="is not in EUR"):
        measures.amount(cell, currency="EUR")


@pytest.mark.parametrize("cell", ["12.50 net", "ca. 5", "(5.00)", "-€5", "19.90 each", "some"])
def test_a_cell_that_says_more_than_an_amount_is_no_plain_one(cell: str) -> None:
    with pytest.raises(BadInput, match="is not a plain amount"):
        measures.amount(cell, currency="EUR")


@pytest.mark.parametrize(
    "cell",
    ["1" + " " * 100_000 + "x1", "1" + " x" * 50_000 + "1", "1 " * 60_000 + "x1", "9" * 120_000, "-" * 120_000],
)
def test_the_longest_cell_is_refused_at_once(cell: str) -> None:
    began = time.process_time()
    with pytest.raises(BadInput) as weight:
        measures.grams(cell)
    with pytest.raises(BadInput) as amount:
        measures.amount(cell, currency="EUR")
    assert measures.weights(cell) == ()
    assert time.process_time() - began < 0.5, "it took minutes where blanks were tried in every way"
    assert max(len(weight.value.words), len(amount.value.words)) < 200


def test_blanks_in_a_cell_make_no_difference() -> None:
    assert measures.amount("  19,90" + " " * 5000 + "€ ", currency="EUR") == "19,90"
    assert measures.grams("850" + " " * 5000 + "g") == "850"
    assert measures.weights("1 kg" + " " * 5000 + "/  250 g") == ("1 kg", "250 g")


@pytest.mark.parametrize(("cell", "count"), [("3", 3), ("3 x", 3), ("x3", 3), ("3 pcs", 3), ("12 spools", 12)])
def test_a_count_is_read_as_people_write_it(cell: str, count: int) -> None:
    assert measures.count(cell) == count


@pytest.mark.parametrize("cell", ["0", "", "some", "2.5", "3 kg"])
def test_what_is_no_count_is_refused(cell: str) -> None:
    with pytest.raises(BadInput):
        measures.count(cell)


@pytest.mark.parametrize(
    "cell",
    ["2026-01-14", "14.1.2026", "14. 1. 2026", "14.01.26", "14/1/2026", "1/14/2026", "14 Jan 2026", "January 14, 2026",
     "14th January 2026", "2026/01/14", "14-Jan-26"],
)  # fmt: skip
def test_a_day_is_read_in_several_ways(cell: str) -> None:
    assert measures.iso_day(cell, day_first=None) == "2026-01-14"


def test_a_day_that_could_be_two_is_as_the_others_are_or_refused() -> None:
    assert measures.iso_day("3/4/2026", day_first=True) == "2026-04-03"
    assert measures.iso_day("3/4/2026", day_first=False) == "2026-03-04"
    with pytest.raises(BadInput, match="could be two days"):
        measures.iso_day("3/4/2026", day_first=None)
    assert measures.day_first_in(["3/4/2026", "25/4/2026"]) is True
    assert measures.day_first_in(["3/4/2026", "4/25/2026"]) is False
    assert measures.day_first_in(["25/4/2026", "4/25/2026"]) is None, "they contradict each other"
    assert measures.day_first_in(["3/4/2026"]) is None
