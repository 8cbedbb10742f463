"""Is a bargain worth its time: by hand, at prices that are usual.

Source of the prices: common practice, no source: a kilogram spool costs 14 to 20, often in packs of two. An hour at 25
and a fifth a year for cash tied up are our own choice.
"""

from fractions import Fraction

import pytest

from spoolkeep.domain.bargain import CheaperPrice, FreeFreight, cheaper_price, free_freight
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.truecost import Rates

RATES = Rates(hour_minor=2500, change_seconds=180, carry_ppm_a_year=200_000, space_minor_a_month=30)


def _price(**other: Fraction | int) -> CheaperPrice:
    told: dict[str, Fraction | int] = {
        "month_mg": Fraction(3_000_000),
        "now_minor": Fraction(1800),
        "offered_minor": Fraction(1600),
        "usual_mg": 2_000_000,
        "at_once_mg": 2_000_000,
        "spool_mg": 1_000_000,
        "minutes": Fraction(20),
        "months": 1,
    }
    return CheaperPrice(**(told | other))  # type: ignore[arg-type]


def test_haggling_two_off_a_spool_does_not_pay_a_small_shop() -> None:
    """Three kilograms a month at 18.00, offered at 16.00, after 20 minutes of haggling, for one order.

    Saved: 3 * 2.00 = 6.00. Cash: half a pack of two lies as before, at 16.00 in place of 18.00: 1 * 2.00 * 0.2 / 12 =
    0.0333 less. Time: 20 / 60 * 25.00 = 8.33. Left: 6.00 + 0.03 - 8.33 = -2.30. Break-even: 6.0333 / 25.00 * 60 = 14.48
    minutes.
    """
    worth = cheaper_price(_price(), RATES)
    assert worth.saves == 600
    assert worth.cash == Fraction(-200 * 20, 100 * 12)
    assert worth.room == 0
    assert worth.time == Fraction(2500, 3)
    assert worth.net == 600 + Fraction(10, 3) - Fraction(2500, 3)
    assert not worth.is_worth_it
    assert worth.breaks_even == Fraction(1448, 100)


def test_the_same_haggling_pays_where_the_price_holds_for_half_a_year() -> None:
    """20 minutes over 6 months are 1.39 a month: 6.00 + 0.03 - 1.39 = 4.64. Break-even: 6 * 14.48 = 86.88 minutes."""
    worth = cheaper_price(_price(months=6), RATES)
    assert worth.net == pytest.approx(464.4, abs=0.1)
    assert worth.is_worth_it
    assert worth.breaks_even == Fraction(8688, 100)


def test_a_dozen_at_once_ties_cash_and_room_up() -> None:
    """Twelve spools at 16.00 in place of two at 18.00.

    Cash: (6 * 16.00 - 1 * 18.00) * 0.2 / 12 = 78.00 / 60 = 1.30. Room: five more spools on average at 0.30: 1.50.
    Left before time: 6.00 - 1.30 - 1.50 = 3.20; break-even 3.20 / 25.00 * 60 = 7.68 minutes.
    """
    worth = cheaper_price(_price(at_once_mg=12_000_000), RATES)
    assert worth.cash == 130
    assert worth.room == 150
    assert worth.breaks_even == Fraction(768, 100)
    assert not worth.is_worth_it


def test_a_pallet_must_not_fade_before_it_has_paid() -> None:
    """60 kilograms at 12.00 in place of 18.00, three used a month: 20 months, of which 13.33 cost as much at 18.00.

    3 * 13.33 * 18.00 = 720.00 = 60 * 12.00.
    """
    pallet = _price(at_once_mg=60_000_000, offered_minor=Fraction(1200))
    assert pallet.lasts_months == 20
    assert pallet.fades_before_months == Fraction(40, 3)
    assert _price(offered_minor=Fraction(1800)).fades_before_months is None
    assert _price(month_mg=Fraction(0)).fades_before_months is None


def test_a_dearer_price_saves_less_than_nothing_and_no_minute_pays() -> None:
    worth = cheaper_price(_price(offered_minor=Fraction(1900), minutes=Fraction(0)), RATES)
    assert worth.saves == -300
    assert worth.breaks_even == 0
    assert not worth.is_worth_it


def test_where_nothing_is_used_nothing_is_saved() -> None:
    assert cheaper_price(_price(month_mg=Fraction(0), minutes=Fraction(0)), RATES).saves == 0


def test_where_an_hour_is_free_any_number_of_minutes_pays() -> None:
    free = Rates(hour_minor=0, change_seconds=180, carry_ppm_a_year=0, space_minor_a_month=0)
    worth = cheaper_price(_price(), free)
    assert worth.breaks_even is None
    assert worth.net == worth.saves == 600


def test_filling_a_parcel_up_to_free_freight() -> None:
    """Two parcels a month of 60.00, each with 7.90 of freight; free from 150.00, so 90.00 are added; a spool is 18.00.

    As much comes in 2 * 60 / 150 = 0.8 parcels. Saved: 2 * 7.90 = 15.80. Cash: 45.00 more lie, * 0.2 / 12 = 0.75. Room:
    90 / 18 / 2 = 2.5 spools at 0.30: 0.75. Ten minutes each: 0.8 * 10 / 60 * 25.00 = 3.33. Left: 15.80 - 0.75 - 0.75 -
    3.33 = 10.97. Break-even: (15.80 - 1.50) / 0.8 = 17.875 a parcel, / 25.00 * 60 = 42.9 minutes.
    """
    worth = free_freight(_freight(), RATES)
    assert [worth.saves, worth.cash, worth.room] == [1580, 75, 75]
    assert worth.time == Fraction(1000, 3)
    assert worth.net == 1430 - Fraction(1000, 3)
    assert worth.breaks_even == Fraction(429, 10)


def _freight(**other: Fraction) -> FreeFreight:
    told = {
        "parcels": Fraction(2),
        "basket_minor": Fraction(6000),
        "freight_minor": Fraction(790),
        "add_minor": Fraction(9000),
        "spool_minor": Fraction(1800),
        "minutes": Fraction(10),
    }
    return FreeFreight(**(told | other))


def test_nothing_to_add_saves_the_freight_for_nothing() -> None:
    worth = free_freight(_freight(add_minor=Fraction(0), minutes=Fraction(0)), RATES)
    assert worth.net == worth.saves == 1580


@pytest.mark.parametrize("wrong", ["basket_minor", "parcels", "spool_minor"])
def test_a_parcel_of_nothing_is_refused_in_a_sentence(wrong: str) -> None:
    with pytest.raises(BadInput, match="above 0"):
        free_freight(_freight(**{wrong: Fraction(0)}), RATES)


def test_what_cannot_be_is_refused_in_a_sentence() -> None:
    with pytest.raises(BadInput, match="at least 1 month"):
        cheaper_price(_price(months=0), RATES)
    with pytest.raises(BadInput, match="0 or more"):
        cheaper_price(_price(minutes=Fraction(-1)), RATES)
    with pytest.raises(BadInput, match="0 or more"):
        free_freight(_freight(add_minor=Fraction(-1)), RATES)
