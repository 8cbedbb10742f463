"""When an order is to come, beside the last day on which it still comes in time; and both as a sentence.

The order book makes it; pages, flashes and Today word it. It must not know how an order's lines stand.
"""

from dataclasses import dataclass
from datetime import date

from spoolkeep.domain.formats import Formats

LIKELY = 0.5
_A_TENTH = 0.15
"""Below this a chance is one case of ten in words."""
_LEAST, _MOST = 0.005, 0.995


@dataclass(frozen=True)
class Need:
    """The last day on which an order still comes in time: as a person said, or as its open lines stand.

    By its lines it is the day from which the first of its items may be out, in one case of ten.
    """

    by: date
    item: str = ""
    """The item that may be out first; empty where a person said the day."""
    chance: float = 0.0
    """That this item is out before the order comes."""
    others: int = 0
    """How many more of its items may be out before it comes."""
    counted_on: date | None = None
    """The day on which stock counts on the order; None where a person said the day it is needed by."""

    @property
    def is_said(self) -> bool:
        """Tell whether a person said the day."""
        return not self.item


@dataclass(frozen=True)
class Arrival:
    """The day on which an order is to come: promised, or after its supplier's usual days; and when it is needed.

    `on` is a day, `today` the shop day on which this is said. Where the day has passed and it is not in, it is taken
    to come today at the earliest. Source: our own choice.
    """

    on: date
    is_promised: bool
    is_sent: bool
    need: Need | None
    today: date

    @property
    def days_without(self) -> int:
        """Give for how many days it comes too late, as far as is known; 0 where it is in time, or no day is needed."""
        if self.need is None:
            return 0
        comes = self.need.counted_on or max(self.on, self.today)
        return max(0, (comes - self.need.by).days)

    @property
    def is_likely(self) -> bool:
        """Tell whether it comes after the day that a person said, or an item is out first more likely than not."""
        return self.need is not None and self.days_without > 0 and (self.need.is_said or self.need.chance >= LIKELY)

    @property
    def has_passed(self) -> bool:
        """Give whether the day on which it was to come is over."""
        return self.is_sent and self.on < self.today

    @property
    def lacks_promise(self) -> bool:
        """Give whether it was sent and nobody has said for which day."""
        return self.is_sent and not self.is_promised

    def words(self, formats: Formats) -> str:
        """Give all of it as a sentence without its point: promised for 12 Dec, needed by 9 Dec: 3 days late."""
        told = self._comes(formats)
        if self.need is None:
            return told
        if not self.days_without:
            return f"{told}, needed by {self._day(self.need.by, formats)}"
        if not self.need.is_said:
            return f"{told}; {self._gap(self.need, formats)}"
        so_far = " so far" if self.has_passed else ""
        return f"{told}, needed by {self._day(self.need.by, formats)}: {formats.days(self.days_without)} late{so_far}"

    def _gap(self, need: Need, formats: Formats) -> str:
        """Say from when an item may be out, for how long, and how likely that is."""
        since = "today" if need.by <= self.today else self._day(need.by, formats)
        told = f"{need.item} may be out from {since} on"
        if not self.has_passed:
            told += f", {formats.days(self.days_without)} before it comes"
        if need.chance < _A_TENTH:
            told += ", in one case of ten"
        else:
            told += f": it runs out first in {_chance(need.chance, formats)} of cases"
        if need.others:
            told += f"; {formats.number(need.others)} more of its items may be out too"
        return told

    def _comes(self, formats: Formats) -> str:
        day = self._day(self.on, formats)
        if self.is_promised:
            return f"promised for {day}{' and not in yet' if self.has_passed else ''}"
        if not self.is_sent:
            return f"if it is sent today, it comes about {day} by the usual days"
        return f"no day is promised; by the usual days it {'was to come' if self.has_passed else 'comes about'} {day}"

    def _day(self, day: date, formats: Formats) -> str:
        near = abs((day - self.today).days) < 300  # noqa: PLR2004 - a day without its year is not mistaken for another's
        return formats.short_day(day) if near else formats.day(day)


def _chance(share: float, formats: Formats) -> str:
    if share < _LEAST:
        return "under 1\N{NO-BREAK SPACE}%"
    return "over 99\N{NO-BREAK SPACE}%" if share > _MOST else f"{formats.number(share * 100)}\N{NO-BREAK SPACE}%"
