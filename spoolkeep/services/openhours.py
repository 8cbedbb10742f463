"""When somebody is there to begin a job: the shop's hours, on days on which it works.

What opens stops and what says what they cost ask it. It only reads.
"""

from bisect import bisect_left
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.standing import Span
from spoolkeep.services.history import DRAWN
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.store.tables import CalendarDay, DayTotal

WEEKS_KNOWN = 8
DAYS_KNOWN = 10
"""A weekday on which nothing was drawn for so many weeks is one on which the shop rests, where it drew on so many days.

Source: our own choice.
"""
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class OpenHours:
    """The shop's hours, and on which days it works."""

    shop: Shop
    closed: frozenset[date]
    opened: frozenset[date]
    """Days on which it is open against its weekday."""
    drawn: tuple[date, ...]
    """Days on which plastic was drawn, in order."""

    def works_on(self, day: date) -> bool:
        """Give whether the shop works on a shop day."""
        if day in self.closed or day in self.opened:
            return day in self.opened
        since = day - timedelta(weeks=WEEKS_KNOWN)
        known = self.drawn[bisect_left(self.drawn, since) : bisect_left(self.drawn, day + _DAY)]
        return len(known) < DAYS_KNOWN or any(one.weekday() == day.weekday() for one in known)

    def of(self, day: date) -> Span:
        """Give from when until when somebody is there on a shop day that is worked; all of it where the hours cross."""
        after_midnight = self.shop.closes_hour <= self.shop.day_starts_hour
        opens = self.shop.hour_of(day, self.shop.opens_hour)
        closes = self.shop.hour_of(day + after_midnight * _DAY, self.shop.closes_hour)
        return (opens, closes) if opens < closes else self.shop.clock.span_of(day)

    def within(self, begins: datetime, ends: datetime) -> list[Span]:
        """Give when somebody is there from the day of a moment on, until the week after another."""
        day, last = self.shop.today(begins), self.shop.today(ends) + 7 * _DAY
        days = [day + number * _DAY for number in range((last - day).days + 1)]
        return [self.of(one) for one in days if self.works_on(one)]

    def someone_is_there(self, now: datetime) -> bool:
        """Give whether somebody is there at a moment."""
        day = self.shop.today(now)
        begins, ends = self.of(day)
        return self.works_on(day) and begins <= now < ends


def open_hours(session: Session, *, since: datetime, shop: Shop | None = None) -> OpenHours:
    """Give when somebody is there, from a moment on."""
    known = shop or load_shop(session)
    first = known.today(since) - timedelta(weeks=WEEKS_KNOWN)
    days = session.execute(
        select(col(CalendarDay.day), col(CalendarDay.is_open)).where(
            col(CalendarDay.live), col(CalendarDay.supplier_id).is_(None)
        )
    ).all()
    drawn = select(col(DayTotal.shop_day)).where(col(DayTotal.shop_day) >= first, col(DayTotal.kind).in_(DRAWN))
    return OpenHours(
        known,
        closed=_those(days, is_open=False),
        opened=_those(days, is_open=True),
        drawn=tuple(session.scalars(drawn.distinct().order_by(col(DayTotal.shop_day)))),
    )


def _those(days: Collection[tuple[date, bool]], *, is_open: bool) -> frozenset[date]:
    return frozenset(day for day, opens in days if opens is is_open)
