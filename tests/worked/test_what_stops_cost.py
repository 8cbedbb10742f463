"""What the trade says of machines that print: three an hour, fourteen hours of twenty-four, and what four of them earn.

Source: common practice, no source.
"""

from datetime import UTC, datetime, timedelta

from spoolkeep.domain.shopday import ShopClock
from spoolkeep.domain.standing import UNTOLD, apart, by_month, earned_minor, would_run

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
OPENS = datetime(2026, 4, 1, 8, tzinfo=UTC)
MINOR_PER_HOUR = 300
MACHINES = 4


def seconds_of(days: int) -> int:
    """Give the seconds that a machine would have run in so many days, with somebody there from 8 to 18 on each."""
    attended = [(OPENS + number * DAY, OPENS + number * DAY + 10 * HOUR) for number in range(days + 1)]
    # jobs of seven hours: one from 8 to 15, and one from 15 to 22
    spans = would_run((OPENS, OPENS + days * DAY), attended=attended, lasts=7 * HOUR)
    return sum(by_month(apart(spans), ShopClock("UTC", 0)).values())


def test_fourteen_hours_of_twenty_four_are_fifty_eight_per_cent() -> None:
    assert seconds_of(1) == 14 * 3600
    assert round(100 * seconds_of(1) / DAY.total_seconds()) == 58
    assert UNTOLD == 14 * HOUR


def test_four_machines_that_stand_still_cost_168_a_day() -> None:
    assert MACHINES * earned_minor(seconds_of(1), MINOR_PER_HOUR) == 168_00


def test_four_machines_that_stand_still_cost_5040_in_thirty_days() -> None:
    assert MACHINES * earned_minor(seconds_of(30), MINOR_PER_HOUR) == 5040_00
