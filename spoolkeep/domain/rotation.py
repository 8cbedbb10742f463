"""Which of the daily copies are kept: those of the last days, and the last of each of the last weeks and months.

The service that keeps copies calls it. It knows no file.
"""

from collections.abc import Callable, Iterable
from datetime import date

DAILY, WEEKLY, MONTHLY = 7, 5, 12
"""So many days, weeks and months that have a copy keep one. Source: our own choice."""


def kept(days: Iterable[date]) -> frozenset[date]:
    """Give, of the days that have a copy, those whose copy stays; the newest is always among them.

    A period's last copy stands for it, so copies removed day by day leave what copies removed all at once would.
    """
    there = sorted(set(days))
    return frozenset(
        {
            *there[-DAILY:],
            *_last_of_each(there, lambda day: day.isocalendar()[:2])[-WEEKLY:],
            *_last_of_each(there, lambda day: (day.year, day.month))[-MONTHLY:],
        }
    )


def _last_of_each(days: list[date], period: Callable[[date], tuple[int, int]]) -> list[date]:
    return sorted({period(day): day for day in days}.values())
