"""One shop day of the demo workshop: its date, its hours, its own chance, and everything that the day's work needs.

The parts of the demo that live the day through are handed one. It books nothing itself.
"""

import datetime as dt
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from math import exp, prod
from random import Random

from spoolkeep.domain.shopday import ShopClock
from spoolkeep.services.demo.described import WEEKDAYS, Described
from spoolkeep.services.demo.hands import Hands
from spoolkeep.services.demo.truth import Truth

YEAR_DAYS = 365


@dataclass(frozen=True)
class Day:
    """A shop day."""

    told: Described
    truth: Truth
    hands: Hands
    clock: ShopClock
    rng: Random
    date: dt.date
    _hours: dict[dt.date, tuple[datetime, datetime] | None] = field(default_factory=dict)

    @property
    def index(self) -> int:
        """Give its number, counted from the first day."""
        return (self.date - self.truth.first_day).days

    @property
    def weekday(self) -> str:
        """Give its weekday as the files write it."""
        return WEEKDAYS[self.date.weekday()]

    @property
    def season(self) -> float:
        """Give how far the season is on: 1 at its peak, near 0 most of the year."""
        season = self.told.season
        ahead = (self.truth.history_days + season.ahead_days - self.index + YEAR_DAYS / 2) % YEAR_DAYS - YEAR_DAYS / 2
        return exp(-((ahead / season.width_days) ** 2) / 2)

    def event(self, product: str) -> float:
        """Give how many times as much as usual is asked of a product, for what is going on."""
        return prod(one.times for one in self.told.events if product in one.products and one.is_on(self.index))

    @property
    def grown(self) -> float:
        """Give how demand has grown since the first day."""
        return float(self.told.simulation.growth_a_year ** (self.index / YEAR_DAYS))

    def at(self, hour: float) -> datetime:
        """Give the moment of an hour of the wall clock; 25.5 is half past one of the next morning."""
        start = datetime.combine(self.date, time())
        return self.clock.from_local(start + timedelta(hours=hour)).utc

    @property
    def plans(self) -> bool:
        """Say whether people plan and start jobs in the books by now; before, they told them when they ended."""
        return self.index >= self.truth.history_days - self.told.simulation.plans_for_days

    @property
    def ends(self) -> datetime:
        """Give the moment at which the next shop day begins."""
        return self.clock.span_of(self.date)[1]

    def hours_of(self, day: dt.date) -> tuple[datetime, datetime] | None:
        """Give the moments at which somebody comes and at which the last one goes; None where nobody comes."""
        if day not in self._hours:
            self._hours[day] = self._hours_told(day)
        return self._hours[day]

    def _hours_told(self, day: dt.date) -> tuple[datetime, datetime] | None:
        hours = self.told.simulation.hours.get(WEEKDAYS[day.weekday()])
        closed = (day - self.truth.first_day).days in self.told.simulation.closed_days
        if hours is None or closed:
            return None
        opens, closes = (self.clock.from_local(datetime.combine(day, time(hour))).utc for hour in hours)
        return opens, closes

    @property
    def is_open(self) -> bool:
        """Say whether somebody comes."""
        return self.hours_of(self.date) is not None

    def attended(self, moment: datetime) -> bool:
        """Say whether somebody is there at a moment."""
        hours = self.hours_of(self.clock.local(moment).date())
        return hours is not None and hours[0] <= moment < hours[1]

    def next_opening(self, moment: datetime) -> datetime:
        """Give when somebody comes next, after a moment."""
        day = self.clock.local(moment).date()
        while True:
            hours = self.hours_of(day)
            if hours is not None and hours[0] > moment:
                return hours[0]
            day += timedelta(days=1)

    def noticed(self, moment: datetime) -> datetime:
        """Give when a person sees what a machine did at a moment."""
        if self.attended(moment):
            seen = moment + timedelta(minutes=min(70.0, 3 + self.rng.expovariate(1 / 12)))
            if self.attended(seen):
                return seen
        return self.next_opening(moment) + timedelta(minutes=self.rng.uniform(2, 45))
