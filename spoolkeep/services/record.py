"""How well the forecast foretold on this workshop's own past, beside the mean of the last thirty days.

The page of the record and the command line call it. It only reads.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from statistics import NormalDist
from weakref import WeakKeyDictionary

import numpy as np
from sqlalchemy import Dialect
from sqlalchemy.orm import Session

from spoolkeep.domain.demand import Outlook
from spoolkeep.domain.runout import AHEAD_DAYS, mean_daily_mg
from spoolkeep.domain.scores import bias, covered, quantile_loss
from spoolkeep.services import finding, foresight, outlooks
from spoolkeep.services.finding import Item
from spoolkeep.services.foresight import Known
from spoolkeep.services.history import Amounts, Past
from spoolkeep.services.outlooks import WEEK, Outlooks
from spoolkeep.services.shop import load_shop

HORIZONS = (7, 14, 28)
ORIGINS = 8
"""So many weeks are looked back, for each horizon."""
LEAST_DAYS = 56
"""Below so much history it is not asked what would have been said."""
LEAST_PAIRS = 20
"""Below so many answers nothing is said of how good they were."""
TAUS = np.round(np.arange(0.05, 0.951, 0.05), 2)
_LOW, _MIDDLE, _HIGH = 1, 9, 17
_PLAIN_DAYS = 30


@dataclass(frozen=True)
class Said:
    """What was said of one item so many days ago, and what came."""

    item: Item
    low_mg: int
    middle_mg: int
    high_mg: int
    came_mg: int
    plain_mg: int
    """What the mean of thirty days would have said."""
    inside: float
    """Of the last weeks' answers, the share that came between low and high."""
    bias: float | None
    """How much more was said than came over these weeks, as a share; None where nothing came."""


@dataclass(frozen=True)
class Score:
    """How one horizon did over the last weeks, all items together."""

    days: int
    pairs: int
    """Answers that could be held against what came: the item was on the shelf all the while."""
    covered: float
    """Share of what came between the said 10 and 90 per cent, where anything was likely to come."""
    plain_covered: float
    bias: float
    plain_bias: float
    loss_ratio: float
    """Weighted quantile loss as a ratio to that of the thirty-day mean: below 1 is better."""
    said: tuple[Said, ...]
    """What was said just so many days ago, the largest first."""

    @property
    def is_known(self) -> bool:
        """Say whether there are enough answers to speak of it."""
        return self.pairs >= LEAST_PAIRS


@dataclass(frozen=True)
class Foretold:
    """One thing that the owner foresaw, and what became of it."""

    known: Known
    days: int
    usual_mg: float
    """What the past alone foretold for its days so far."""
    came_mg: float

    @property
    def times(self) -> float | None:
        """Give how many times as much as usual came."""
        return self.came_mg / self.usual_mg if self.usual_mg > 0 else None


@dataclass(frozen=True)
class Record:
    """The record of a workshop."""

    known_days: int
    since: date
    scores: tuple[Score, ...]


_KEPT: WeakKeyDictionary[Dialect, tuple[Outlooks, Record]] = WeakKeyDictionary()


def of_shop(*, session: Session, now: datetime) -> Record:
    """Give the record up to today."""
    told = outlooks.told(session, today=load_shop(session).today(now))
    database = session.get_bind().engine.dialect
    kept = _KEPT.get(database)
    if kept is None or kept[0] is not told:
        items = finding.items(session)
        kept = _KEPT[database] = (told, _record(told, [items[one] for one in told.past.article_ids]))
    return kept[1]


@dataclass(frozen=True)
class _Answers:
    """All answers of one horizon, (items, origins[, chances]), the latest origin first."""

    told: Amounts
    mean: Amounts
    plain: Amounts
    came: Amounts
    counts: Amounts


def _record(told: Outlooks, items: list[Item]) -> Record:
    past = told.past
    looked: dict[int, Outlook] = {}
    scores = []
    for days in HORIZONS:
        ago = [days + WEEK * n for n in range(ORIGINS) if past.days - days - WEEK * n >= LEAST_DAYS]
        for one in ago:
            if one not in looked:
                looked[one] = outlooks.of_past(past.until(one))
        if ago and items:
            scores.append(_score(days, _answers(past, looked, ago, days), items))
    return Record(past.days, past.first, tuple(scores))


def _answers(past: Past, looked: dict[int, Outlook], ago: list[int], days: int) -> _Answers:
    spans = [slice(past.days - one, past.days - one + days) for one in ago]
    return _Answers(
        told=np.stack([looked[one].quantiles(days, TAUS) for one in ago], axis=1),
        mean=np.stack([looked[one].mean(days) for one in ago], axis=1),
        plain=np.stack([_plain(past.until(one).grams, days) for one in ago], axis=1),
        came=np.stack([np.maximum(past.grams[:, span].sum(axis=1), 0.0) for span in spans], axis=1),
        counts=np.stack([past.on_shelf[:, span].min(axis=1) for span in spans], axis=1),
    )


def _plain(grams: Amounts, days: int) -> Amounts:
    """Give quantiles from the mean and scatter of the last thirty days, (items, chances), as a spreadsheet would."""
    mean = mean_daily_mg(grams, window=_PLAIN_DAYS) * days
    scatter = grams[:, -_PLAIN_DAYS:].std(axis=1, ddof=1) * days**0.5
    z = np.array([NormalDist().inv_cdf(float(one)) for one in TAUS])
    return np.asarray(np.maximum(mean[:, None] + z * scatter[:, None], 0.0))


def _score(days: int, answers: _Answers, items: list[Item]) -> Score:
    counts = answers.counts > 0
    told, plain, came = answers.told[counts], answers.plain[counts], answers.came[counts]
    loss = quantile_loss(plain, came, TAUS)
    likely = told[:, _HIGH] > 0  # that nothing came where nothing was likely proves nothing
    return Score(
        days=days,
        pairs=int(counts.sum()),
        covered=covered(told[likely, _LOW], told[likely, _HIGH], came[likely]),
        plain_covered=covered(plain[likely, _LOW], plain[likely, _HIGH], came[likely]),
        bias=bias(answers.mean[counts], came) or 0.0,
        plain_bias=bias(plain[:, _MIDDLE], came) or 0.0,
        loss_ratio=quantile_loss(told, came, TAUS) / loss if loss else 1.0,
        said=tuple(sorted(_said(answers, items), key=lambda one: (-one.came_mg, one.item.name))),
    )


def _said(answers: _Answers, items: list[Item]) -> list[Said]:
    found = []
    for row, item in enumerate(items):
        counts = answers.counts[row] > 0
        if not counts[0]:
            continue
        told, came = answers.told[row], answers.came[row]
        low, middle, high = (round(float(told[0, at])) for at in (_LOW, _MIDDLE, _HIGH))
        found.append(
            Said(
                item=item,
                low_mg=low,
                middle_mg=middle,
                high_mg=high,
                came_mg=round(float(came[0])),
                plain_mg=round(float(answers.plain[row, 0, _MIDDLE])),
                inside=covered(told[counts][:, _LOW], told[counts][:, _HIGH], came[counts]),
                bias=bias(answers.mean[row][counts], came[counts]),
            )
        )
    return found


def foretold(*, session: Session, now: datetime) -> list[Foretold]:
    """Hold what the owner foresaw for days gone by against what the past alone would have said, and what came."""
    told = outlooks.told(session, today=load_shop(session).today(now))
    past, found, means = told.past, [], {}
    for one in told.known:
        last = min(one.until_day or past.today, past.today - timedelta(days=1))
        days, ago = (last - one.from_day).days + 1, (past.today - one.from_day).days
        if days < WEEK or past.days - ago < LEAST_DAYS:
            continue
        before, horizon = past.until(ago), min(days, AHEAD_DAYS)
        shares = foresight.shares(session, one, before)
        if (ago, horizon) not in means:  # an event often speaks of several products
            means[ago, horizon] = outlooks.of_past(before).mean(horizon)
        usual = sum(float(means[ago, horizon][row]) * share for row, share in shares.items())
        if one.product_id is None:
            came = sum(float(past.grams[row, before.days : before.days + horizon].sum()) for row in shares)
        else:
            until = one.from_day + timedelta(days=horizon)
            came = sum(foresight.drawn_for(session, one.product_id, since=one.from_day, before=until).values())
        found.append(Foretold(one, horizon, usual, came))
    return found
