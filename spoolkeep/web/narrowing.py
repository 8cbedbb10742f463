"""Narrowing a list by the address, so that what is shown can be bookmarked: what may be asked, and what was.

The blueprints use it, and `narrow` in parts.html draws its form. It must not know a use case.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum

from flask import request

from spoolkeep.domain.errors import BadInput
from spoolkeep.services.search import matcher
from spoolkeep.services.shop import Shop
from spoolkeep.web import forms

Options = Sequence[tuple[str, str]]
MOST_DAYS = 36_500
"""A hundred years: longer ago nothing was booked."""
MOST_LETTERS = 80
MOST_PAGE = 1_000_000
WHOLE = "all"
"""What an address asks for as the page of a list that is to stand on one page, to be printed or looked through."""
MOST_WHOLE = 1_000
"""Rows that may stand on one page. Source: our own choice."""


class Kind(StrEnum):
    """How something is asked for."""

    WORDS = "words"
    CHOICE = "choice"
    NUMBER = "number"
    TICK = "tick"


@dataclass(frozen=True)
class Ask:
    """One thing by which a list is narrowed: its name in the address, its label, and what may be chosen."""

    name: str
    label: str
    kind: Kind = Kind.WORDS
    options: tuple[tuple[str, str], ...] = ()
    unit: str = ""
    is_kept: bool = False
    """It is chosen elsewhere on the page, and only kept by the form."""


def words(name: str, label: str) -> Ask:
    """Ask for a text that stands in what is listed."""
    return Ask(name, label)


def choice(name: str, label: str, options: Options) -> Ask:
    """Ask for one of some, each its value and its words."""
    return Ask(name, label, Kind.CHOICE, tuple(options))


def number(name: str, label: str, unit: str = "") -> Ask:
    """Ask for a whole number above 0."""
    return Ask(name, label, Kind.NUMBER, unit=unit)


def days(label: str) -> Ask:
    """Ask for so many days back, today among them."""
    return number("days", label, "days")


def tick(name: str, label: str) -> Ask:
    """Ask whether only those are shown of which something holds."""
    return Ask(name, label, Kind.TICK)


def kept(ask: Ask) -> Ask:
    """Let it be chosen elsewhere on the page, by links."""
    return replace(ask, is_kept=True)


def all_of(*known: str) -> Options:
    """Give words as options that stand for themselves."""
    return [(word, word[:1].upper() + word[1:]) for word in known]


@dataclass(frozen=True)
class Narrowed:
    """What the address asks of a list; what it does not ask for is left out."""

    asks: tuple[Ask, ...]
    asked: Mapping[str, str]

    def text(self, name: str) -> str:
        """Give a text or a choice; empty where it is not asked for."""
        return self.asked.get(name, "")

    def number(self, name: str) -> int | None:
        """Give a number; None where it is not asked for."""
        return int(self.asked[name]) if name in self.asked else None

    def is_on(self, name: str) -> bool:
        """Give whether something is ticked."""
        return name in self.asked

    def first_day(self, shop: Shop, now: datetime) -> date | None:
        """Give the first of the days that are asked for; None where all are."""
        back = self.number("days")
        return None if back is None else shop.today(now) - timedelta(days=back - 1)

    def since(self, shop: Shop, now: datetime) -> datetime | None:
        """Give the moment at which that day begins; None where all are asked for."""
        first = self.first_day(shop, now)
        return None if first is None else shop.clock.span_of(first)[0]

    def fits(self, name: str) -> Callable[[str], bool]:
        """Give whether a text has the words that are asked for; every text has where none are."""
        wanted = self.text(name)
        fits = matcher(wanted)
        return lambda told: not wanted or fits(told) > 0

    @property
    def told(self) -> str:
        """Give what is asked for in words, as it stands on paper."""
        return "; ".join(self._words(ask) for ask in self.asks if ask.name in self.asked)

    def _words(self, ask: Ask) -> str:
        given = self.asked[ask.name]
        if ask.kind is Kind.TICK:
            return ask.label
        return f"{ask.label}: {dict(ask.options).get(given, given)}{' ' if ask.unit else ''}{ask.unit}"


def read(*asks: Ask) -> Narrowed:
    """Give what the address asks of a list. Errors: BadInput, in a sentence, where it cannot be."""
    given = {ask.name: request.args.get(ask.name, "").strip() for ask in asks}
    return Narrowed(asks, {ask.name: _checked(ask, given[ask.name]) for ask in asks if given[ask.name]})


def _checked(ask: Ask, given: str) -> str:
    if ask.kind is Kind.NUMBER:
        count = forms.whole_from(given, ask.label)
        if not 1 <= count <= MOST_DAYS:
            raise BadInput("no_such_number", f"{ask.label}: enter 1 to {MOST_DAYS}.")
        return str(count)
    if ask.kind is Kind.CHOICE and given not in dict(ask.options):
        known = ", ".join(label for _, label in ask.options[:20])
        raise BadInput("unknown_choice", f"{ask.label}: “{given[:40]}” is none of these: {known}.")
    if len(given) > MOST_LETTERS:
        raise BadInput("too_long", f"{ask.label}: look for at most {MOST_LETTERS} characters.")
    return "yes" if ask.kind is Kind.TICK else given


@dataclass(frozen=True)
class Page:
    """Which part of a long list is shown."""

    number: int
    """From 1."""
    count: int
    """Of all that fit."""
    each: int
    may_be_whole: bool = False
    """Whether all of it may be asked for at once."""
    is_whole: bool = False

    @property
    def pages(self) -> int:
        """Give how many pages there are, at least one."""
        return max(1, -(-self.count // self.each))

    @property
    def start(self) -> int:
        """Give how many stand before it."""
        return (self.number - 1) * self.each


def page_or_whole(count: int, each: int) -> Page:
    """Give the page that the address asks for, or all of the list, where it is not too long. Errors: BadInput."""
    if request.args.get("page", "").strip() != WHOLE:
        return replace(page_of(count, each), may_be_whole=each < count <= MOST_WHOLE)
    if count > MOST_WHOLE:
        words = f"This list has {count} rows; at most {MOST_WHOLE} stand on one page. Narrow it, or take it as a file."
        raise BadInput("too_long_for_one_page", words)
    return Page(1, count, max(1, count), may_be_whole=each < count, is_whole=True)


def page_of(count: int, each: int, name: str = "page") -> Page:
    """Give the page that the address asks for, the last one where it asks for more. Errors: BadInput."""
    return Page(min(page_number(name), max(1, -(-count // each))), count, each)


def page_number(name: str = "page") -> int:
    """Give the number of the page that the address asks for, from 1. Errors: BadInput."""
    asked = forms.whole_from(request.args.get(name, "").strip() or "1", "Page")
    return min(max(1, asked), MOST_PAGE)
