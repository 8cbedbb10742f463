"""The ledger's units: whole milligrams, whole minor units of money, and how typed text becomes them.

Everything that weighs or counts money uses these types. It must not know a locale: that is for the pages.
"""

from decimal import Decimal, InvalidOperation
from typing import NewType

from spoolkeep.domain.errors import BadInput

Milligrams = NewType("Milligrams", int)
MinorUnits = NewType("MinorUnits", int)

MG_PER_G = 1000
MAX_MG = 1_000_000_000
"""The most that one figure may weigh: a tonne. A larger one is a slip of the key."""


def decimal_from(text: str, what: str) -> Decimal:
    """Give the number in `text`, with a point or a comma before its decimals and no other separators.

    Errors: BadInput where it is not a finite plain number; `what` names the field in the sentence.
    """
    plain = text.strip().replace(",", ".")
    try:
        number = Decimal(plain)
    except InvalidOperation:
        raise BadInput("not_a_number", f"{what}: “{text.strip()}” is not a number. Write it like 12.5.") from None
    if not number.is_finite() or "e" in plain.lower():
        raise BadInput("not_a_number", f"{what}: “{text.strip()}” is not a number. Write it like 12.5.")
    return number


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
