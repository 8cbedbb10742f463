"""Of daily copies those stay that let a workshop go back: days finely, weeks and months coarsely."""

from datetime import date, timedelta

import hypothesis.strategies as st
from hypothesis import given

from spoolkeep.domain.rotation import DAILY, MONTHLY, WEEKLY, kept

FIRST = date(2024, 12, 30)
DAYS = st.sets(st.integers(0, 1500).map(lambda day: FIRST + timedelta(days=day)), max_size=200)


def test_after_two_years_of_daily_copies_a_week_five_weeks_and_a_year_stay() -> None:
    """Counted by hand on the calendar: 1 January 2027 is a Friday."""
    days = [date(2027, 1, 1) - timedelta(days=back) for back in range(730)]
    last_days = {date(2027, 1, 1) - timedelta(days=back) for back in range(7)}
    sundays = {date(2026, 12, 6), date(2026, 12, 13), date(2026, 12, 20), date(2026, 12, 27)}
    month_ends = {
        date(2026, month, day) for month, day in enumerate((28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31), start=2)
    }
    assert kept(days) == last_days | sundays | month_ends


@given(DAYS)
def test_the_newest_stays_and_no_more_than_the_rule_says(days: set[date]) -> None:
    stays = kept(days)
    assert stays <= days
    assert len(stays) <= DAILY + WEEKLY + MONTHLY
    assert not days or max(days) in stays
    assert set(sorted(days)[-DAILY:]) <= stays


@given(DAYS)
def test_each_of_the_last_weeks_and_months_that_had_a_copy_still_has_its_last(days: set[date]) -> None:
    stays = kept(days)
    months = sorted({(day.year, day.month) for day in days})[-MONTHLY:]
    weeks = sorted({day - timedelta(days=day.weekday()) for day in days})[-WEEKLY:]
    for year, month in months:
        assert max(day for day in days if (day.year, day.month) == (year, month)) in stays
    for monday in weeks:
        assert max(day for day in days if monday <= day < monday + timedelta(days=7)) in stays


@given(DAYS)
def test_removing_day_by_day_leaves_what_removing_at_once_would(days: set[date]) -> None:
    there: frozenset[date] = frozenset()
    for day in sorted(days):
        there = kept(there | {day})
    assert there == kept(days)
