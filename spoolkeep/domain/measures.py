"""Weights, amounts, counts and dates as people write them in cells: with their unit, their currency, in their order.

The imports call it. It must not know what a column means.
"""

import re
from collections.abc import Iterable, Mapping
from decimal import Decimal

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import CURRENCIES
from spoolkeep.domain.units import MAX_MG, MG_PER_G, decimal_from, with_mark

_MG_OF: Mapping[str, Decimal] = {
    "mg": Decimal(1),
    "g": Decimal(1000),
    "gr": Decimal(1000),
    "gram": Decimal(1000),
    "grams": Decimal(1000),
    "kg": Decimal(1_000_000),
    "kgs": Decimal(1_000_000),
    "kilo": Decimal(1_000_000),
    "kilos": Decimal(1_000_000),
    "oz": Decimal("28349.523125"),
    "lb": Decimal("453592.37"),
    "lbs": Decimal("453592.37"),
}
"""Milligrams of a unit as it is written. Source: the avoirdupois pound of 1959, 0.45359237 kg exactly; its ounce is a
sixteenth."""
UNITS = ("g", "kg", "oz", "lb")

_SIGNS: Mapping[str, frozenset[str]] = {
    "€": frozenset({"EUR"}),
    "£": frozenset({"GBP"}),
    "¥": frozenset({"JPY", "CNY"}),
    "$": frozenset({"USD", "CAD", "AUD", "NZD", "SGD", "HKD", "MXN"}),
    "fr.": frozenset({"CHF"}),
    "zł": frozenset({"PLN"}),
    "kč": frozenset({"CZK"}),
    "kr": frozenset({"SEK", "NOK", "DKK", "ISK"}),
    "kr.": frozenset({"SEK", "NOK", "DKK", "ISK"}),
}
"""Currencies that a sign may stand for. Source: common practice, no source."""

_NUMBER = r"[+-]?\d(?:[\d.,'\s\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}]*\d)?"
_WEIGHT = re.compile(rf"({_NUMBER})\s*([a-z]*)\.?", re.IGNORECASE)
_AMOUNT = re.compile(rf"(\D*?)\s*({_NUMBER})\s*(?:,-|\.-)?\s*(\D*)")
_COUNT = re.compile(r"(?:x\s*)?(\d{1,4})\s*(?:x|×|pcs?\.?|pieces?|spools?)?", re.IGNORECASE)  # noqa: RUF001 - the sign for times
_BETWEEN = re.compile(r" ?(?:/|\bof\b|\|) ?", re.IGNORECASE)
_LONGEST = 80
"""Letters of the longest cell that may hold a weight or an amount, its blanks counted once."""


def _once_blank(text: str) -> str:
    """Give a cell with each run of blanks as one, and no more of it than shows that it is too long."""
    return " ".join(text.split())[: _LONGEST + 1]


def _told(plain: str) -> str:
    return f"{plain[:_LONGEST]}…" if len(plain) > _LONGEST else plain


def bare(text: str) -> str:
    """Give the number within a cell, without what stands around it; the cell as it is where there is none."""
    found = re.search(_NUMBER, text)
    return found[0] if found else text


def grams(text: str, *, mark: str | None = None, unit: str = "g") -> str:
    """Give a weight as a plain number of grams; `unit` is that of a number alone, `mark` stands before its decimals.

    Errors: BadInput where it is no weight, has another unit, or is more than a tonne.
    """
    plain = _once_blank(text)
    found = _WEIGHT.fullmatch(plain) if len(plain) <= _LONGEST else None
    if found is None:
        words = f"“{_told(plain)}” is not a weight. Write it like 850 g or 0.85 kg."
        raise BadInput("two_weights" if len(weights(text)) > 1 else "not_a_weight", words)
    named = found[2].lower() or unit
    if named not in _MG_OF:
        raise BadInput("unknown_unit", f"“{found[2]}” is not a unit of weight. Write it like 850 g or 0.85 kg.")
    number = decimal_from(with_mark(found[1], mark), "Weight")
    if abs(number * _MG_OF[named]) > MAX_MG:
        raise BadInput("too_heavy", f"“{plain}” is more than a tonne. Write it like 850 g or 0.85 kg.")
    return f"{(number * _MG_OF[named]).quantize(Decimal(1)) / MG_PER_G:f}" if named != "g" else f"{number:f}"


def weights(text: str) -> tuple[str, ...]:
    """Give the weights in a cell that has several, like `1 kg / 250 g`, each as it is written."""
    plain = _once_blank(text)
    parts = [part for part in _BETWEEN.split(plain) if part] if len(plain) <= _LONGEST else [""]
    return tuple(parts) if all(_WEIGHT.fullmatch(part) for part in parts) else ()


def amount(text: str, *, currency: str, mark: str | None = None) -> str:
    """Give an amount as a plain number; its sign or letters must be those of `currency` (ISO 4217).

    Errors: BadInput where it is no amount, or one in another currency.
    """
    plain = _once_blank(text)
    found = _AMOUNT.fullmatch(plain) if len(plain) <= _LONGEST else None
    if found is None:
        raise _no_amount(plain)
    for said in filter(None, (found[1].strip(), found[3].strip())):
        signs = _SIGNS.get(said.lower(), ())
        if said.upper() == currency or currency in signs:
            continue
        if signs or said.upper() in CURRENCIES:
            words = f"“{plain}” is not in {currency}. Write the amount in {currency}, as a number like 12.5."
            raise BadInput("other_currency", words)
        raise _no_amount(plain)
    return with_mark(found[2], mark)


def _no_amount(plain: str) -> BadInput:
    return BadInput("not_a_number", f"“{_told(plain)}” is not a plain amount. Write it as a number like 12.5.")


def count(text: str) -> int:
    """Give a count, like 3, 3 x or 3 pcs. Errors: BadInput where it is none, or 0."""
    found = _COUNT.fullmatch(text.strip())
    if found is None or not int(found[1]):
        raise BadInput("not_a_count", f"“{text.strip()}” is not a count. Write it like 3, or leave it empty for one.")
    return int(found[1])


_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_FULL_MONTHS = (
    *("january", "february", "march", "april", "may", "june", "july"),
    *("august", "september", "october", "november", "december"),
)
_POINTED = re.compile(r"(\d{1,2})\.\s?(\d{1,2})\.\s?(\d{4}|\d{2})\b")
_SLASHED = re.compile(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4}|\d{2})\b")
_TURNED = re.compile(r"(\d{4})[/.](\d{1,2})[/.](\d{1,2})\b")
_DAY_MONTH = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[\s.-]+([a-z]+)\.?,?[\s-]+(\d{4}|\d{2})\b", re.IGNORECASE)
_MONTH_DAY = re.compile(r"([a-z]+)\.?\s+(\d{1,2})(?:st|nd|rd|th)?,?\s+(\d{4})\b", re.IGNORECASE)
_LAST_MONTH, _CENTURY, _OLD = 12, 100, 90


def iso_day(text: str, *, day_first: bool | None) -> str:
    """Give a text that begins with a date as ISO 8601 has it; what is none that is known here stays as it is.

    With points the day comes first, as in 1.3.2026. With / or - it is as `day_first` says, where both could be.
    Errors: BadInput where it could be two and None is given.
    Source: common practice, no source; a year of two digits is 1990 to 2089.
    """
    if found := _TURNED.match(text):
        return _joined(found[1], found[2], found[3]) + text[found.end() :]
    if found := _POINTED.match(text):
        return _joined(found[3], found[2], found[1]) + text[found.end() :]
    if found := _SLASHED.match(text):
        one, other = int(found[1]), int(found[2])
        first = day_first if max(one, other) <= _LAST_MONTH and one != other else one > _LAST_MONTH
        if first is None:
            words = f"“{text}” could be two days. Say under its columns which comes first, day or month."
            raise BadInput("could_be_two_days", words)
        day, month = (one, other) if first else (other, one)
        return _joined(found[3], str(month), str(day)) + text[found.end() :]
    for pattern, day_at, month_at in ((_DAY_MONTH, 1, 2), (_MONTH_DAY, 2, 1)):
        found = pattern.match(text)
        month = _month(found[month_at]) if found else 0
        if found and month:
            return _joined(found[3], str(month), found[day_at]) + text[found.end() :]
    return text


def _month(word: str) -> int:
    plain = word.lower()
    if plain in _FULL_MONTHS:
        return _FULL_MONTHS.index(plain) + 1
    short = "sep" if plain == "sept" else plain
    return _MONTHS.index(short) + 1 if short in _MONTHS else 0


def _joined(year: str, month: str, day: str) -> str:
    full = int(year) if len(year) > 2 else int(year) + (1900 if int(year) >= _OLD else 2000)  # noqa: PLR2004 - digits
    return f"{full:04}-{int(month):02}-{int(day):02}"


def could_be_two_days(text: str) -> bool:
    """Give whether a date with / or - could have either of its first two numbers as its day."""
    found = _SLASHED.match(text.strip())
    return found is not None and found[1] != found[2] and max(int(found[1]), int(found[2])) <= _LAST_MONTH


def day_first_in(texts: Iterable[str]) -> bool | None:
    """Give whether these dates with / or - have their day first, where some prove it and none the opposite; or None."""
    said = set()
    for text in texts:
        found = _SLASHED.match(text.strip())
        if found and int(found[1]) != int(found[2]) and max(int(found[1]), int(found[2])) > _LAST_MONTH:
            said.add(int(found[1]) > _LAST_MONTH)
    return said.pop() if len(said) == 1 else None
