"""What stops cost: hours in which machines would have run, and what they earn in them, by month and by item.

The Money page and the page of stops call it. It only reads, in a number of queries that does not grow.
"""

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any

from sqlalchemy import Select, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain import months
from spoolkeep.domain.standing import Span, apart, by_month, earned_minor, would_run
from spoolkeep.services import finding
from spoolkeep.services.finding import Item
from spoolkeep.services.openhours import OpenHours, open_hours
from spoolkeep.services.shop import load_shop
from spoolkeep.store.tables import Job, Machine, Stop

MONTHS_BACK = 24
"""As many months as the Money page shows."""


@dataclass(frozen=True)
class Cost:
    """Seconds in which machines would have run, what they earn in them, and how many stops those are of."""

    seconds: int = 0
    minor: int = 0
    stops: int = 0

    @property
    def hours(self) -> float:
        """Give its hours."""
        return self.seconds / 3600


@dataclass(frozen=True)
class StopCost:
    """One stop, or what of it falls in a month, and what it cost."""

    stop_id: int
    machine: str
    item: Item | None
    """What it waited for; None where nobody said."""
    from_at: datetime
    until_at: datetime | None
    """None while it lasts: it is counted up to now."""
    why: str
    by_itself: bool
    corrected: bool
    was_none: bool
    cost: Cost


@dataclass(frozen=True)
class StopCosts:
    """What stops cost: each month, newest first; each item, the dearest first; and the stops behind it."""

    months: tuple[tuple[date, Cost], ...]
    items: tuple[tuple[Item | None, Cost], ...]
    stops: tuple[StopCost, ...]
    """Those that last first, then the newest."""
    whole: Cost


@dataclass(frozen=True)
class _Counted:
    """A stop, and its seconds and earnings by month."""

    stop: Stop
    machine: str
    seconds: dict[date, int]
    minor_per_hour: int

    def cost(self, month: date | None) -> Cost:
        """Give what it cost in a month, or in all; each month is rounded for itself, so that months add up."""
        told = [seconds for one, seconds in self.seconds.items() if month in {None, one}]
        return Cost(sum(told), sum(earned_minor(seconds, self.minor_per_hour) for seconds in told), int(bool(told)))


def view(
    *, session: Session, now: datetime, month: date | None = None, article_id: int | None = None, unsaid: bool = False
) -> StopCosts:
    """Give what stops cost over two years: of all, of a month, of an item, or (`unsaid`) of those for nobody said what.

    What a machine earns is its own figure, else the workshop's, as they are now.
    """
    counted = [one for one in _counted(session, now) if _is_of(one.stop, article_id, unsaid=unsaid)]
    items = finding.items(session, {one.stop.article_id for one in counted if one.stop.article_id})
    shown = [one for one in counted if month is None or month in one.seconds]
    by_item: dict[int, list[Cost]] = defaultdict(list)
    for one in shown:
        by_item[one.stop.article_id or 0].append(one.cost(month))
    of_items = [(items.get(number), _whole(costs)) for number, costs in by_item.items()]
    months = sorted({known for one in shown for known in one.seconds if month in {None, known}}, reverse=True)
    return StopCosts(
        months=tuple((known, _whole(one.cost(known) for one in shown)) for known in months),
        items=tuple(sorted((one for one in of_items if one[1].stops), key=_dearest_first)),
        stops=tuple(_row(one, items, month) for one in shown),
        whole=_whole(one.cost(month) for one in shown),
    )


def _is_of(stop: Stop, article_id: int | None, *, unsaid: bool) -> bool:
    if unsaid:
        return stop.article_id is None
    return article_id is None or stop.article_id == article_id


def _dearest_first(one: tuple[Item | None, Cost]) -> tuple[int, int, str]:
    return -one[1].minor, -one[1].seconds, one[0].name if one[0] else ""


def _whole(costs: Iterable[Cost]) -> Cost:
    told = list(costs)
    return Cost(*(sum(getattr(one, name) for one in told) for name in ("seconds", "minor", "stops")))


def _row(one: _Counted, items: dict[int, Item], month: date | None) -> StopCost:
    stop = one.stop
    return StopCost(
        stop_id=stop.id,
        machine=one.machine,
        item=items.get(stop.article_id or 0),
        from_at=stop.from_at,
        until_at=stop.until_at,
        why=stop.why,
        by_itself=stop.by_itself,
        corrected=stop.corrected,
        was_none=stop.corrected and stop.until_at == stop.from_at,
        cost=one.cost(month),
    )


def _counted(session: Session, now: datetime) -> list[_Counted]:
    """Give the stops of two years with the hours that count, those that last first, then the newest."""
    shop = load_shop(session)
    first = months.before(shop.today(now).replace(day=1), MONTHS_BACK - 1)
    since = shop.clock.span_of(first)[0]
    rows = session.execute(_STOPS.where(or_(col(Stop.until_at).is_(None), col(Stop.until_at) >= since))).all()
    if not rows:
        return []
    began = max(since, min(row[0].from_at for row in rows))
    hours = open_hours(session, since=began, shop=shop)
    attended = hours.within(began - timedelta(days=1), now)
    found = []
    for _, of_machine in groupby(rows, key=lambda row: row[0].machine_id):
        own = list(of_machine)
        # a stop is counted from where the earlier ones of its machine end
        spans = apart([(max(row[0].from_at, since), row[0].until_at or now) for row in own])
        for span, row in zip(spans, own, strict=True):
            earns = shop.earns_minor_per_hour if row.earns is None else row.earns
            found.append(_Counted(row[0], row.name, _seconds(span, row, attended, hours), earns))
    return sorted(found, key=lambda one: (one.stop.until_at is not None, -one.stop.from_at.timestamp(), -one.stop.id))


def _seconds(span: Span, row: Any, attended: Sequence[Span], hours: OpenHours) -> dict[date, int]:  # noqa: ANN401 - a row
    """Give the seconds of a stop, by month, in which its machine would have run."""
    begins, ends = span
    near = attended[bisect_right(attended, begins, key=lambda one: one[1]) :]
    near = near[: bisect_left(near, ends, key=lambda one: one[0]) + 1]
    lasts = timedelta(seconds=row.duration_s) if row.duration_s else None
    return by_month(would_run(span, attended=near, lasts=lasts, self_starting=row.self_starting), hours.shop.clock)


_COLUMNS: tuple[Any, ...] = (
    Stop,
    col(Machine.name).label("name"),
    col(Machine.earns_minor_per_hour).label("earns"),
    col(Machine.self_starting).label("self_starting"),
    col(Job.duration_s).label("duration_s"),
)
_STOPS: Select[Any] = (
    select(*_COLUMNS)
    .join(Machine, col(Machine.id) == col(Stop.machine_id))
    .outerjoin(Job, col(Job.id) == col(Stop.job_id))
    .where(col(Stop.live))
    .order_by(col(Stop.machine_id), col(Stop.from_at), col(Stop.id))
)
