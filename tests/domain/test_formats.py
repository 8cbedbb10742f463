"""Figures as workshops in four countries write them."""

from datetime import UTC, date, datetime
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import Formats, currency_decimals

BRITISH = Formats("en_GB", "GBP", "Europe/London")
GERMAN = Formats("de_DE", "EUR", "Europe/Berlin")
FRENCH = Formats("fr_FR", "EUR", "Europe/Paris")
JAPANESE = Formats("ja_JP", "JPY", "Asia/Tokyo")
ALL = (BRITISH, GERMAN, FRENCH, JAPANESE)
NOON = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)


def plain(text: str) -> str:
    """Give the text with ordinary blanks, so that it can be read in a test."""
    return text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{NARROW NO-BREAK SPACE}", " ")


def test_grams_are_grouped_as_the_country_does() -> None:
    assert [plain(one.grams(1_234_000)) for one in ALL] == ["1,234 g", "1.234 g", "1 234 g", "1,234 g"]


@pytest.mark.parametrize(
    ("mg", "shown"),
    [
        (0, "0 g"),
        (400, "0.4 g"),
        (-40, "0.0 g"),
        (9_949, "9.9 g"),
        (9_950, "10 g"),
        (10_400, "10 g"),
        (999_600, "1,000 g"),
        (-2_500, "-2.5 g"),
        (1_000_000_000, "1,000,000 g"),
    ],
)
def test_grams_have_a_decimal_only_below_ten(mg: int, shown: str) -> None:
    assert plain(BRITISH.grams(mg)) == shown


def test_kilograms_have_two_decimals() -> None:
    assert [plain(one.kilograms(12_340_000)) for one in ALL] == ["12.34 kg", "12,34 kg", "12,34 kg", "12.34 kg"]


def test_money_has_the_decimals_of_its_currency() -> None:
    # ISO 4217: two decimals for the pound and the euro, none for the yen
    shown = [plain(one.money(123_456)) for one in ALL]
    assert shown == ["£1,234.56", "1.234,56 €", "1 234,56 €", "￥123,456"]
    assert plain(BRITISH.money(-5)) == "-£0.05"


@pytest.mark.parametrize(("currency", "decimals"), [("EUR", 2), ("GBP", 2), ("JPY", 0), ("KWD", 3), ("ISK", 0)])
def test_decimals_are_those_of_iso_4217(currency: str, decimals: int) -> None:
    # ISO 4217:2015 list one, the column of minor units
    assert currency_decimals(currency) == decimals


def test_a_day_is_written_as_the_country_does() -> None:
    day = date(2026, 3, 4)
    assert [plain(one.day(day)) for one in ALL] == ["4 Mar 2026", "04.03.2026", "4 mars 2026", "2026/03/04"]
    assert plain(BRITISH.short_day(day)) == "4 Mar"
    assert plain(BRITISH.month(day)) == "Mar 2026"


def test_a_moment_is_told_by_the_wall_clock_of_the_workshop() -> None:
    # summer time: London is an hour, Berlin and Paris two, Tokyo nine hours ahead of UTC
    assert [one.moment(NOON)[-5:] for one in ALL] == ["13:00", "14:00", "14:00", "21:00"]
    assert plain(BRITISH.moment(NOON)) == "1 Jul 2026, 13:00"


def test_a_moment_after_midnight_falls_on_the_local_day() -> None:
    assert JAPANESE.moment(datetime(2026, 3, 4, 20, 30, tzinfo=UTC)) == "2026/03/05, 05:30"


def test_a_moment_without_a_zone_is_taken_as_utc() -> None:
    assert BRITISH.moment(NOON.replace(tzinfo=None)) == BRITISH.moment(NOON)


def test_a_share_is_a_percentage_with_one_decimal() -> None:
    # 350 on 25,000 of takings is 1.4 %
    assert [plain(one.share(Fraction(350 * 10_000, 25_000))) for one in ALL] == ["1.4 %", "1,4 %", "1,4 %", "1.4 %"]
    assert plain(BRITISH.share(0)) == "0.0 %"
    assert plain(BRITISH.share(12_345_678)) == "123,456.8 %"


@pytest.mark.parametrize(
    ("days", "shown"),
    [
        (0, "0 days"),
        (0.97, "1 day"),
        (1, "1 day"),
        (2.55, "2.5 days"),
        (9.96, "10 days"),
        (41.4, "41 days"),
        (float("inf"), "∞ days"),
    ],
)
def test_days_are_as_fine_as_they_matter(days: float, shown: str) -> None:
    assert plain(BRITISH.days(days)) == shown


def test_a_number_is_rounded_half_to_even_and_exactly() -> None:
    assert BRITISH.number(Fraction(5, 2)) == "2"
    assert BRITISH.number(Fraction(1005, 1000), 2) == "1.00"
    assert GERMAN.number(12345.678, 1) == "12.345,7"


@given(st.integers(-(10**15), 10**15))
def test_money_never_loses_a_cent(minor: int) -> None:
    digits = "".join(letter for letter in BRITISH.money(minor) if letter.isdecimal() or letter == "-")
    assert int(digits) == minor


@pytest.mark.parametrize(
    ("formats", "code"),
    [
        (("xx_YY", "EUR", "UTC"), "bad_locale"),
        (("", "EUR", "UTC"), "bad_locale"),
        (("../etc", "EUR", "UTC"), "bad_locale"),
        (("en_GB", "Euro", "UTC"), "bad_currency"),
        (("en_GB", "", "UTC"), "bad_currency"),
        (("en_GB", "EUR", "Europe/Nowhere"), "bad_zone"),
        (("en_GB", "EUR", ""), "bad_zone"),
        (("en_GB", "EUR", "../../etc/passwd"), "bad_zone"),
        (("en_GB", "EUR", "Europe"), "bad_zone"),
    ],
)
def test_what_is_no_locale_currency_or_zone_is_refused_with_an_example(
    formats: tuple[str, str, str], code: str
) -> None:
    with pytest.raises(BadInput, match="Enter") as refused:
        Formats(*formats)
    assert refused.value.code == code


def test_hours_and_minutes_are_those_of_the_workshops_wall() -> None:
    # Lisbon is an hour ahead of UTC in summer: IANA tz database
    formats = Formats("en_GB", "EUR", "Europe/Lisbon")
    assert formats.clock(datetime(2026, 7, 1, 22, 5, tzinfo=UTC)) == "23:05"
