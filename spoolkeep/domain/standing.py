"""Hours in which a machine that stood still would have run: what a stop takes from it, and from which month.

What says what stops cost asks it. It must not know rows, money or a clock.
"""

import math
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta

from spoolkeep.domain import months
from spoolkeep.domain.shopday import ShopClock

Span = tuple[datetime, datetime]
"""From a moment until a moment."""

UNTOLD = timedelta(hours=14)
"""How long a machine goes on alone with a job whose time nobody told: as long as one prints in a day.

Source: common practice, no source: 14 of 24 hours, 58 %.
"""


def would_run(
    stop: Span, *, attended: Sequence[Span], lasts: timedelta | None = None, self_starting: bool = False
) -> list[Span]:
    """Give the hours of a stop in which its machine would have run, in order and apart.

    It would have gone on at the moment at which it stopped, and from then on with one job after the other, each as long
    as the one that waited (`lasts`). A job is begun while somebody is there (`attended`, in order and apart), and the
    last of them runs on alone; a machine that begins its jobs by itself (`self_starting`) goes on round the clock.
    Where nobody told how long the job takes, it is taken to run until they leave, and where it stopped while nobody was
    there until they come, at most `UNTOLD`.
    Source: our own choice; it is how Tonight looks ahead.
    """
    at, until = stop
    if self_starting:
        return [stop] if at < until else []
    found: list[Span] = []
    for opens, closes in attended:
        if closes <= at:
            continue
        if at >= until:
            break
        if at < opens and not found and at == stop[0]:
            alone = at + (lasts or min(UNTOLD, opens - at))
            found.append((at, min(alone, until)))
            at = alone
        begins = max(at, opens)
        if begins < min(closes, until):
            at = begins + _until_left(closes - begins, lasts)
            found.append((begins, min(at, until)))
    if not found and at < until:  # nobody came any more
        found.append((at, min(at + (lasts or UNTOLD), until)))
    return _joined(found)


def _until_left(there: timedelta, lasts: timedelta | None) -> timedelta:
    """Give how long a machine runs that is looked after for so long: as many whole jobs as are begun by then."""
    return lasts * math.ceil(there / lasts) if lasts else there


def _joined(spans: Iterable[Span]) -> list[Span]:
    """Give spans, those that meet as one."""
    found: list[Span] = []
    for begins, ends in spans:
        if found and begins <= found[-1][1]:
            found[-1] = (found[-1][0], max(ends, found[-1][1]))
        elif begins < ends:
            found.append((begins, ends))
    return found


def apart(stops: Sequence[Span]) -> list[Span]:
    """Give the stops of one machine, in order of their beginning, so that no hour counts twice: the first has it."""
    found: list[Span] = []
    counted: datetime | None = None
    for begins, ends in stops:
        since = begins if counted is None else max(begins, counted)
        found.append((since, max(since, ends)))
        counted = found[-1][1]
    return found


def by_month(spans: Iterable[Span], clock: ShopClock) -> dict[date, int]:
    """Give the seconds of spans by month, named by its first day; a month begins with its first shop day."""
    found: dict[date, int] = {}
    for begins, ends in spans:
        at = begins
        while at < ends:
            month = months.month_of(clock.day_of(at))
            over = min(ends, clock.span_of(months.after(month))[0])
            found[month] = found.get(month, 0) + round((over - at).total_seconds())
            at = over
    return found


def earned_minor(seconds: int, minor_per_hour: int) -> int:
    """Give what a machine earns in so many seconds, in minor units, half up."""
    return (2 * seconds * minor_per_hour + 3600) // 7200
