"""The forecast of what will be drawn, held against tables, exact sums and worlds that it does not know."""

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from spoolkeep.domain.clumps import clumped_quantiles, gamma_quantiles, heavier
from spoolkeep.domain.demand import forecast
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.exposure import carried_back, read_history

Amounts = npt.NDArray[np.float64]
MIDDLE = [0.5]
SPREAD = [0.01, 0.1, 0.5, 0.9, 0.99]
WEEK = 7


def jobs(rate: float, *, items: int = 20, days: int = 400, grams: float = 40.0, seed: int = 1) -> Amounts:
    """Give days of random many jobs of the same grams, (items, days)."""
    return np.asarray(np.random.default_rng(seed).poisson(rate, (items, days)) * grams, dtype=np.float64)


def middle(history: npt.ArrayLike, horizon: int = WEEK, **told: npt.ArrayLike) -> Amounts:
    """Give the medians, (items,)."""
    return np.asarray(forecast(history, horizon, taus=MIDDLE, season=WEEK, **told)[:, 0])


# ---- what is asked badly, and pasts that say little


@pytest.mark.parametrize(
    "history",
    [np.zeros((3, 0)), np.zeros((3, 1)), np.zeros((3, 400)), np.full((3, 90), np.nan)],
    ids=["no day", "one day", "all zeros", "all unknown"],
)
@pytest.mark.parametrize("horizon", [1, 7, 120, 400])
def test_of_a_shop_that_drew_nothing_nothing_is_expected(history: Amounts, horizon: int) -> None:
    assert forecast(history, horizon, taus=SPREAD, season=WEEK).tolist() == [[0.0] * 5] * 3


def test_no_items_give_no_rows() -> None:
    assert forecast(np.zeros((0, 30)), 7, taus=SPREAD, season=WEEK).shape == (0, 5)


def test_one_day_of_history_gives_a_wide_answer_about_that_day() -> None:
    low, _, half, _, high = forecast([[50.0]], 7, taus=SPREAD, season=WEEK)[0]
    assert low < 100 < half < 400 < high


def test_one_enormous_day_does_not_become_the_rule() -> None:
    quiet = np.zeros((1, 61))
    quiet[0, 30] = 1e6
    assert middle(quiet)[0] == 0.0


def test_every_day_closed_to_come_draws_nothing() -> None:
    calendar = np.concatenate([np.ones(400), np.zeros(14)])
    assert not forecast(jobs(2.0), 14, taus=SPREAD, season=WEEK, open_days=calendar).any()


def test_a_calendar_that_closes_every_past_day_is_overruled_by_the_draws_it_denies() -> None:
    told = forecast(jobs(0.5), 7, taus=SPREAD, season=WEEK, open_days=np.zeros(400))
    assert np.isfinite(told).all()
    assert (told[:, 2] > 0).all()


@given(
    arrays(np.float64, array_shapes(min_dims=2, max_dims=2, max_side=40), elements=st.floats(-1e5, 1e9)),
    st.integers(1, 130),
    st.sampled_from([1, 7, 12]),
)
def test_the_answer_is_never_no_number_never_negative_never_falling(
    history: Amounts, horizon: int, season: int
) -> None:
    told = forecast(history, horizon, taus=SPREAD, season=season)
    assert np.isfinite(told).all()
    assert (told >= 0).all()
    assert (np.diff(told, axis=1) >= 0).all()


@pytest.mark.parametrize(
    ("told", "code"),
    [
        ({"history": np.zeros(5)}, "demand-shape"),
        ({"history": np.full((1, 5), np.inf)}, "demand-figure"),
        ({"horizon": 0}, "demand-horizon"),
        ({"season": 0}, "demand-season"),
        ({"taus": [0.0]}, "demand-chances"),
        ({"taus": [math.nan]}, "demand-chances"),
        ({"open_days": np.ones(3)}, "demand-open"),
        ({"open_days": np.full(5, 2.0)}, "demand-open"),
        ({"observed": np.ones((1, 3))}, "demand-observed"),
        ({"kin": [1, 2, 3]}, "demand-kin"),
        ({"known": [-1.0]}, "demand-known"),
        ({"known": np.ones((1, 3))}, "demand-known"),
    ],
)
def test_what_cannot_be_is_refused_in_words(told: dict[str, object], code: str) -> None:
    asked = {"history": np.ones((1, 5)), "horizon": 7, "taus": MIDDLE, "season": WEEK} | told
    with pytest.raises(BadInput) as refused:
        forecast(**asked)  # type: ignore[arg-type] # the wrong types are what is tried
    assert refused.value.code == code


# ---- what the answer must keep


def test_the_same_question_has_the_same_answer() -> None:
    history = jobs(0.3)
    first, again = (forecast(history, 14, taus=SPREAD, season=WEEK) for _ in range(2))
    assert (first == again).all()


def test_chances_may_be_asked_in_any_order() -> None:
    history = jobs(1.0)
    forth = forecast(history, 14, taus=SPREAD, season=WEEK)
    back = forecast(history, 14, taus=SPREAD[::-1], season=WEEK)
    assert (forth == back[:, ::-1]).all()


def test_milligrams_and_grams_say_the_same() -> None:
    history = jobs(0.4)
    grams, mg = (forecast(history * unit, 14, taus=SPREAD, season=WEEK) for unit in (1.0, 1000.0))
    np.testing.assert_allclose(mg, grams * 1000, rtol=1e-6)


def test_two_halves_of_a_shop_each_keep_their_order_of_items() -> None:
    history = jobs(1.0) * np.arange(1, 21)[:, None]
    order = np.random.default_rng(2).permutation(20)
    np.testing.assert_allclose(middle(history)[order], middle(history[order]), rtol=1e-9)


# ---- what it learns


def test_a_closed_sunday_is_not_forecast_and_a_busy_monday_is() -> None:
    rate = np.tile([2.0, 1.0, 1.0, 1.0, 1.0, 0.5, 0.0], 60)[: 7 * 57]
    history = np.random.default_rng(3).poisson(rate, (20, len(rate))) * 40.0
    day = {name: middle(history[:, : 399 - back], 1).mean() for name, back in (("monday", 7), ("sunday", 1))}
    assert day["monday"] > 60
    assert day["sunday"] < 5


def test_a_week_that_nobody_announced_as_closed_is_no_fall_in_demand() -> None:
    history = jobs(2.0)
    shut = history.copy()
    shut[:, 380:387] = 0.0
    known = forecast(history, 14, taus=MIDDLE, season=WEEK).mean()
    assert 0.75 < forecast(shut, 14, taus=MIDDLE, season=WEEK).mean() / known < 1.0


def test_mondays_that_were_closed_of_late_are_likely_closed_again() -> None:
    history = jobs(2.0, days=399)
    for back in (7, 14, 21):
        history[:, 399 - back] = 0.0
    closing = read_history(history, 7, season=WEEK).closing
    assert closing[0] > 0.25
    assert closing[1:].max() < 0.01


def test_days_off_the_shelf_are_not_days_without_demand() -> None:
    history = jobs(1.0, days=120)
    observed = np.ones((20, 120))
    observed[:10, 60:] = 0.0
    history[:10, 60:] = 0.0
    blind = middle(history)[:10].mean()
    told = middle(history, observed=observed)[:10].mean()
    assert told == pytest.approx(7 * 40, rel=0.12)
    assert blind < 0.5 * told


def test_a_correction_is_taken_from_the_days_before_it() -> None:
    booked = np.array([[0.0, 300, 50, -120, 40], [0, 0, -10, 5, 5]])
    assert carried_back(booked).tolist() == [[0, 230, 0, 0, 40], [0, 0, 0, 5, 5]]


def test_a_new_item_begins_as_its_kin_do() -> None:
    history = jobs(1.0, days=200)
    history[:10] *= 5
    history[[0, 10]] = 0.0
    observed = np.ones_like(history)
    observed[[0, 10], :] = 0.0
    kin = np.array([0] * 10 + [1] * 10)
    told = middle(history, observed=observed, kin=kin)
    assert told[0] > 3 * told[10]
    high = forecast(history, 7, taus=[0.9], season=WEEK, observed=observed, kin=kin)[:, 0]
    assert told[0] < 7 * 200 < high[0]
    assert told[10] < 7 * 40 < high[10]


def test_a_new_item_that_sells_is_believed_within_weeks() -> None:
    history = jobs(0.5, days=200)
    observed = np.ones_like(history)
    observed[0, :179] = 0.0
    history[0] = 0.0
    history[0, 179:] = 200.0
    assert middle(history, observed=observed)[0] > 0.75 * 1400


def test_an_item_that_was_dropped_fades() -> None:
    history = jobs(2.0)
    history[0, 300:] = 0.0
    assert middle(history)[0] < 0.08 * 7 * 80


def test_a_colour_that_takes_off_is_followed_within_three_weeks_and_the_others_are_not() -> None:
    history = jobs(1.0)
    history[0, -21:] = jobs(4.0, items=1, days=21, seed=9)[0]
    assert middle(history)[0] > 0.75 * 4 * 40 * 7 > 1.5 * history[0, -90:].mean() * 7
    assert middle(history, 56)[0] > 0.75 * 4 * 40 * 56
    assert middle(history)[1:].mean() == pytest.approx(7 * 40, rel=0.1)


def test_a_shop_that_grows_is_forecast_to_grow_on() -> None:
    rate = np.exp(0.003 * (np.arange(400) - 400.0))
    history = np.random.default_rng(5).poisson(rate, (40, 400)) * 40.0
    true = 40 * 40.0 * np.exp(0.003 * np.arange(56)).sum()
    ours = forecast(history, 56, taus=MIDDLE, season=WEEK).sum()
    assert abs(ours - true) < 0.7 * abs(history[:, -30:].mean() * 56 * 40 - true)


def test_a_season_seen_once_is_expected_again() -> None:
    day = np.arange(364 * 2 + 7 * 45)
    rate = 1.0 + 2.0 * (np.abs(day % 364 - 330) < 15)
    history = np.random.default_rng(6).poisson(rate, (40, len(day))) * 40.0
    ours = forecast(history, 28, taus=MIDDLE, season=WEEK).mean()
    true = 40.0 * (1.0 + 2.0 * (np.abs((len(day) + np.arange(28)) % 364 - 330) < 15)).sum()
    assert ours == pytest.approx(true, rel=0.15)
    assert ours > 1.3 * history[:, -30:].mean() * 28


def test_known_orders_consume_the_forecast_of_their_week() -> None:
    history = jobs(1.0)
    plain = middle(history, 14)
    little, much = np.zeros((20, 14)), np.zeros((20, 14))
    little[:, 2], much[:, 2] = 30.0, 5000.0
    np.testing.assert_allclose(middle(history, 14, known=little), plain, rtol=1e-9)
    np.testing.assert_allclose(middle(history, 14, known=much), 5000 + plain / 2, rtol=0.05)
    assert middle(history, 14, known=np.full(20, 5000.0)).tolist() == [5000.0] * 20


# ---- how sure it is


def test_what_is_called_ten_and_ninety_per_cent_is_so_in_a_world_it_does_not_know() -> None:
    random = np.random.default_rng(7)
    level = np.exp(random.normal(0, 1, 60))[:, None]
    batches = random.poisson(level * 0.4, (60, 700))
    grams = np.where(batches > 0, random.negative_binomial(np.maximum(batches, 1) * 2, 0.1) * 5.0 + 5, 0.0)
    below = []
    for origin in range(400, 672, 28):
        told = forecast(grams[:, :origin], 28, taus=SPREAD, season=WEEK)
        below.append(grams[:, origin : origin + 28].sum(axis=1)[:, None] <= told)
    share = np.mean(below, axis=(0, 1))
    assert share == pytest.approx(SPREAD, abs=0.05)


def test_an_item_of_one_job_a_fortnight_most_likely_draws_nothing_tomorrow() -> None:
    history = jobs(1 / 14, grams=250.0)
    tomorrow = forecast(history, 1, taus=[0.5, 0.8, 0.99], season=WEEK)
    assert (tomorrow[:, 0] == 0).all()
    assert (tomorrow[:, 1] == 0).mean() > 0.9
    assert (tomorrow[:, 2] > 0).mean() > 0.9
    assert (tomorrow[:, 2] <= 500).all()


@pytest.mark.parametrize(
    ("tau", "table"), [(0.05, 3.940), (0.10, 4.865), (0.90, 15.987), (0.95, 18.307), (0.99, 23.209)]
)
def test_gamma_quantiles_are_those_of_the_chi_square_table(tau: float, table: float) -> None:
    # Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4, ten degrees of freedom.
    z = {0.05: -1.6449, 0.10: -1.2816, 0.90: 1.2816, 0.95: 1.6449, 0.99: 2.3263}[tau]
    told = gamma_quantiles(np.array([10.0]), np.array([20.0]), np.array([z]))[0, 0]
    assert told == pytest.approx(table, rel=0.005)


@pytest.mark.parametrize("rate", [0.2, 1.0, 3.5])
def test_clumps_of_one_size_are_a_poisson_sum(rate: float) -> None:
    chances = np.array([0.3, 0.5, 0.8, 0.95, 0.99])
    told, holds = clumped_quantiles(
        (np.zeros(20, dtype=np.int64), np.full(20, 40.0)),
        np.array([rate * 40]),
        np.array([rate * 1600]),
        taus=chances,
        horizon=28,
    )
    below = np.cumsum([math.exp(-rate) * rate**k / math.factorial(k) for k in range(40)])
    assert holds.all()
    np.testing.assert_allclose(told[0], [40.0 * int((below < c).sum()) for c in chances], atol=20.1)


def test_heavier_tails_keep_the_variance_of_a_normal() -> None:
    z = np.random.default_rng(8).normal(size=200_000)
    assert heavier(z, 0.0).std() == pytest.approx(z.std())
    assert heavier(z, 2.0).std() == pytest.approx(1.0, abs=0.03)
    assert abs(heavier(np.array([2.33]), 2.0)[0]) > 2.33
