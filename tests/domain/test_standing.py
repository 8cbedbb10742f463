"""Which hours of a stop a machine would have run, and to which month they belong."""

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.shopday import ShopClock
from spoolkeep.domain.standing import Span, apart, by_month, earned_minor, would_run

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
MIDNIGHT = datetime(2026, 3, 2, tzinfo=UTC)
"""Of a Monday."""
WEEK = [(MIDNIGHT + n * DAY + 8 * HOUR, MIDNIGHT + n * DAY + 18 * HOUR) for n in range(5)]
"""Somebody is there from 8 to 18, Monday to Friday."""


def span(begins: float, ends: float) -> Span:
    """Give a span in hours since that midnight."""
    return MIDNIGHT + begins * HOUR, MIDNIGHT + ends * HOUR


def hours(spans: list[Span]) -> list[tuple[float, float]]:
    """Give spans as hours since that midnight."""
    return [((begins - MIDNIGHT) / HOUR, (ends - MIDNIGHT) / HOUR) for begins, ends in spans]


def test_hours_while_somebody_is_there_all_count() -> None:
    assert hours(would_run(span(9, 11.5), attended=WEEK)) == [(9, 11.5)]


def test_a_job_whose_time_nobody_told_is_not_taken_to_run_through_the_night() -> None:
    assert hours(would_run(span(16, 34), attended=WEEK)) == [(16, 18), (32, 34)]


def test_the_last_job_that_is_begun_runs_on_when_everybody_has_left() -> None:
    # from 9 to 14, and from 14 to 19; on Tuesday anew from 8
    assert hours(would_run(span(9, 34), attended=WEEK, lasts=5 * HOUR)) == [(9, 19), (32, 34)]


def test_a_job_that_runs_through_the_night_is_followed_in_the_morning() -> None:
    assert hours(would_run(span(17, 50), attended=WEEK, lasts=16 * HOUR)) == [(17, 49)]


def test_a_long_job_runs_through_days_on_which_nobody_is_there() -> None:
    friday = 4 * 24
    assert hours(would_run(span(friday + 17, friday + 65), attended=WEEK, lasts=40 * HOUR)) == [
        (friday + 17, friday + 57)
    ]


def test_a_machine_that_begins_by_itself_runs_round_the_clock() -> None:
    assert hours(would_run(span(17, 60), attended=WEEK, lasts=HOUR, self_starting=True)) == [(17, 60)]


def test_a_machine_that_stopped_at_night_was_running_then() -> None:
    assert hours(would_run(span(22, 30), attended=WEEK)) == [(22, 30)]
    assert hours(would_run(span(22, 30), attended=WEEK, lasts=3 * HOUR)) == [(22, 25)]
    friday = 4 * 24
    # nobody comes before Monday: a day's fourteen hours at most
    assert hours(would_run(span(friday + 20, friday + 70), attended=WEEK)) == [(friday + 20, friday + 34)]


@pytest.mark.parametrize("self_starting", [False, True])
def test_a_stop_that_was_none_has_no_hours(self_starting: bool) -> None:  # noqa: FBT001 - a case
    assert would_run(span(9, 9), attended=WEEK, self_starting=self_starting) == []


@given(
    st.floats(0, 200), st.floats(0, 200), st.one_of(st.none(), st.integers(1, 5000).map(lambda m: timedelta(minutes=m)))
)
def test_what_would_have_run_lies_in_the_stop_in_order_and_apart(
    begins: float, lasts: float, job: timedelta | None
) -> None:
    stop = span(begins, begins + lasts)
    found = would_run(stop, attended=WEEK, lasts=job)
    edges = [stop[0], *(edge for one in found for edge in one), stop[1]]
    assert edges == sorted(edges)
    assert all(begins < ends for begins, ends in found)
    assert sum((ends - begins for begins, ends in found), timedelta()) <= stop[1] - stop[0]


@given(st.lists(st.tuples(st.integers(0, 90), st.integers(0, 30)), max_size=8))
def test_no_hour_of_a_machine_counts_twice_and_none_is_lost(told: list[tuple[int, int]]) -> None:
    stops = sorted(span(begins, begins + lasts) for begins, lasts in told)
    counted = [hour for begins, ends in hours(apart(stops)) for hour in range(int(begins), int(ends))]
    assert sorted(counted) == sorted({hour for begins, lasts in told for hour in range(begins, begins + lasts)})


def test_a_stop_over_the_end_of_a_month_belongs_to_both() -> None:
    night = (datetime(2026, 2, 28, 22, tzinfo=UTC), datetime(2026, 3, 1, 7, tzinfo=UTC))
    assert by_month([night], ShopClock("UTC", 0)) == {date(2026, 2, 1): 2 * 3600, date(2026, 3, 1): 7 * 3600}
    # a night's work is one day: where the shop day begins at four, so does the month
    assert by_month([night], ShopClock("UTC", 4)) == {date(2026, 2, 1): 6 * 3600, date(2026, 3, 1): 3 * 3600}


def test_a_year_is_split_into_its_months() -> None:
    year = (datetime(2026, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC))
    found = by_month([year], ShopClock("Europe/Lisbon", 0))
    assert len(found) == 12
    assert sum(found.values()) == 365 * 86_400
    assert found[date(2026, 3, 1)] == (31 * 24 - 1) * 3600  # the clocks go forward


def test_earnings_are_rounded_half_up() -> None:
    assert [earned_minor(seconds, 300) for seconds in (0, 5, 6, 3600)] == [0, 0, 1, 300]
