"""The shop's clock, above all over the nights on which the clocks change."""

from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.shopday import LocalMoment, ShopClock

BERLIN = ShopClock("Europe/Berlin")
MIDNIGHT = ShopClock("Europe/Berlin", 0)
# Berlin 2026: forward on 29 March at 01:00 UTC, back on 25 October at 01:00 UTC (Directive 2000/84/EC)


def utc(*parts: int) -> datetime:
    """Give a UTC moment from year, month, day, hour, minute, second."""
    year, month, day, hour, minute, second = (*parts, *(0,) * (6 - len(parts)))
    return datetime(year, month, day, hour, minute, second, tzinfo=UTC)


@pytest.mark.parametrize(
    ("clock", "moment", "day"),
    [
        (BERLIN, utc(2026, 6, 2, 1, 59, 59), date(2026, 6, 1)),  # 03:59:59 in summer
        (BERLIN, utc(2026, 6, 2, 2), date(2026, 6, 2)),  # 04:00
        (BERLIN, utc(2026, 1, 2, 2, 59, 59), date(2026, 1, 1)),  # 03:59:59 in winter
        (BERLIN, utc(2026, 1, 2, 3), date(2026, 1, 2)),
        (BERLIN, utc(2026, 3, 29, 1, 59, 59), date(2026, 3, 28)),  # the hour from 2 to 3 never was
        (BERLIN, utc(2026, 3, 29, 2), date(2026, 3, 29)),
        (BERLIN, utc(2026, 10, 25, 2, 59, 59), date(2026, 10, 24)),  # the hour from 2 to 3 was twice
        (BERLIN, utc(2026, 10, 25, 3), date(2026, 10, 25)),
        (MIDNIGHT, utc(2026, 3, 28, 22, 59, 59), date(2026, 3, 28)),
        (MIDNIGHT, utc(2026, 3, 28, 23), date(2026, 3, 29)),
        (MIDNIGHT, utc(2026, 10, 24, 22), date(2026, 10, 25)),
        (MIDNIGHT, utc(2026, 10, 25, 23), date(2026, 10, 26)),
    ],
)
def test_a_night_belongs_to_the_day_on_which_it_began(clock: ShopClock, moment: datetime, day: date) -> None:
    assert clock.day_of(moment) == day


@pytest.mark.parametrize(
    ("clock", "day", "hours"),
    [
        (MIDNIGHT, date(2026, 3, 29), 23),
        (MIDNIGHT, date(2026, 10, 25), 25),
        (MIDNIGHT, date(2026, 6, 1), 24),
        (BERLIN, date(2026, 3, 28), 23),  # with a day from 04:00, the change falls in the day before
        (BERLIN, date(2026, 3, 29), 24),
        (BERLIN, date(2026, 10, 24), 25),
    ],
)
def test_a_day_of_the_clock_change_has_23_or_25_hours(clock: ShopClock, day: date, hours: int) -> None:
    start, end = clock.span_of(day)
    assert end - start == timedelta(hours=hours)
    assert start.tzinfo is UTC


def test_a_time_that_occurs_twice_is_the_first_one_and_is_reported() -> None:
    # RFC 5545, section 3.3.5: "refers to the first occurrence of the referenced time"
    twice = BERLIN.from_local(datetime(2026, 10, 25, 2, 30))  # noqa: DTZ001 - a wall clock says no zone
    assert twice == LocalMoment(utc(2026, 10, 25, 0, 30), twice=True, skipped=False)


def test_a_time_that_was_skipped_moves_forward_and_is_reported() -> None:
    # RFC 5545, section 3.3.5: read "using the UTC offset before the gap"; its example is 2:30 read as 3:30
    skipped = BERLIN.from_local(datetime(2026, 3, 29, 2, 30))  # noqa: DTZ001 - a wall clock says no zone
    assert skipped == LocalMoment(utc(2026, 3, 29, 1, 30), twice=False, skipped=True)
    assert BERLIN.local(skipped.utc).replace(tzinfo=None) == datetime(2026, 3, 29, 3, 30)  # noqa: DTZ001


def test_the_example_of_the_calendar_standard_reads_the_same() -> None:
    # RFC 5545, section 3.3.5: TZID=America/New_York:20070311T023000 is 07:30 UTC, 20071104T013000 is 05:30 UTC
    new_york = ShopClock("America/New_York")
    assert new_york.from_local(datetime(2007, 3, 11, 2, 30)).utc == utc(2007, 3, 11, 7, 30)  # noqa: DTZ001
    assert new_york.from_local(datetime(2007, 11, 4, 1, 30)).utc == utc(2007, 11, 4, 5, 30)  # noqa: DTZ001


def test_an_ordinary_time_is_neither_twice_nor_skipped() -> None:
    moment = BERLIN.from_local(datetime(2026, 6, 1, 12))  # noqa: DTZ001 - a wall clock says no zone
    assert moment == LocalMoment(utc(2026, 6, 1, 10), twice=False, skipped=False)


def test_a_moment_from_another_zone_is_understood() -> None:
    far = datetime(2026, 6, 2, 6, 30, tzinfo=timezone(timedelta(hours=8)))
    assert BERLIN.day_of(far) == date(2026, 6, 1)
    assert BERLIN.local(far).isoformat() == "2026-06-02T00:30:00+02:00"


def test_a_day_that_an_island_skipped_is_empty() -> None:
    # tz database, file australasia: Samoa moved over the date line and had no 30 December 2011
    apia = ShopClock("Pacific/Apia", 0)
    start, end = apia.span_of(date(2011, 12, 30))
    assert start == end
    assert apia.day_of(start) == date(2011, 12, 31)


@given(
    zone=st.sampled_from(
        ["Europe/Berlin", "America/New_York", "America/St_Johns", "Australia/Lord_Howe", "Africa/Cairo"]
    ),
    hour=st.integers(0, 23),
    moment=st.datetimes(datetime(1980, 1, 1), datetime(2035, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
)
def test_every_moment_lies_in_exactly_the_span_of_its_day(zone: str, hour: int, moment: datetime) -> None:
    clock = ShopClock(zone, hour)
    day = clock.day_of(moment)
    start, end = clock.span_of(day)
    assert start <= moment < end
    assert clock.span_of(day + timedelta(days=1))[0] == end


def test_a_moment_near_a_midnight_that_came_twice_has_one_day() -> None:
    # tz database, file northamerica: Newfoundland went back at 00:01 until 2011, so 23:01 to 00:01 came twice
    clock = ShopClock("America/St_Johns", 0)
    back = utc(2010, 11, 7, 2, 31)
    assert [clock.day_of(back + timedelta(minutes=late)) for late in (-2, -1, 0, 30)] == [
        date(2010, 11, 6),
        date(2010, 11, 7),
        date(2010, 11, 7),
        date(2010, 11, 7),
    ]


def test_a_time_without_a_zone_is_refused_where_utc_is_meant() -> None:
    naive = datetime(2026, 6, 1, 12)  # noqa: DTZ001 - that is the point
    for ask in (BERLIN.day_of, BERLIN.local):
        with pytest.raises(BadInput) as refused:
            ask(naive)
        assert refused.value.code == "naive_time"


def test_a_time_with_a_zone_is_refused_where_the_wall_clock_is_meant() -> None:
    with pytest.raises(BadInput) as refused:
        BERLIN.from_local(utc(2026, 6, 1))
    assert refused.value.code == "zoned_time"


@pytest.mark.parametrize(
    ("zone", "hour", "code"),
    [("Europe/Nowhere", 4, "bad_zone"), ("", 4, "bad_zone"), ("../etc", 4, "bad_zone"), ("UTC", 24, "bad_hour")],
)
def test_a_clock_needs_a_real_zone_and_hour(zone: str, hour: int, code: str) -> None:
    with pytest.raises(BadInput) as refused:
        ShopClock(zone, hour)
    assert refused.value.code == code
