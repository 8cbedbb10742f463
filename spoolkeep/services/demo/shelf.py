"""Spools in the demo workshop: which one a person takes, how it is put on, weighed, counted and thrown away.

The demo's floor and days call it. Eyes and scales are off by a little; the truth is not.
"""

from collections.abc import Callable
from datetime import datetime, timedelta

from spoolkeep.domain.words import Kind
from spoolkeep.services.demo.day import Day
from spoolkeep.services.demo.truth import TrueSpool

LEAST_MG = 20_000
"""Less than this on a reel is not worth a change."""
REST_MG = 28_000
"""A rest that people throw away when they tidy up."""
_MG = 1000
_MOST_REELS = 12
_TIDIES_EVERY = 28
_BAD_SPOOL = 0.004


def seen_mg(day: Day, spool: TrueSpool) -> float:
    """Give what an eye makes of what is on a reel."""
    return max(0.0, spool.left_mg + day.rng.gauss(0, day.told.habits.sees_grams_wrong * spool.told_mg / 3))


def on_hand(day: Day, item: str) -> list[TrueSpool]:
    """Give the spools of an item that lie on the shelf and are worth a change."""
    return [one for one in day.truth.of(item) if not one.feed and one.left_mg >= LEAST_MG]


def pick(day: Day, item: str, needs_mg: int, *, seen_when_dry: Callable[[float], bool]) -> TrueSpool | None:
    """Give the spool that a person takes: the smallest opened one that will do, else a sealed one.

    One that looks too short will do where somebody will be there when it ends: `seen_when_dry` of the share drawn.
    """
    there = on_hand(day, item)
    looks = {one.number: seen_mg(day, one) for one in there}
    opened = [one for one in there if one.opened and will_do(looks[one.number], needs_mg, seen_when_dry)]
    if opened:
        return min(opened, key=lambda one: (looks[one.number], one.number))
    sealed = [one for one in there if not one.opened]
    if sealed:
        return min(sealed, key=lambda one: (one.came_on, one.number))
    return max(there, key=lambda one: (looks[one.number], one.number), default=None)


def will_do(looks_mg: float, needs_mg: int, seen_when_dry: Callable[[float], bool]) -> bool:
    """Say whether a spool that looks like this will do for a run."""
    return looks_mg >= needs_mg * 1.03 or (looks_mg >= LEAST_MG and seen_when_dry(looks_mg / needs_mg))


def put_on(day: Day, spool: TrueSpool, feed: str, moment: datetime) -> None:
    """Put a spool on a feed with two scans; what was there goes back to its place."""
    _unpack(day, spool, moment - timedelta(minutes=1))
    waits = day.truth.on(feed, stands_by=True)
    if waits is not None and waits.item != spool.item:
        day.hands.scan(waits, day.truth.numbers.place_codes[waits.place], moment - timedelta(seconds=40))
        day.truth.take_off(waits)
    day.hands.scan(spool, day.truth.numbers.feed_codes[feed], moment)
    day.truth.put(spool, feed)


def let_stand_by(day: Day, spool: TrueSpool, feed: str, moment: datetime) -> None:
    """Let a spool wait on a holder that switches over by itself."""
    _unpack(day, spool, moment - timedelta(minutes=1))
    day.hands.stand_by(spool, feed, moment)
    day.truth.put(spool, feed, stands_by=True)


def say_it_ran_out(day: Day, spool: TrueSpool, moment: datetime) -> None:
    """Tell the books that a spool ended, and keep its reel for a refill."""
    day.hands.ran_out(spool, moment)
    after = day.truth.on(spool.feed, stands_by=True)
    feed = spool.feed
    day.truth.end(spool)
    if after is not None:
        day.truth.put(after, feed)
    if spool.said_tare_mg is not None:
        day.truth.reels = [*day.truth.reels, spool.number][-_MOST_REELS:]


def _unpack(day: Day, spool: TrueSpool, moment: datetime) -> None:
    """Wind a new refill on an emptied reel, whose true and whose said weight it takes over."""
    if spool.opened or spool.tare_mg is not None or not day.truth.reels:
        return
    emptied = day.truth.spools[day.truth.reels.pop() - 1]
    day.hands.wind_on(spool, emptied, moment)
    spool.tare_mg, spool.said_tare_mg = emptied.tare_mg, emptied.said_tare_mg


def weigh_some(day: Day, moment: datetime) -> None:
    """Weigh the opened spools that nobody weighed for longest."""
    longest = sorted(
        (one for one in _idle(day) if one.opened and one.said_tare_mg is not None),
        key=lambda one: (one.weighed_on or one.came_on, one.number),
    )
    for number, spool in enumerate(longest[: day.told.habits.weighs_spools]):
        day.hands.weigh(spool, _gross(day, spool), moment + timedelta(minutes=2 * number))
        spool.weighed_on = day.date


def count_all(day: Day, moment: datetime) -> None:
    """Walk along the shelves: weigh what is opened, and enter a sealed spool as full."""
    for number, spool in enumerate(_idle(day)):
        at = moment + timedelta(seconds=45 * number)
        if spool.opened and spool.said_tare_mg is not None:
            day.hands.weigh(spool, _gross(day, spool), at)
        else:
            day.hands.count(spool, spool.told_mg if not spool.opened else _in_tens(seen_mg(day, spool)), at)
        spool.weighed_on = day.date


def tidy(day: Day, moment: datetime) -> None:
    """Throw rests away every few weeks, and send a spool back that prints badly now and then."""
    for spool in [one for one in day.truth.there() if not one.feed]:
        if spool.opened and spool.left_mg < REST_MG and day.index % _TIDIES_EVERY == 0:
            _part_with(day, spool, Kind.SCRAP, moment)
        elif not spool.opened and spool.came_on == day.date and day.rng.random() < _BAD_SPOOL:
            _part_with(day, spool, Kind.RETURN, moment)


def _part_with(day: Day, spool: TrueSpool, kind: Kind, moment: datetime) -> None:
    day.hands.give_up(spool, kind, moment)
    day.truth.end(spool)


def _idle(day: Day) -> list[TrueSpool]:
    """Give the spools that can be put on a scale: those that no machine prints from just now."""
    printing = {feed.feed for run in day.truth.runs.values() for feed in run.feeds}
    return [one for one in day.truth.there() if one.feed not in printing]


def _gross(day: Day, spool: TrueSpool) -> int:
    """Give what the scale shows: what is there and its reel, to the gram."""
    grams = (spool.left_mg + (spool.tare_mg or 0)) / _MG + day.rng.gauss(0, day.told.slips.scale_g / 2)
    return round(grams / day.told.slips.scale_g) * day.told.slips.scale_g * _MG


def _in_tens(mg: float) -> int:
    return round(mg / (10 * _MG)) * 10 * _MG
