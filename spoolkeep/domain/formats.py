"""How figures are written in the workshop's locale, currency and zone.

Pages, paper and the command line call it. It must not know what the figures mean.
"""

import math
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_time
from babel.numbers import format_currency, format_decimal, format_percent, get_currency_precision, list_currencies

from spoolkeep.domain.errors import BadInput

_FINE_BELOW_MG = 9_950
"""From here on one decimal would round to 10.0 g: whole grams are enough."""
_FINE_BELOW_DAYS = 10
_SPACE = "\N{NO-BREAK SPACE}"
CURRENCIES = sorted(list_currencies())
"""Source: the Unicode CLDR, as babel has it: those of ISO 4217, of today and before."""


def currency_decimals(currency: str) -> int:
    """Give the decimals of a currency: 2 for cents, 0 for yen. Errors: BadInput where there is no such currency.

    Source: ISO 4217, with the Unicode CLDR's notes on what is in use.
    """
    if currency not in CURRENCIES:
        raise BadInput("bad_currency", f"“{currency}” is not a currency. Enter three letters, like EUR.")
    return int(get_currency_precision(currency))


@dataclass(frozen=True)
class Formats:
    """Figures as this workshop writes them. Errors: BadInput on a locale, currency or zone that is none."""

    locale: str
    currency: str
    zone: str

    def __post_init__(self) -> None:
        try:
            _ = self._known
        except (UnknownLocaleError, ValueError, TypeError):
            raise BadInput("bad_locale", f"“{self.locale}” is not a locale. Enter one like en_GB.") from None
        currency_decimals(self.currency)
        try:
            ZoneInfo(self.zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            words = f"“{self.zone}” is not a time zone. Enter one like Europe/Lisbon."
            raise BadInput("bad_zone", words) from None

    def paid_in(self, currency: str | None) -> "Formats":
        """Give them with amounts in another currency; None stands for their own."""
        return replace(self, currency=currency) if currency else self

    @cached_property
    def _known(self) -> Locale:
        return Locale.parse(self.locale)

    def grams(self, mg: int) -> str:
        """Give milligrams as grams: whole ones, or with one decimal under 10 g."""
        fine = 0 < abs(mg) < _FINE_BELOW_MG
        return f"{self.number(Fraction(mg, 1000), 1 if fine else 0)}{_SPACE}g"

    def kilograms(self, mg: int) -> str:
        """Give milligrams as kilograms with two decimals."""
        return f"{self.number(Fraction(mg, 1_000_000), 2)}{_SPACE}kg"

    def number(self, value: Fraction | float, decimals: int = 0) -> str:
        """Give a number with so many decimals, half to even; what is without end is ∞."""
        pattern = "#,##0" + ("." + "0" * decimals if decimals else "")
        return str(format_decimal(_rounded(value, decimals), format=pattern, locale=self._known))

    def money(self, minor: int) -> str:
        """Give minor units as an amount of the workshop's currency."""
        amount = Decimal(minor).scaleb(-currency_decimals(self.currency))
        return str(format_currency(amount, self.currency, locale=self._known))

    def amount(self, minor: int) -> str:
        """Give minor units as a plain amount, as a field is filled with."""
        return f"{Decimal(minor).scaleb(-currency_decimals(self.currency)):f}"

    def day(self, day: date) -> str:
        """Give a day with its year, as the locale writes it in middling length."""
        return str(format_date(day, "medium", locale=self._known))

    def short_day(self, day: date) -> str:
        """Give a day without its year."""
        return str(format_date(day, "d MMM", locale=self._known))

    def month(self, day: date) -> str:
        """Give the month and year of a day."""
        return str(format_date(day, "MMM yyyy", locale=self._known))

    def moment(self, moment: datetime) -> str:
        """Give a moment on the workshop's wall clock: day, hours and minutes. Without a zone it is taken as UTC."""
        return f"{self.day(self._local(moment).date())}, {self.clock(moment)}"

    def clock(self, moment: datetime) -> str:
        """Give the hours and minutes of a moment on the workshop's wall clock."""
        return str(format_time(self._local(moment), "HH:mm", locale=self._known))

    def _local(self, moment: datetime) -> datetime:
        known = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
        return known.astimezone(ZoneInfo(self.zone))

    def share(self, basis_points: Fraction | float) -> str:
        """Give basis points (1.4 % is 140) as a percentage with one decimal."""
        # rounded here, because the formatter would round binary fractions
        share = _rounded(Fraction(basis_points) / 100, 1) / 100
        return str(format_percent(share, f"#,##0.0{_SPACE}%", locale=self._known))

    def days(self, days: float) -> str:
        """Give a number of days: with a decimal under 10 where there is one, whole ones above."""
        fine = days < _FINE_BELOW_DAYS and round(days, 1) % 1
        shown = self.number(days, 1 if fine else 0)
        return f"{shown}{_SPACE}{'day' if shown == self.number(1) else 'days'}"


def _rounded(value: Fraction | float, decimals: int) -> Decimal:
    """Round exactly, half to even, and never to a minus zero."""
    if isinstance(value, float) and not math.isfinite(value):
        return Decimal(value)
    return Decimal(round(Fraction(value) * 10**decimals)).scaleb(-decimals)
