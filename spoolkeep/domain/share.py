"""What plastic costs beside what the shop sells for: material share and spend share, day by day and by month.

The Money page and the command line call it. It must not know currencies, channels or how cost was found.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from spoolkeep.domain import months

BP_PER_WHOLE = 10_000


def share_bp(cost_minor: int, takings_minor: int) -> Fraction | None:
    """Give a cost as exact basis points of takings (140 is 1.4 %); None where there are no takings to compare with.

    Both in minor units of one currency, over the same days, net of recoverable tax. Takings of 0 or less (a day of
    refunds) have no share.
    """
    return Fraction(cost_minor * BP_PER_WHOLE, takings_minor) if takings_minor > 0 else None


@dataclass(frozen=True)
class MonthShare:
    """One month's plastic beside its takings, in minor units."""

    month: date
    """The first of the month."""
    drawn_minor: int
    """Cost of the plastic drawn."""
    bought_minor: int
    """Cost of the plastic bought."""
    takings_minor: int

    @property
    def material_bp(self) -> Fraction | None:
        """Give the material share: cost of plastic drawn, in basis points of takings."""
        return share_bp(self.drawn_minor, self.takings_minor)

    @property
    def spend_bp(self) -> Fraction | None:
        """Give the spend share: cost of plastic bought, in basis points of takings."""
        return share_bp(self.bought_minor, self.takings_minor)


def by_month(
    *, drawn: Mapping[date, int], bought: Mapping[date, int], takings: Mapping[date, int]
) -> tuple[MonthShare, ...]:
    """Give the months from the first day with a figure to the last, none left out, from minor units by shop day.

    A month without a figure stands there with zeros, so that a picture's time axis is true.
    """
    sums = [_monthly(days) for days in (drawn, bought, takings)]
    seen = {month for one in sums for month in one}
    return tuple(MonthShare(month, *(one.get(month, 0) for one in sums)) for month in _months(seen))


def over(some: Iterable[MonthShare]) -> MonthShare | None:
    """Give several months as one, under the first one's date: shares of the sums, not a mean of shares.

    None where there are no months.
    """
    every = list(some)
    if not every:
        return None
    return MonthShare(
        min(one.month for one in every),
        sum(one.drawn_minor for one in every),
        sum(one.bought_minor for one in every),
        sum(one.takings_minor for one in every),
    )


def _monthly(days: Mapping[date, int]) -> dict[date, int]:
    sums: dict[date, int] = {}
    for day, minor in days.items():
        month = months.month_of(day)
        sums[month] = sums.get(month, 0) + minor
    return sums


def _months(seen: set[date]) -> list[date]:
    return list(months.each(min(seen), max(seen))) if seen else []
