"""Days of stock and the dates that follow from them."""

import math
from datetime import date, timedelta
from fractions import Fraction

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.demand import Outlook
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.runout import (
    AHEAD_DAYS,
    CHANCES,
    FAR_DAYS,
    Span,
    StockDays,
    Supply,
    mean_daily_mg,
    paths,
    stock_days,
)

TODAY = date(2026, 11, 20)
Amounts = npt.NDArray[np.float64]
MG = st.integers(0, 10**8)


def paths_of(history: npt.ArrayLike) -> Amounts:
    """Give the paths of one item, (chances, days)."""
    outlook = Outlook.of(np.atleast_2d(np.asarray(history, dtype=float)), AHEAD_DAYS, season=7)
    return np.asarray(paths(outlook)[0])


def steady(daily: float) -> Amounts:
    """Give paths that all draw the same each day: (chances, days)."""
    return np.tile(daily * np.arange(AHEAD_DAYS + 1.0), (len(CHANCES), 1))


def stock(
    drawn: Amounts, left: float, *, arrivals: dict[int, float] | None = None, lead: int = 0, safety: int = 0
) -> StockDays:
    """Give the days of stock of one item at a risk of 5 per cent."""
    held = np.full(AHEAD_DAYS + 1, left)
    ordered = held + sum(grams * (np.arange(AHEAD_DAYS + 1) >= day) for day, grams in (arrivals or {}).items())
    return stock_days(drawn, (held, ordered), Supply(lead, safety, 0.05), daily_mg=1.0, today=TODAY)


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
    found = stock(steady(210), 630)
    assert found.lasts == Span(3.0, 3.0, 3.0)
    assert found.run_out_on == date(2026, 11, 23)


def test_an_order_is_placed_a_delivery_and_a_margin_earlier() -> None:
    # hand calculation: 2,100 / 210 = 10 days, to the 30th; less 4 days of delivery and 2 of safety
    assert stock(steady(210), 2100, lead=4, safety=2).order_by == date(2026, 11, 24)


def test_half_a_days_stock_ends_in_the_course_of_that_day() -> None:
    found = stock(steady(210), 525)
    assert (found.days, found.run_out_on) == (2.5, date(2026, 11, 22))


def test_what_is_on_order_postpones_the_order_but_not_the_end_of_what_is_here() -> None:
    found = stock(steady(100), 500, arrivals={3: 1000.0}, lead=6)
    assert (found.lasts.p50, found.with_ordered.p50) == (5.0, 15.0)
    assert found.order_by == TODAY + timedelta(days=9)


def test_what_comes_after_the_end_does_not_mend_it() -> None:
    found = stock(steady(100), 500, arrivals={8: 1000.0})
    assert found.with_ordered.p50 == 5.0
    assert found.chance_by(6) == 1.0


def test_a_gap_on_the_day_before_an_arrival_is_seen() -> None:
    assert stock(steady(30), 0, arrivals={1: 1000.0}, lead=5).chance_short == 1.0
    assert stock(steady(30), 30, arrivals={1: 1000.0}, lead=5).chance_short == 0.0


def test_none_left_has_ended_today() -> None:
    found = stock(steady(100), 0, lead=5)
    assert (found.lasts.p50, found.run_out_on, found.chance_short) == (0.0, TODAY, 1.0)


def test_a_colour_that_nobody_draws_never_runs_out() -> None:
    found = stock(steady(0), 1000)
    assert found.lasts == Span(None, None, None)
    assert (found.run_out_on, found.order_by, found.chance_short) == (None, None, 0.0)


def test_a_date_beyond_a_hundred_years_is_not_named() -> None:
    found = stock(steady(1), FAR_DAYS + 1)
    assert found.lasts.p50 == pytest.approx(FAR_DAYS + 1)
    assert found.run_out_on is None


def test_the_more_may_be_drawn_the_sooner_it_ends_and_the_sooner_it_is_ordered() -> None:
    random = np.random.default_rng(4)
    drawn = paths_of(random.poisson(3, 300) * 40.0)
    early, middle, late = stock(drawn, 3000).lasts
    assert early is not None
    assert middle is not None
    assert late is not None
    assert early < middle < late
    assert middle == pytest.approx(3000 / 120, rel=0.15)
    due = stock(drawn, 3000, lead=7).order_by
    assert due is not None
    assert due < TODAY + timedelta(days=int(middle) - 7)


def test_the_chance_of_running_out_grows_with_the_time_a_delivery_takes() -> None:
    drawn = paths_of(np.random.default_rng(4).poisson(3, 300) * 40.0)
    chances = [stock(drawn, 3000, lead=days).chance_short for days in (5, 20, 25, 30, 60)]
    assert chances == sorted(chances)
    assert chances[0] == 0.0
    assert chances[2] == pytest.approx(0.5, abs=0.25)
    assert chances[-1] == 1.0


def test_a_path_is_the_forecast_at_each_of_its_horizons_and_falls_nowhere() -> None:
    history = np.random.default_rng(5).poisson(0.4, (6, 300)).astype(np.float64) * 40
    outlook = Outlook.of(history, AHEAD_DAYS, season=7)
    found = paths(outlook)
    assert (np.diff(found, axis=2) >= 0).all()
    np.testing.assert_allclose(found[:, :, 28], outlook.quantiles(28, CHANCES), rtol=1e-9)


def test_planned_jobs_stand_in_place_of_the_forecast_of_their_week() -> None:
    outlook = Outlook.of(np.full((1, 200), 100.0), AHEAD_DAYS, season=7)
    known = np.zeros((1, AHEAD_DAYS))
    known[0, 2] = 2000.0
    plain, planned = paths(outlook)[0, len(CHANCES) // 2], paths(outlook, known)[0, len(CHANCES) // 2]
    assert planned[7] == pytest.approx(2000)
    assert planned[14] - planned[7] == pytest.approx(plain[14] - plain[7])


@given(
    left=st.floats(-1e9, 1e12),
    daily=st.lists(st.integers(0, 10**9), min_size=1, max_size=60),
    lead=st.integers(0, 400),
    safety=st.integers(0, 400),
)
def test_no_figure_is_ever_a_nonsense(left: float, daily: list[int], lead: int, safety: int) -> None:
    found = stock(paths_of(daily), left, arrivals={9: 5e5}, lead=lead, safety=safety)
    for one in (*found.lasts, *found.with_ordered):
        assert one is None or (math.isfinite(one) and one >= 0)
    assert 0 <= found.chance_short <= 1
    assert found.run_out_on is None or found.run_out_on >= TODAY
    assert all(0 <= share <= 1 for _, share in found.thinning)


@pytest.mark.parametrize("supply", [Supply(-1, 0, 0.05), Supply(0, -1, 0.05), Supply(0, 0, 0.0), Supply(0, 0, 1.0)])
def test_terms_that_cannot_be_are_refused(supply: Supply) -> None:
    held = np.full(AHEAD_DAYS + 1, 1.0)
    with pytest.raises(BadInput) as refused:
        stock_days(steady(1), (held, held), supply, daily_mg=1.0, today=TODAY)
    assert refused.value.code == "bad_supply"
