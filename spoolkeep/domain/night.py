"""What a machine prints until a given hour, what that draws feed by feed, and how likely the plastic is to last.

Tonight and the check of a scan ask it. It must not know spools, rows or a clock: every moment is a parameter.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from spoolkeep.domain.drift import Estimate

_MOST_PRINTS = 200
_DRY_SD_MG = 1500.0
"""What may stay in the tube and on the hub. Source: our own choice."""


@dataclass(frozen=True)
class Print:
    """One job as it runs or will: from when until when, and what it needs of each feed."""

    title: str
    needs_mg: Mapping[int, int]
    """By feed."""
    lasts: timedelta | None = None
    """None where nobody knows: then all of it is counted."""
    job_id: int | None = None
    starts_at: datetime | None = None
    is_guess: bool = False
    """Nobody planned it: the machine's last job once more."""

    @property
    def ends_at(self) -> datetime | None:
        """Give when it ends, where that is known."""
        return self.starts_at + self.lasts if self.starts_at and self.lasts else None

    def share_by(self, moment: datetime) -> float:
        """Give what share of it is drawn by a moment, evenly over its time. Source: common practice, no source."""
        if self.starts_at is None or moment <= self.starts_at:
            return 0.0
        return min(1.0, (moment - self.starts_at) / self.lasts) if self.lasts else 1.0


@dataclass(frozen=True)
class Night:
    """From now until an hour, and until when somebody is there to begin another job."""

    now: datetime
    leaves_at: datetime
    until: datetime


@dataclass(frozen=True)
class Queue:
    """What a machine has to print: what runs, what is planned, and its last job, where nobody planned one."""

    running: Print | None = None
    planned: Sequence[Print] = ()
    again: Print | None = None
    self_starting: bool = False


def to_come(queue: Queue, night: Night) -> tuple[Print, ...]:
    """Give what a machine prints until the hour, one after the other; without anybody there, no other is begun.

    The last of them may run on beyond the hour. A job whose time nobody knows is the last, and taken to end at the
    hour. Of a machine of which nothing is told, the last job is taken as begun anew just now, at whatever hour.
    """
    prints: list[Print] = []
    free_at = night.now
    if queue.running is not None:
        prints.append(_timed(queue.running, queue.running.starts_at or night.now, night))
        free_at = max(prints[-1].ends_at or night.now, night.now)
    last_start = night.until if queue.self_starting else min(night.until, night.leaves_at)
    waiting = list(queue.planned)
    if not prints and not waiting and queue.again is not None:
        # where nobody says what begins, it may well have begun
        prints.append(_timed(queue.again, night.now, night))
        free_at = prints[-1].ends_at or night.until
    while free_at < last_start and len(prints) < _MOST_PRINTS:
        following = waiting.pop(0) if waiting else queue.again
        if following is None:
            break
        prints.append(_timed(following, free_at, night))
        free_at = prints[-1].ends_at or night.until
    return tuple(prints)


def _timed(one: Print, starts_at: datetime, night: Night) -> Print:
    lasts = one.lasts or max(night.until - starts_at, timedelta(minutes=1))
    return replace(one, starts_at=starts_at, lasts=lasts)


@dataclass(frozen=True)
class Run:
    """One job, or the same one several times in a row, from when until when."""

    title: str
    is_guess: bool
    times: int
    starts_at: datetime | None
    ends_at: datetime | None


def runs(prints: Sequence[Print]) -> tuple[Run, ...]:
    """Give what is printed in a row, the same job time after time taken together."""
    found: list[Run] = []
    for one in prints:
        before = found[-1] if found else None
        if before is not None and (before.title, before.is_guess) == (one.title, one.is_guess):
            found[-1] = replace(before, times=before.times + 1, ends_at=one.ends_at)
        else:
            found.append(Run(one.title, one.is_guess, 1, one.starts_at, one.ends_at))
    return tuple(found)


def needed_mg(prints: Sequence[Print], feed_id: int, *, since: datetime, until: datetime) -> float:
    """Give the milligrams that prints draw on a feed between two moments."""
    return sum(one.needs_mg.get(feed_id, 0) * (one.share_by(until) - one.share_by(since)) for one in prints)


def drawn_at(prints: Sequence[Print], feed_id: int, mg: float, *, night: Night, since: datetime) -> datetime | None:
    """Give when so much is drawn on a feed since a moment, to the minute; now at the earliest, None by the hour."""
    if needed_mg(prints, feed_id, since=since, until=night.until) < mg:
        return None
    low, high = night.now, night.until
    if needed_mg(prints, feed_id, since=since, until=low) >= mg:
        return low
    while high - low > timedelta(minutes=1):
        middle = low + (high - low) / 2
        short = needed_mg(prints, feed_id, since=since, until=middle) < mg
        low, high = (middle, high) if short else (low, middle)
    return high


def busy_until(prints: Sequence[Print], night: Night) -> datetime:
    """Give until when a machine prints, at the latest the hour; now where it prints nothing."""
    last = prints[-1] if prints else None
    if last is None:
        return night.now
    return min(night.until, last.ends_at or night.until)


def chance(after: Estimate) -> float:
    """Give how likely it is that plastic lasts, by what would be left after all that is to come, 0 to 1.

    Source: the distribution of what is left as `domain.drift` has it: normal, with a part that is irregular.
    """
    spread = math.hypot(after.sd, _DRY_SD_MG)
    return replace(after, sd=spread).above(0.0)


@dataclass(frozen=True)
class Risk:
    """What hangs on a feed: the chance that it lasts, when it ends if it does not, and the hours that are then lost."""

    chance: float
    ends_at: datetime | None = None
    hours: float = 0.0
    """Of machine time that are lost if it ends."""

    @property
    def hours_at_risk(self) -> float:
        """Give the hours that are lost in the mean."""
        return (1 - self.chance) * self.hours


@dataclass(frozen=True)
class FeedNight:
    """One feed until the hour: what it needs, what would be left after it, and the risk."""

    needs_mg: int
    after: Estimate
    risk: Risk


def judge(prints: Sequence[Print], feed_id: int, *, after: Estimate, night: Night, since: datetime) -> FeedNight:
    """Give what hangs on one feed, by what would be left on it after all that is to come; `since` it was put on."""
    needs = needed_mg(prints, feed_id, since=since, until=night.until)
    lasts = chance(after) if needs else 1.0
    if lasts >= _ALL_BUT_SURE:
        return FeedNight(round(needs), after, Risk(lasts))
    # where it ends, it lacks what it lacks in the mean, and a part of the spread
    lacks = max(0.0, -after.mean) + _PART * math.hypot(after.sd, _DRY_SD_MG)
    ends_at = drawn_at(prints, feed_id, max(0.0, needs - lacks), night=night, since=since) or night.until
    hours = max(0.0, (busy_until(prints, night) - ends_at).total_seconds() / 3600)
    return FeedNight(round(needs), after, Risk(lasts, ends_at, hours))


_ALL_BUT_SURE = 0.995
_PART = 0.6
"""What lacks of a normal variable below nought, beyond its mean, in standard deviations.

It is 0.80 where the mean is nought and less on either side. Source: the inverse Mills ratio.
"""
