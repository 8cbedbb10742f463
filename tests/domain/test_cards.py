"""Bench cards: printed once, they hang at the Bench for years."""

import pytest

from spoolkeep.domain.cards import HOW, Card, card_of
from spoolkeep.domain.codes import read_code
from spoolkeep.paper.pictograms import PICTOGRAMS

SERIALS = {
    "undo": 1,
    "ran out": 2,
    "shelved": 3,
    "came off good": 4,
    "came off bad": 5,
    "same again": 6,
    "set aside": 7,
    "weigh": 8,
    **{str(digit): 10 + digit for digit in range(10)},
}
"""Never to be changed: a card on the wall says for ever what it says."""


def test_a_cards_serial_is_the_same_for_ever() -> None:
    assert {str(card): card.code.serial for card in Card} == SERIALS


@pytest.mark.parametrize("card", Card)
def test_a_card_is_known_by_its_code(card: Card) -> None:
    assert read_code(card.code.text) == card.code
    assert card_of(card.code.serial) is card


def test_no_other_serial_is_a_card() -> None:
    assert [card_of(serial) for serial in (9, 20, 999_999)] == [None] * 3


def test_every_card_but_a_digit_has_a_picture_and_says_how_it_is_used() -> None:
    words = {card for card in Card if not card.is_digit}
    assert set(PICTOGRAMS) == words
    assert set(HOW) == words
