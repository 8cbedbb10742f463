"""The ledger's units: whole milligrams, whole minor units of money, and how typed text becomes them.

Everything that weighs or counts money uses these types. It must not know a locale: that is for the pages.
"""

import re
from collections.abc import Iterable
from decimal import Decimal
from typing import NewType

from spoolkeep.domain.errors import BadInput

Milligrams = NewType("Milligrams", int)
MinorUnits = NewType("MinorUnits", int)

MG_PER_G = 1000
MAX_MG = 1_000_000_000
"""The most that one figure may weigh: a tonne. A larger one is a slip of the key."""


_BLANKS = str.maketrans("", "", " \N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}'")
_PLAIN = re.compile(r"[+-]?\d+(?:[.,]\d+)?")
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}(?:(?P<group>[.,])\d{3})(?:(?P=group)\d{3})*(?:(?!(?P=group))[.,]\d+)?")
_EITHER = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")


def decimal_from(text: str, what: str) -> Decimal:
    """Give the number in typed text, its decimals after a point or a comma, its thousands grouped or not.

    `1,234.5` and `1.234,5` are both 1234.5. `1,234` could be either, and is refused.
    Errors: BadInput where it is no plain number, or could be two; `what` names the field in the sentence.
    """
    plain = text.strip().translate(_BLANKS)
    if _EITHER.fullmatch(plain):
        whole, part = re.split("[.,]", plain)
        raise BadInput(
            "could_be_two", f"{what}: “{text.strip()}” could be {whole}{part} or {whole}.{part}0. Write one of these."
        )
    grouped = _GROUPED.fullmatch(plain)
    if grouped:
        plain = plain.replace(grouped["group"], "")
    if not _PLAIN.fullmatch(plain):
        raise BadInput("not_a_number", f"{what}: “{text.strip()}” is not a number. Write it like 12.5.")
    return Decimal(plain.replace(",", "."))


def decimal_mark_in(texts: Iterable[str]) -> str | None:
    """Give the character before decimals that these numbers prove, as `12.5` proves the point.

    None where none proves one, or some prove the point and others the comma.
    """
    proven = set()
    for text in texts:
        plain = text.strip().translate(_BLANKS)
        marks = [character for character in plain if character in ".,"]
        if _EITHER.fullmatch(plain) or not marks:
            continue
        if len(set(marks)) == 1 and len(marks) > 1:
            proven.add("," if marks[0] == "." else ".")
        elif _PLAIN.fullmatch(plain) or _GROUPED.fullmatch(plain):
            proven.add(marks[-1])
    return proven.pop() if len(proven) == 1 else None


def with_mark(text: str, mark: str | None) -> str:
    """Give a typed number that could be two as the one that it is where `mark` stands before decimals."""
    plain = text.strip().translate(_BLANKS)
    if mark is None or not _EITHER.fullmatch(plain):
        return text
    return f"{plain}0" if mark in plain else re.sub("[.,]", "", plain)


def mg_from_grams(text: str, what: str = "Grams") -> Milligrams:
    """Give whole milligrams from typed grams. Errors: BadInput where it is finer than a milligram or over a tonne."""
    grams = decimal_from(text, what)
    mg = grams * MG_PER_G
    if mg != mg.to_integral_value():
        raise BadInput("too_fine", f"{what}: {text.strip()} g is finer than a milligram. Round it to three decimals.")
    if abs(mg) > MAX_MG:
        raise BadInput("too_heavy", f"{what}: {text.strip()} g is more than a tonne. Enter grams, not milligrams.")
    return Milligrams(int(mg))


def positive_mg_from_grams(text: str, what: str = "Grams") -> Milligrams:
    """Give whole milligrams above zero from typed grams. Errors: BadInput, as above and where it is zero or less."""
    mg = mg_from_grams(text, what)
    if mg <= 0:
        raise BadInput("not_positive", f"{what}: enter more than 0 g.")
    return mg


def minor_from_major(text: str, decimals: int, what: str = "Amount") -> MinorUnits:
    """Give whole minor units from a typed amount; `decimals` is the currency's, 2 for cents.

    Errors: BadInput where it is finer than the currency's smallest unit, or absurdly large.
    """
    amount = decimal_from(text, what)
    minor = amount.scaleb(decimals)
    if minor != minor.to_integral_value():
        raise BadInput("too_fine", f"{what}: {text.strip()} has more than {decimals} decimals. Round it.")
    if abs(minor) > 10**15:
        raise BadInput("too_large", f"{what}: {text.strip()} is too large to be an amount of money here.")
    return MinorUnits(int(minor))
