"""Months of the calendar, each named by its first day.

Money's services and pages use it.
"""

from collections.abc import Iterator
from datetime import date, timedelta

_LONGER_THAN_ANY = timedelta(days=31)


def month_of(day: date) -> date:
    """Give the first day of a day's month."""
    return day.replace(day=1)


def after(month: date) -> date:
    """Give the month after a month."""
    return month_of(month_of(month) + _LONGER_THAN_ANY)


def before(month: date, count: int = 1) -> date:
    """Give the month that lies so many months before a month."""
    ordinal = 12 * month.year + month.month - 1 - count
    return date(ordinal // 12, ordinal % 12 + 1, 1)


def last_of(month: date) -> date:
    """Give the last day of a month."""
    return after(month) - timedelta(days=1)


def each(first: date, last: date) -> Iterator[date]:
    """Give the months from that of one day to that of another, none left out."""
    month = month_of(first)
    while month <= last:
        yield month
        month = after(month)
