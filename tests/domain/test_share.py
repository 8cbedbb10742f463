"""Plastic beside takings."""

from datetime import date
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.share import MonthShare, by_month, over, share_bp

DAYS = st.dictionaries(st.dates(date(2025, 1, 1), date(2027, 12, 31)), st.integers(-(10**6), 10**8), max_size=40)


def test_a_mature_workshops_month_is_1_4_per_cent() -> None:
    # common practice, no source: 350 of plastic on 25,000 of takings
    assert share_bp(350_00, 25_000_00) == 140


def test_a_share_is_exact() -> None:
    assert share_bp(1, 3) == Fraction(10_000, 3)


@pytest.mark.parametrize("takings_minor", [0, -500])
def test_without_takings_there_is_no_share(takings_minor: int) -> None:
    assert share_bp(100, takings_minor) is None


def test_months_follow_each_other_without_a_hole() -> None:
    months = by_month(
        drawn={date(2025, 11, 30): 300, date(2025, 11, 1): 50, date(2026, 2, 1): 20},
        bought={date(2025, 12, 24): 900},
        takings={date(2025, 11, 3): 25_000},
    )
    assert months == (
        MonthShare(date(2025, 11, 1), 350, 0, 25_000),
        MonthShare(date(2025, 12, 1), 0, 900, 0),
        MonthShare(date(2026, 1, 1), 0, 0, 0),
        MonthShare(date(2026, 2, 1), 20, 0, 0),
    )
    assert [month.material_bp for month in months] == [140, None, None, None]
    assert [month.spend_bp for month in months] == [0, None, None, None]


def test_several_months_share_is_of_the_sums() -> None:
    months = (MonthShare(date(2026, 1, 1), 100, 0, 10_000), MonthShare(date(2026, 2, 1), 100, 300, 30_000))
    whole = over(months)
    assert whole == MonthShare(date(2026, 1, 1), 200, 300, 40_000)
    assert whole.material_bp == 50  # the mean of the shares would be 66.7


def test_a_shop_without_figures_has_no_months() -> None:
    assert by_month(drawn={}, bought={}, takings={}) == ()
    assert over(()) is None


@given(drawn=DAYS, bought=DAYS, takings=DAYS)
def test_no_cent_is_lost_between_days_and_months(
    drawn: dict[date, int], bought: dict[date, int], takings: dict[date, int]
) -> None:
    months = by_month(drawn=drawn, bought=bought, takings=takings)
    assert sum(month.drawn_minor for month in months) == sum(drawn.values())
    assert sum(month.bought_minor for month in months) == sum(bought.values())
    assert sum(month.takings_minor for month in months) == sum(takings.values())
