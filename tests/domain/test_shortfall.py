"""The chance that an item has run out by a day."""

import math
from statistics import NormalDist

import numpy as np
import pytest

from spoolkeep.domain.demand import Outlook
from spoolkeep.domain.shortfall import ANCHORS, HORIZON, Pile, asked_share, chance_above, expected, normal_above


def test_the_normal_tail_is_that_of_the_standard_library() -> None:
    z = np.linspace(-6, 6, 241)
    known = [1 - NormalDist().cdf(float(one)) for one in z]
    # Abramowitz and Stegun, 26.2.17: an error below 7.5e-8
    assert np.abs(normal_above(z) - known).max() < 7.5e-8


@pytest.mark.parametrize("shape", [1, 2, 4, 10, 40])
def test_a_gamma_tail_is_near_the_closed_form_of_whole_shapes(shape: int) -> None:
    # an Erlang tail: exp(-x) sum x^k / k!, any handbook of statistics; Wilson and Hilferty come within a hundredth
    for x in np.linspace(0.2, 3.0, 15) * shape:
        exact = math.exp(-x) * sum(x**k / math.factorial(k) for k in range(shape))
        found = float(chance_above(np.array([float(shape)]), np.array([float(shape)]), np.array([x]))[0])
        assert found == pytest.approx(exact, abs=0.01)


def test_what_nobody_draws_never_runs_out_and_what_is_not_there_has() -> None:
    nothing = chance_above(np.zeros(1), np.zeros(1), np.zeros(1))
    empty = chance_above(np.array([50.0]), np.array([100.0]), np.array([-5.0]))
    assert float(nothing[0]) == 0.0
    assert float(empty[0]) == pytest.approx(1.0, abs=1e-6)


def test_what_is_sure_runs_out_on_its_day() -> None:
    sure = Pile(
        mean=np.array([[0.0, 0.0, 800.0, 800.0]]),
        variance=np.zeros((1, 4)),
        held=np.full((1, 4), 700.0),
        lost=np.ones(1),
        risk=np.ones(1),
    )
    assert sure.chances().round(6).tolist() == [[0.0, 0.0, 1.0, 1.0]]
    assert sure.chances(np.array([200.0])).round(6).tolist() == [[0.0, 0.0, 0.0, 0.0]]


def test_the_days_between_two_horizons_lie_on_their_line() -> None:
    rng = np.random.default_rng(5)
    history = rng.poisson(0.6, (3, 200)).astype(np.float64) * 40.0
    outlook = Outlook.of(history, HORIZON, season=7)
    mean, variance = expected(outlook)
    for days in ANCHORS:
        told = outlook.told(days)
        assert mean[:, days] == pytest.approx(told.mean * outlook.unit)
        assert variance[:, days] == pytest.approx(told.variance * outlook.unit**2)
    assert mean[:, 4] == pytest.approx((mean[:, 3] + mean[:, 5]) / 2)
    assert (np.diff(mean, axis=1) >= 0).all()


def test_an_item_is_asked_on_the_days_on_which_it_was_drawn() -> None:
    history = np.array([[0.0, 20.0, np.nan, 40.0], [0.0, 0.0, 0.0, 0.0]])
    assert asked_share(history).tolist() == [pytest.approx(2 / 3), 0.0]
