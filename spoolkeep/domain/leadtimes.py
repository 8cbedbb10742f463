"""How long a supplier's deliveries take: a distribution learned from its own, in days on which parcels are carried.

services/leadtimes.py calls it. It must not know orders, rows or a clock: days come as dates, closed days as questions.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from spoolkeep.domain.errors import BadInput

Closed = Callable[[date], bool]
"""Asked of a day: whether nothing happens on it."""
Chances = npt.NDArray[np.float64]

EVERY_DAY, MONDAY_TO_FRIDAY = 0b1111111, 0b0011111
"""Weekdays as bits, Monday the lowest."""
PRIOR_WORTH = 4.0
"""What the owner says counts for so many deliveries. Source: our own choice."""
LATE_SHARE = 0.1
"""Of deliveries of which nothing is known, those that go astray for a while. Source: our own choice."""
NINE_IN_TEN_SDS = 1.645
"""Standard deviations of a normal within which nine of ten lie. Source: any table of the normal distribution."""
_LEAST_SD_DAYS = 0.3
_LEAST_ASTRAY_DAYS = 2.0
_ASTRAY_ENDS = 14
"""A tail is carried on for so many times its mean: less than one in a million lies beyond."""
_ROUNDS, _SETTLED = 1000, 1e-10
_FARTHEST_DAYS = 3660
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Delivered:
    """How long one delivery took, or has been awaited for, in carrier days."""

    days: int
    busy: bool = False
    """Whether it was ordered in a busy month."""
    longer: bool = False
    """Whether it has not come yet: all that is known is that it takes longer."""
    from_days: int | None = None
    """Since when it may have stood at a door that nobody opened; None where it was taken in at once."""
    weight: float = 1.0
    """The part of an order that it was, 0 to 1."""

    @property
    def span(self) -> tuple[int, int | None]:
        """Give the least and the most days that it can have taken, both of them in it; None without an end."""
        return (self.days + 1, None) if self.longer else (min(self.days, self.from_days or self.days), self.days)


@dataclass(frozen=True, eq=False)
class LeadTime:
    """The distribution of a lead time over whole carrier days, in usual months; and what busy ones add."""

    chance: Chances
    """(days,), from 0 days on; it sums to 1."""
    busy_days: float = 0.0
    """How much longer it takes in busy months."""

    @classmethod
    def said(cls, days: float, spread: float) -> "LeadTime":
        """Give what an owner's word comes to: so many carrier days, give or take, and now and then much later.

        Nine of ten lie normally around the days, nine of ten of these within the spread; one of ten goes astray for
        half as long again in the mean, so that twice the time stays possible. Errors: BadInput on negative days.
        Source: our own choice.
        """
        if not (days >= 0 and spread >= 0):
            raise BadInput("no_such_lead", "A delivery takes 0 days or more, give or take 0 days or more.")
        sd, astray = max(spread / NINE_IN_TEN_SDS, _LEAST_SD_DAYS), max(days / 2, spread, _LEAST_ASTRAY_DAYS)
        at = np.arange(math.ceil(days + 6 * sd + _ASTRAY_ENDS * astray) + 1)
        edges = np.array([math.erf((one - 0.5 - days) / sd / math.sqrt(2)) for one in (*at, at[-1] + 1)])
        around = np.diff(edges)
        late = np.where(at >= days, np.exp(-np.maximum(at - days, 0) / astray), 0.0)
        return cls((1 - LATE_SHARE) * around / around.sum() + LATE_SHARE * late / late.sum())

    @classmethod
    def learned(cls, observations: Sequence[Delivered], *, prior: "LeadTime", worth: float = PRIOR_WORTH) -> "LeadTime":
        """Give what deliveries teach beside a prior that is worth so many of them.

        Each day's chance is the prior's and the counts' (the mean of a Dirichlet posterior); what is known within
        bounds only is shared over them as all else lies, until nothing moves any more. What busy months add is the
        mean of theirs beside the usual ones, shrunk by the same worth, and never below 0. Without observations it is
        the prior. Source: Efron 1967 (self-consistency) and Turnbull 1976, both from memory.
        """
        usual = [one for one in observations if not one.busy]
        busy = [one for one in observations if one.busy]
        chance = _settled(prior.chance, [(*one.span, one.weight) for one in usual], worth)
        if not busy:
            return cls(chance)
        of_busy = _settled(chance, [(*one.span, one.weight) for one in busy], worth)
        more = max(0.0, _mean(of_busy) - _mean(chance))
        back = [(*_earlier(one.span, round(more)), one.weight) for one in busy]
        every = [*((*one.span, one.weight) for one in usual), *back]
        return cls(_settled(prior.chance, every, worth), more)

    @property
    def days(self) -> npt.NDArray[np.int64]:
        """Give the days that `chance` is of, (days,)."""
        return np.arange(len(self.chance))

    @property
    def mean(self) -> float:
        """Give the mean, in carrier days."""
        return _mean(self.chance)

    @property
    def in_busy(self) -> "LeadTime":
        """Give the distribution in busy months."""
        whole, part = divmod(self.busy_days, 1.0)
        later = np.zeros(len(self.chance) + int(whole) + 1)
        later[int(whole) : -1] += (1.0 - part) * self.chance
        later[int(whole) + 1 :] += part * self.chance
        return LeadTime(later)

    def quantile(self, chance: float, *, after: int = -1) -> int:
        """Give the least days within which a delivery comes at a chance, where it has not come within `after` days.

        Errors: BadInput on a chance that does not lie between 0 and 1.
        """
        if not 0 < chance < 1:
            raise BadInput("no_such_chance", "A chance lies between 0 and 1.")
        by_then = np.cumsum(self.chance)
        before = float(by_then[min(after, len(by_then) - 1)]) if after >= 0 else 0.0
        wanted = before + chance * (1.0 - before) - _SETTLED
        found = int(np.searchsorted(by_then, wanted))
        return max(min(found, len(by_then) - 1), after + 1)


def _mean(chance: Chances) -> float:
    return float(chance @ np.arange(len(chance)))


def _earlier(span: tuple[int, int | None], days: int) -> tuple[int, int | None]:
    least, most = span
    return max(least - days, 0), None if most is None else max(most - days, 0)


def _settled(prior: Chances, known: Sequence[tuple[int, int | None, float]], worth: float) -> Chances:
    """Give the chances that share each span, (least, most, weight), as they lie themselves; (days,), summing to 1."""
    if not known:
        return prior
    size = max(len(prior), *(max(least, most or 0) + 2 for least, most, _ in known))
    base = np.zeros(size)
    base[: len(prior)] = worth * prior
    spans = []
    for least, most, weight in known:
        last = size - 1 if most is None else most
        if least == last:
            base[least] += weight
        else:
            spans.append((least, last + 1, weight))
    total = worth + sum(weight for *_, weight in known)
    return _shared(base, spans, total) / total


def _shared(base: Chances, spans: Sequence[tuple[int, int, float]], total: float) -> Chances:
    """Give `base` with the weight of each span, (from, before, weight), spread over it until that is consistent."""
    if not spans:
        return base
    first, end, weight = (np.array(one) for one in zip(*spans, strict=True))
    found = base * total / base.sum() if base.sum() > 0 else np.full(len(base), total / len(base))
    for _ in range(_ROUNDS):
        below = np.concatenate(([0.0], np.cumsum(found)))
        held = below[end] - below[first]
        empty = held <= _SETTLED * total
        rate = np.zeros(len(base) + 1)
        share = np.where(empty, 0.0, weight / np.where(empty, 1.0, held))
        np.add.at(rate, first, share)
        np.add.at(rate, end, -share)
        then = base + found * np.maximum(np.cumsum(rate)[:-1], 0.0)
        np.add.at(then, first[empty], weight[empty])  # nothing is known to lie there: it comes as soon as it can
        if float(np.abs(then - found).max()) < _SETTLED * total:
            return np.asarray(then)
        found = then
    return found


def orders_taken(from_day: date, *, order_days_mask: int, supplier_closed: Closed, horizon: int) -> tuple[int, int]:
    """Give in how many days an order is taken, and how many days later one is again; beyond the horizon, 0 and 1."""
    not_taken = on_weekdays(order_days_mask, supplier_closed)
    taken = [n for n in range(horizon + 1) if not not_taken(from_day + n * _DAY)]
    return (taken[0], taken[1] - taken[0]) if len(taken) > 1 else (0, 1)


def carrier_days_between(sent: date, arrived: date, closed: Closed) -> int:
    """Give on how many days after `sent`, `arrived` among them, parcels were carried."""
    return sum(not closed(sent + n * _DAY) for n in range(1, (arrived - sent).days + 1))


def arrives_on(sent: date, carrier_days: int, closed: Closed) -> date:
    """Give the day on which what is sent arrives after so many days that carry parcels; at most ten years on."""
    day, left = sent, carrier_days
    while left > 0 and (day - sent).days < _FARTHEST_DAYS:
        day += _DAY
        left -= not closed(day)
    return day


def next_open(day: date, closed: Closed) -> date:
    """Give the first day from a day on that is not closed; at most ten years on."""
    n = 0
    while closed(day + n * _DAY) and n < _FARTHEST_DAYS:
        n += 1
    return day + n * _DAY


def on_weekdays(mask: int, closed: Closed = lambda _: False) -> Closed:
    """Give the question whether a day is closed where only these weekdays, as bits, are open, and not all of them."""
    return lambda day: not mask >> day.weekday() & 1 or closed(day)


def arrivals(
    lead: LeadTime,
    from_day: date,
    *,
    order_days_mask: int,
    supplier_closed: Closed,
    carrier_weekdays: int,
    shop_closed: Closed,
    horizon: int,
) -> Chances:
    """Give the chance that an order placed on a day is received on each calendar day from it on, (horizon + 1,).

    It waits for the supplier's next order day, travels for its carrier days, of which neither the carrier's idle
    weekdays nor the supplier's closed days are any, and is taken in on the first day on which the shop is open. What
    would come beyond the horizon is in none of them, so the sum is the chance that it comes within.
    """
    days = [from_day + n * _DAY for n in range(horizon + 1)]
    found = np.zeros(horizon + 1)
    not_taken, idle = on_weekdays(order_days_mask, supplier_closed), on_weekdays(carrier_weekdays, supplier_closed)
    taken = next((n for n, day in enumerate(days) if not not_taken(day)), None)
    if taken is None:
        return found
    carried = [n for n, day in enumerate(days) if n > taken and not idle(day)]
    opens = np.array([n for n, day in enumerate(days) if not shop_closed(day)], dtype=np.int64)
    for n, chance in zip((taken, *carried), lead.chance, strict=False):
        first = int(np.searchsorted(opens, n))
        if first < len(opens):
            found[opens[first]] += chance
    return found
