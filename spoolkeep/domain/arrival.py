"""When an order is to come, beside the last day on which it still comes in time; and both as a sentence.

The order book makes it; pages, flashes and Today word it. It must not know what is in the order.
"""

from dataclasses import dataclass
from datetime import date

from spoolkeep.domain.formats import Formats


@dataclass(frozen=True)
class Arrival:
    """The day on which an order is to come: promised, or after its supplier's usual days; and when it is needed.

    `on` is a day, `today` the shop day on which this is said. Where the day has passed and it is not in, it is taken
    to come today at the earliest. Source: our own choice.
    """

    on: date
    is_promised: bool
    is_sent: bool
    needed_by: date | None
    today: date

    @property
    def days_without(self) -> int:
        """Give for how many days it comes too late, as far as is known; 0 where it is in time, or no day is needed."""
        return 0 if self.needed_by is None else max(0, (max(self.on, self.today) - self.needed_by).days)

    @property
    def has_passed(self) -> bool:
        """Give whether the day on which it was to come is over."""
        return self.is_sent and self.on < self.today

    @property
    def lacks_promise(self) -> bool:
        """Give whether it was sent and nobody has said for which day."""
        return self.is_sent and not self.is_promised

    def words(self, formats: Formats) -> str:
        """Give all of it as a sentence without its point: promised for 12 Dec, needed by 9 Dec: 3 days without."""
        told = f"{self._comes(formats)}{self._needed(formats)}"
        if not self.days_without:
            return told
        so_far = " so far" if self.has_passed else ""
        return f"{told}: {formats.days(self.days_without)} without{so_far}"

    def _comes(self, formats: Formats) -> str:
        day = self._day(self.on, formats)
        if self.is_promised:
            return f"promised for {day}{' and not in yet' if self.has_passed else ''}"
        if not self.is_sent:
            return f"if it is sent today, it comes about {day} by the usual days"
        return f"no day is promised; by the usual days it {'was to come' if self.has_passed else 'comes about'} {day}"

    def _needed(self, formats: Formats) -> str:
        return "" if self.needed_by is None else f", needed by {self._day(self.needed_by, formats)}"

    def _day(self, day: date, formats: Formats) -> str:
        near = abs((day - self.today).days) < 300  # noqa: PLR2004 - a day without its year is not mistaken for another's
        return formats.short_day(day) if near else formats.day(day)
