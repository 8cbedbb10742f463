"""Days of stock and the dates that follow from them."""

import math
from datetime import date, timedelta
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.runout import FAR_DAYS, StockDays, mean_daily_mg, stock_days

TODAY = date(2026, 11, 20)
MG = st.integers(0, 10**8)


def lasts(
    *, left: int, daily: float, committed: int = 0, on_order: int = 0, lead: int = 0, safety: int = 0
) -> StockDays:
    """Give the days of stock of one item, from grams."""
    return stock_days(
        left_mg=left * 1000,
        committed_mg=committed * 1000,
        on_order_mg=on_order * 1000,
        daily_mg=daily * 1000,
        today=TODAY,
        lead_days=lead,
        safety_days=safety,
    )


def test_the_mean_is_over_the_last_thirty_days() -> None:
    history = np.array([[900_000] * 10 + [30_000] * 30, [0] * 39 + [60_000]])
    assert mean_daily_mg(history).tolist() == [30_000, 2_000]


def test_a_new_item_is_divided_by_the_days_it_is_known() -> None:
    history = np.array([[0, 0, 0, 10, 20], [0, 0, 0, 10, 20], [0, 0, 0, 10, 20]])
    assert mean_daily_mg(history, known_days=[2, 4, 900]).tolist() == [15, 7.5, 6]


def test_what_was_drawn_before_an_item_was_known_does_not_count() -> None:
    assert mean_daily_mg(np.array([[70, 10, 20]]), known_days=[2]).tolist() == [15]


@pytest.mark.parametrize("known", [0, -3])
def test_an_item_of_today_counts_as_known_for_one_day(known: int) -> None:
    assert mean_daily_mg(np.array([[5, 40]]), known_days=[known]).tolist() == [40]


def test_a_shop_younger_than_the_window_is_divided_by_its_own_days() -> None:
    assert mean_daily_mg(np.array([[10.0, 20.0]])).tolist() == [15]


@pytest.mark.parametrize("shape", [(3, 0), (0, 30), (0, 0)])
def test_a_shop_without_history_or_items_draws_nothing(shape: tuple[int, int]) -> None:
    assert mean_daily_mg(np.zeros(shape)).tolist() == [0] * shape[0]


def test_a_mean_is_never_below_zero() -> None:
    assert mean_daily_mg(np.array([[-5, 2]])).tolist() == [0]


@given(
    history=st.lists(st.lists(MG, min_size=40, max_size=40), min_size=1, max_size=4),
    window=st.integers(1, 60),
    known=st.integers(0, 60),
)
def test_the_mean_agrees_with_plain_fractions(history: list[list[int]], window: int, known: int) -> None:
    days = max(1, min(window, known, 40))
    expected = [float(Fraction(sum(row[-days:]), days)) for row in history]
    got = mean_daily_mg(np.array(history), window=window, known_days=[known] * len(history))
    assert got.tolist() == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("history", "window", "known", "code"),
    [
        (np.zeros(3), 30, None, "bad_history"),
        (np.zeros((2, 3)), 30, [1], "bad_history"),
        (np.array([[1.0, math.nan]]), 30, None, "bad_history"),
        (np.zeros((2, 3)), 0, None, "bad_window"),
    ],
)
def test_a_history_that_cannot_be_is_refused(
    history: np.ndarray[tuple[int, ...], np.dtype[np.float64]], window: int, known: list[int] | None, code: str
) -> None:
    with pytest.raises(BadInput) as refused:
        mean_daily_mg(history, window=window, known_days=known)
    assert refused.value.code == code


def test_630_g_at_210_g_a_day_last_three_days() -> None:
    # hand calculation: 630 / 210 = 3 days from the 20th on, so the 23rd begins without any
    assert lasts(left=630, daily=210) == StockDays(210_000, 3.0, date(2026, 11, 23), date(2026, 11, 23))


def test_an_order_is_placed_a_delivery_and_a_margin_earlier() -> None:
    # hand calculation: 2,100 / 210 = 10 days, to the 30th; less 4 days of delivery and 2 of safety
    assert lasts(left=2100, daily=210, lead=4, safety=2).order_by == date(2026, 11, 24)


def test_half_a_days_stock_ends_in_the_course_of_that_day() -> None:
    stock = lasts(left=525, daily=210)
    assert (stock.days, stock.run_out_on) == (2.5, date(2026, 11, 22))


def test_planned_jobs_are_taken_off_first() -> None:
    assert lasts(left=1000, daily=100, committed=400).days == 6


def test_what_is_on_order_postpones_the_order_but_not_the_run_out() -> None:
    stock = lasts(left=500, daily=100, on_order=1000, lead=6)
    assert stock == StockDays(100_000, 5.0, date(2026, 11, 25), date(2026, 11, 29))


def test_an_item_promised_away_has_run_out_today() -> None:
    stock = lasts(left=300, daily=100, committed=900, on_order=200, lead=5)
    assert stock == StockDays(100_000, 0.0, TODAY, date(2026, 11, 15))


def test_a_colour_that_nobody_draws_never_runs_out() -> None:
    assert lasts(left=0, daily=0) == StockDays(0, None, None, None)


def test_a_date_beyond_a_hundred_years_is_not_named() -> None:
    stock = lasts(left=FAR_DAYS + 1, daily=1)
    assert stock == StockDays(1000, FAR_DAYS + 1, None, None)


@given(
    left=st.integers(-(10**9), 10**12),
    committed=MG,
    on_order=MG,
    daily=st.floats(0, 1e12, allow_nan=False),
    lead=st.integers(0, 400),
    safety=st.integers(0, 400),
)
def test_no_figure_is_ever_a_nonsense(
    *, left: int, committed: int, on_order: int, daily: float, lead: int, safety: int
) -> None:
    stock = stock_days(
        left_mg=left,
        committed_mg=committed,
        on_order_mg=on_order,
        daily_mg=daily,
        today=TODAY,
        lead_days=lead,
        safety_days=safety,
    )
    assert stock.days is None or (math.isfinite(stock.days) and stock.days >= 0)
    assert stock.run_out_on is None or stock.run_out_on >= TODAY
    if stock.order_by is not None and stock.run_out_on is not None:
        assert stock.order_by + timedelta(days=lead + safety) >= stock.run_out_on


@pytest.mark.parametrize("daily", [-1.0, math.nan, math.inf])
def test_a_daily_draw_must_be_a_figure(daily: float) -> None:
    with pytest.raises(BadInput) as refused:
        lasts(left=1, daily=daily)
    assert refused.value.code == "bad_daily"


def test_a_lead_time_cannot_be_negative() -> None:
    with pytest.raises(BadInput) as refused:
        lasts(left=1, daily=1, lead=-1)
    assert refused.value.code == "negative_figure"
