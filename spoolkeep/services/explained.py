"""Why an item is expected to last as long as it is said to: the weeks behind the figure, and what stands out in them.

An item's page and the command line call it. It only reads.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
import numpy.typing as npt
from sqlalchemy.orm import Session

from spoolkeep.domain.errors import NotFound
from spoolkeep.domain.runout import AHEAD_DAYS
from spoolkeep.services import foresight, outlooks
from spoolkeep.services.foresight import Closing, Known
from spoolkeep.services.history import Amounts
from spoolkeep.services.outlooks import WEEK, Outlooks
from spoolkeep.services.shop import load_shop

WEEKS = 8
DAYS = WEEKS * WEEK
_MOVES = 1.25
"""So much more, or less, in the late weeks than in those before is called rising, or falling."""
_ENOUGH_DRAWS = 8
_BUSIER, _QUIET = 1.4, 0.02
"""Two weekdays with so many times an even share of the weekdays that are worked are named."""


@dataclass(frozen=True)
class DayBehind:
    """One day behind the figure."""

    day: date
    mg: int
    closed: bool
    off_shelf: bool
    """Too little was there for a usual job, so that nothing drawn says nothing."""

    @property
    def weekday(self) -> int:
        """Give its weekday, Monday 0."""
        return self.day.weekday()


@dataclass(frozen=True)
class Explained:
    """What stands out in the last weeks of an item."""

    known_days: int
    """How far back it is known."""
    begun: bool
    """Whether anything at all was drawn in this workshop before today."""
    counted_days: int
    """Of the last weeks, those that say something."""
    a_day_mg: int
    """Drawn on each of these."""
    ever_a_day_mg: int
    """The same over all that is known."""
    busy: tuple[int, ...]
    """Weekdays, Monday 0, that draw most of a week; none where it is even."""
    busy_share: float
    trend: str
    """`rising`, `falling` or nothing."""
    times_off: int
    """How often it was off the shelf."""
    days_off: int
    closed_days: int
    foreseen: tuple[Known, ...]
    """What the owner foresees of it, or of the whole shop, from today on."""
    closings: tuple[Closing, ...]
    """Closed days from today on, of the coming weeks."""
    weeks: tuple[tuple[DayBehind, ...], ...]
    """The last weeks, Monday to Sunday, the latest first; days that are not in them are left out."""


def of_item(*, session: Session, now: datetime, article_id: int) -> Explained:
    """Explain one item's figures. Errors: NotFound."""
    today = load_shop(session).today(now)
    told = outlooks.told(session, today=today)
    if article_id not in told.past.article_ids:
        raise NotFound("no_such_item", "There is no such item any more. Open Stock again.")
    closings = [
        one for one in foresight.closings(session, since=today) if one.from_day < today + timedelta(days=AHEAD_DAYS)
    ]
    return _explained(told, article_id, closings)


def known_days(*, session: Session, now: datetime) -> int:
    """Give how many days of draws are known, 0 where nothing was drawn before today."""
    past = outlooks.told(session, today=load_shop(session).today(now)).past
    return past.days if past.grams.any() else 0


def _explained(told: Outlooks, article_id: int, closings: list[Closing]) -> Explained:
    past, row = told.past, told.row(article_id)
    span = min(DAYS, past.days)
    grams = past.grams[row, past.days - span : past.days]
    shut = (past.open_days[past.days - span : past.days] == 0) & (grams == 0)
    off = (past.on_shelf[row, past.days - span : past.days] == 0) & ~shut
    counted = int(span - shut.sum() - off.sum())
    first = past.today - timedelta(days=span)
    days = [
        DayBehind(first + timedelta(days=n), round(float(grams[n])), bool(shut[n]), bool(off[n])) for n in range(span)
    ]
    busy, share = _busy(told, row)
    return Explained(
        known_days=past.days,
        begun=bool(past.grams.any()),
        counted_days=counted,
        a_day_mg=round(float(grams.sum()) / counted) if counted else 0,
        ever_a_day_mg=round(float(past.grams[row].sum() / max(1.0, told.outlook.history.seen[row].sum()))),
        busy=busy,
        busy_share=share,
        trend=_trend(grams, ~(shut | off)),
        times_off=int((np.diff(np.concatenate([[0], off.astype(int)])) == 1).sum()),
        days_off=int(off.sum()),
        closed_days=int(shut.sum()),
        foreseen=tuple(
            one
            for one in told.known
            if one.article_id in {None, article_id}
            and one.product_id is None
            and (one.until_day is None or one.until_day >= past.today)
        ),
        closings=tuple(closings),
        weeks=_by_week(days),
    )


def _busy(told: Outlooks, row: int) -> tuple[tuple[int, ...], float]:
    """Give the two weekdays that draw most, where they stand out, and their share of a week."""
    profile = told.outlook.profile[row]
    share = profile / profile.sum()
    most = np.argsort(-share)[:2]
    whole = float(share[most].sum())
    even = 2.0 / max(3, int((share > _QUIET).sum()))
    if whole < _BUSIER * even or (told.past.grams[row] > 0).sum() < _ENOUGH_DRAWS:
        return (), 0.0
    return tuple(sorted((told.past.today.weekday() + int(one)) % WEEK for one in most)), whole


def _trend(grams: Amounts, counts: npt.NDArray[np.bool_]) -> str:
    half = len(grams) // 2
    if (grams > 0).sum() < _ENOUGH_DRAWS or not counts[:half].any() or not counts[half:].any():
        return ""
    before, late = grams[:half].sum() / counts[:half].sum(), grams[half:].sum() / counts[half:].sum()
    if late > before * _MOVES:
        return "rising"
    return "falling" if late * _MOVES < before else ""


def _by_week(days: list[DayBehind]) -> tuple[tuple[DayBehind, ...], ...]:
    weeks: dict[date, list[DayBehind]] = {}
    for one in days:
        weeks.setdefault(one.day - timedelta(days=one.day.weekday()), []).append(one)
    return tuple(tuple(weeks[monday]) for monday in sorted(weeks, reverse=True))
