"""The shop's clock: which shop day a moment belongs to, and what a local time on a sheet means.

The ledger's writer, imports and pages call it. It must not know what time it is now: moments come as parameters.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from spoolkeep.domain.errors import BadInput

_LAST_HOUR = 23
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class LocalMoment:
    """What a local time comes to in UTC, and whether the clock change made it doubtful."""

    utc: datetime
    twice: bool
    """The clocks went back over it; the first of the two is taken."""
    skipped: bool
    """The clocks went forward over it; it is moved forward by as much."""


@dataclass(frozen=True)
class ShopClock:
    """The workshop's zone and the local hour at which its day begins, so that one night's work is one day.

    `zone` is a name of the tz database, such as Europe/Lisbon; `day_starts_hour` is 0 to 23.
    Errors: BadInput where either is not.
    """

    zone: str
    day_starts_hour: int = 4

    def __post_init__(self) -> None:
        if not 0 <= self.day_starts_hour <= _LAST_HOUR:
            raise BadInput("bad_hour", f"The shop day starts at {self.day_starts_hour}: enter an hour from 0 to 23.")
        try:
            ZoneInfo(self.zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            words = f"“{self.zone}” is not a time zone. Enter one like Europe/Lisbon."
            raise BadInput("bad_zone", words) from None

    @property
    def tz(self) -> ZoneInfo:
        """Give the zone's rules."""
        return ZoneInfo(self.zone)

    def day_of(self, moment_utc: datetime) -> date:
        """Give the shop day on which a moment falls: the one whose span holds it.

        Errors: BadInput where the moment says no zone.
        """
        moment = _utc(moment_utc)
        day = (moment.astimezone(self.tz) - timedelta(hours=self.day_starts_hour)).date()
        # a clock change near the start of the day can put the wall clock on the wrong side of it
        while moment < self._start_of(day):
            day -= _DAY
        while moment >= self._start_of(day + _DAY):
            day += _DAY
        return day

    def local(self, moment_utc: datetime) -> datetime:
        """Give the moment as the wall clock of the shop shows it, still knowing its zone.

        Errors: BadInput where the moment says no zone.
        """
        return _utc(moment_utc).astimezone(self.tz)

    def from_local(self, naive: datetime) -> LocalMoment:
        """Give the moment that a wall-clock time means.

        A time that occurs twice is the first one; a skipped one is read with the offset before the gap.
        Errors: BadInput where the time already says a zone.
        Source: RFC 5545, section 3.3.5, form 3.
        """
        if naive.tzinfo is not None:
            raise BadInput("zoned_time", "A time from the shop's wall clock must not name a zone of its own.")
        first, second = (naive.replace(tzinfo=self.tz, fold=fold) for fold in (0, 1))
        before, after = (moment.utcoffset() or timedelta() for moment in (first, second))
        return LocalMoment(utc=first.astimezone(UTC), twice=before > after, skipped=before < after)

    def span_of(self, day: date) -> tuple[datetime, datetime]:
        """Give the shop day as the UTC moments of its start (in it) and its end (not in it); 23 to 25 hours, mostly."""
        return self._start_of(day), self._start_of(day + _DAY)

    def _start_of(self, day: date) -> datetime:
        return self.from_local(datetime.combine(day, time(self.day_starts_hour))).utc


def _utc(moment: datetime) -> datetime:
    if moment.utcoffset() is None:
        raise BadInput("naive_time", "This time does not say its zone. Give it in UTC.")
    return moment.astimezone(UTC)
