"""Reading forms: typed text to grams, money, numbers and moments, each with a sentence where it cannot be read.

The blueprints use it. It must not know a use case.
"""

from datetime import date, datetime
from decimal import Decimal

from flask import request

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import currency_decimals
from spoolkeep.domain.units import decimal_from, mg_from_grams, minor_from_major
from spoolkeep.services.shop import Shop


def text(name: str) -> str:
    """Give a field's text without the blanks around it."""
    return request.form.get(name, "").strip()


def page_of_ours(name: str) -> str:
    """Give a field's path on this host, or nothing where it leads elsewhere."""
    path = text(name)
    return path if path.startswith("/") and not path.startswith("//") and "\\" not in path else ""


def whole(name: str, what: str, default: int | None = None) -> int:
    """Give a field's whole number; the default where it is empty. Errors: BadInput."""
    given = text(name)
    if not given and default is not None:
        return default
    try:
        return int(given)
    except ValueError:
        raise BadInput("not_a_number", f"{what}: “{given}” is not a whole number. Write it like 12.") from None


def maybe_whole(name: str, what: str) -> int | None:
    """Give a field's whole number, or None where it is empty. Errors: BadInput."""
    return whole(name, what) if text(name) else None


def decimal(name: str, what: str) -> Decimal:
    """Give a field's number. Errors: BadInput."""
    return decimal_from(text(name), what)


def grams(name: str, what: str) -> int:
    """Give a field's grams in milligrams. Errors: BadInput where it is empty or no weight."""
    if not text(name):
        raise BadInput("no_grams", f"{what}: enter grams.")
    return mg_from_grams(text(name), what)


def maybe_grams(name: str, what: str) -> int | None:
    """Give a field's grams in milligrams, or None where it is empty. Errors: BadInput."""
    return mg_from_grams(text(name), what) if text(name) else None


def money(name: str, what: str, shop: Shop, default: int | None = None) -> int:
    """Give a field's amount in minor units; the default where it is empty. Errors: BadInput."""
    if not text(name) and default is not None:
        return default
    return minor_from_major(text(name), currency_decimals(shop.currency), what)


def day(name: str, what: str) -> date | None:
    """Give a field's day, or None where it is empty. Errors: BadInput."""
    given = text(name)
    if not given:
        return None
    try:
        return date.fromisoformat(given)
    except ValueError:
        raise BadInput("not_a_day", f"{what}: “{given}” is not a day. Write it like 2026-03-04.") from None


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
