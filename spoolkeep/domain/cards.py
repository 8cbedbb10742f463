"""Bench cards: what a person can say with a scan, and the fixed serial of each.

The Bench hears them and the press prints them. It must not know what they do to the books.
"""

from enum import StrEnum

from spoolkeep.domain.codes import Code, CodeKind


class Card(StrEnum):
    """What a card says; the ten digits say a scale's reading."""

    UNDO = "undo"
    RAN_OUT = "ran out"
    SHELVED = "shelved"
    CAME_OFF_GOOD = "came off good"
    CAME_OFF_BAD = "came off bad"
    SAME_AGAIN = "same again"
    SET_ASIDE = "set aside"
    WEIGH = "weigh"
    ZERO = "0"
    ONE = "1"
    TWO = "2"
    THREE = "3"
    FOUR = "4"
    FIVE = "5"
    SIX = "6"
    SEVEN = "7"
    EIGHT = "8"
    NINE = "9"

    @property
    def is_digit(self) -> bool:
        """Give whether it is one of the ten digits."""
        return self.value.isdecimal()

    @property
    def code(self) -> Code:
        """Give its code, the same for ever: printed cards outlast a version."""
        return Code(CodeKind.CARD, _SERIALS[self])


_FIRST_DIGIT = 10
_WORDS = [card for card in Card if not card.is_digit]
_SERIALS = {card: _FIRST_DIGIT + int(card) if card.is_digit else _WORDS.index(card) + 1 for card in Card}
_CARDS = {serial: card for card, serial in _SERIALS.items()}

HOW = {
    Card.UNDO: "Lets go what waits, or takes back what was last done",
    Card.RAN_OUT: "With a spool or its feed",
    Card.SHELVED: "With a spool or its feed: back to its place",
    Card.CAME_OFF_GOOD: "With a job ticket, or the feed it came off",
    Card.CAME_OFF_BAD: "With a job ticket, or the feed it came off",
    Card.SAME_AGAIN: "With a feed: the last job of its machine",
    Card.SET_ASIDE: "With a spool: not to be used until a person decides",
    Card.WEIGH: "Spool, digits, weigh",
}
"""How each card is used, in a line that fits under its name."""


def card_of(serial: int) -> Card | None:
    """Give the card with a serial, or None where there is none."""
    return _CARDS.get(serial)
