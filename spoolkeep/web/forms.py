"""Reading forms: typed text to grams, money, numbers and moments, each with a sentence where it cannot be read.

The blueprints use it. It must not know a use case.
"""

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from typing import TypeVar

from flask import request

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import currency_decimals
from spoolkeep.domain.units import decimal_from, mg_from_grams, minor_from_major
from spoolkeep.services.limits import MOST_WHOLE
from spoolkeep.services.shop import Shop

Word = TypeVar("Word", bound=StrEnum)
Doing = TypeVar("Doing")
MOST_BASIS_POINTS, PPM_PER_BASIS_POINT = 10_000, 100


def text(name: str) -> str:
    """Give a field's text without the blanks around it."""
    return request.form.get(name, "").strip()


def chosen(doings: Mapping[str, Doing]) -> Doing:
    """Give the doing that a form's hidden word names. Errors: BadInput where it names none."""
    doing = doings.get(text("do"))
    if doing is None:
        raise BadInput("unknown_act", "Choose what to change.")
    return doing


def page_of_ours(name: str) -> str:
    """Give a field's path on this host, or nothing where it leads elsewhere."""
    path = text(name)
    # browsers leave tabs and line ends out of an address, so that a slash, a tab and a slash lead to another host
    ours = path.startswith("/") and not path.startswith("//") and "\\" not in path and path.isprintable()
    return path if ours else ""


def word(name: str, words: type[Word], what: str, default: Word | None = None) -> Word:
    """Give a field's word of a closed set; the default where it is empty. Errors: BadInput."""
    given = text(name)
    if not given and default is not None:
        return default
    return words(one_of(name, tuple(words), what))


def one_of(name: str, words: Sequence[str], what: str) -> str:
    """Give a field's word of those given. Errors: BadInput."""
    given = text(name)
    if given not in words:
        raise BadInput(f"unknown_{name}", f"{what}: “{given}” is not known. Choose one of: {', '.join(words)}.")
    return given


def whole(name: str, what: str, default: int | None = None) -> int:
    """Give a field's whole number; the default where it is empty. Errors: BadInput."""
    given = text(name)
    if not given and default is not None:
        return default
    return whole_from(given, what)


def whole_from(given: str, what: str) -> int:
    """Give the whole number in a text. Errors: BadInput where it is none, or larger than the books can keep."""
    try:
        number = int(given)
    except ValueError:
        raise BadInput("not_a_number", f"{what}: “{given}” is not a whole number. Write it like 12.") from None
    if abs(number) > MOST_WHOLE:
        raise BadInput("too_large", f"{what}: {given} is too large. Enter at most {MOST_WHOLE}.")
    return number


def maybe_whole(name: str, what: str) -> int | None:
    """Give a field's whole number, or None where it is empty. Errors: BadInput."""
    return whole(name, what) if text(name) else None


def decimal(name: str, what: str) -> Decimal:
    """Give a field's number. Errors: BadInput."""
    return decimal_from(text(name), what)


def ppm(name: str, what: str) -> int:
    """Give a field's per cent in millionths. Errors: BadInput where it is no share or finer than two decimals."""
    share = decimal(name, what) * 100
    if not 0 <= share <= MOST_BASIS_POINTS:
        raise BadInput("no_such_share", f"{what}: a share is 0 to 100 per cent.")
    if share != int(share):
        raise BadInput("too_fine", f"{what}: write per cent with at most two decimals.")
    return int(share) * PPM_PER_BASIS_POINT


def grams(name: str, what: str) -> int:
    """Give a field's grams in milligrams. Errors: BadInput where it is empty, below 0 or no weight."""
    if not text(name):
        raise BadInput("no_grams", f"{what}: enter grams.")
    mg = mg_from_grams(text(name), what)
    if mg < 0:
        raise BadInput("below_nothing", f"{what}: {text(name)} g is less than nothing. Enter 0 g or more.")
    return mg


def maybe_grams(name: str, what: str) -> int | None:
    """Give a field's grams in milligrams, or None where it is empty. Errors: BadInput."""
    return grams(name, what) if text(name) else None


def money(name: str, what: str, shop: Shop, default: int | None = None) -> int:
    """Give a field's amount in minor units; the default where it is empty. Errors: BadInput."""
    if not text(name) and default is not None:
        return default
    return minor_from_major(text(name), currency_decimals(shop.currency), what)


def day(name: str, what: str) -> date | None:
    """Give a field's day, or None where it is empty. Errors: BadInput."""
    return day_from(text(name), f"{what}: ")


def closed_days() -> tuple[date, date]:
    """Give the first and the last day of a closing, `from_day` and `until_day`; that day alone where no last is given.

    Errors: BadInput.
    """
    first, last = day("from_day", "First day"), day("until_day", "Last day")
    if first is None:
        raise BadInput("no_day", "Give the first day.")
    return first, last or first


def day_from(given: str, before: str = "") -> date | None:
    """Give the day in a text, or None where it is empty; `before` goes before the words. Errors: BadInput."""
    try:
        return date.fromisoformat(given.strip()) if given.strip() else None
    except ValueError:
        words = f"{before}“{given[:40]}” is not a day. Write it like 2026-03-04."
        raise BadInput("not_a_day", words) from None


def moment(name: str, what: str, shop: Shop) -> datetime | None:
    """Give a field's local time as a moment, or None where it is empty. Errors: BadInput."""
    given = text(name)
    if not given:
        return None
    try:
        local = datetime.fromisoformat(given)
    except ValueError:
        raise BadInput("not_a_time", f"{what}: “{given}” is not a time. Write it like 2026-03-04 15:30.") from None
    return local if local.tzinfo else shop.clock.from_local(local).utc
