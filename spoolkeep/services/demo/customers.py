"""What customers of the demo workshop ask for, and what the shop takes.

The demo's days call it. True demand is what they ask for; the books see what is printed and what is paid.
"""

from datetime import datetime, timedelta
from math import exp
from random import Random

from spoolkeep.domain.words import TakingsKind
from spoolkeep.services.demo.day import YEAR_DAYS, Day
from spoolkeep.services.demo.described import ChannelRow, ProductRow

_MG = 1000
_WEB, _STALL = 0, 1
_DAYS_A_WEEK = 7
_REFUND_CHANCE = 0.1
_FEES_UNTIL = 2
"""The day of a month until which the fees of the month before are entered."""
_PATIENCE_BATCHES = 4
_PATIENCE_PIECES = 10


def ask(day: Day) -> None:
    """Let a day's customers ask for products: they wait for them, unless too many wait already."""
    for product in day.told.products.values():
        if product.name not in day.truth.numbers.products:
            continue
        mean = _mean(day, product)
        for channel, part in _parts(day, product):
            pieces = _poisson(day.rng, mean * part * day.rng.gammavariate(4, 0.25))
            if pieces:
                _sell(day, product, channel, pieces)


def tell_takings(day: Day, moment: datetime) -> None:
    """Let somebody enter the takings of the days before, refunds and fees too."""
    for then in sorted(one for one in day.truth.untold_takings if one < day.date):
        for channel in day.told.channels:
            amount = day.truth.untold_takings[then].get(channel.name, 0)
            if amount:
                moment += timedelta(minutes=1)
                day.hands.take(then, channel.name, amount, TakingsKind.SALE, now=moment)
                _take_off(day, channel, amount, moment)
        del day.truth.untold_takings[then]


def _take_off(day: Day, channel: ChannelRow, amount: int, moment: datetime) -> None:
    """Let somebody enter the channel's fee for the month that is over, and now and then what was given back."""
    fees = day.truth.untold_fees
    fees[channel.name] = fees.get(channel.name, 0) + round(amount * channel.fee_share)
    if fees[channel.name] and day.date.day <= _FEES_UNTIL:
        day.hands.take(day.date, channel.name, fees.pop(channel.name), TakingsKind.FEE, now=moment)
    if channel.refund_share and day.rng.random() < _REFUND_CHANCE:
        back = max(1, round(amount * channel.refund_share / _REFUND_CHANCE * day.rng.uniform(0.5, 1.5)))
        day.hands.take(day.date, channel.name, back, TakingsKind.REFUND, now=moment)


def _mean(day: Day, product: ProductRow) -> float:
    """Give the pieces that a usual day's customers ask for."""
    if product.until_day is not None and day.index >= product.until_day:
        return 0.0
    drift = product.drift_a_year ** (max(0, day.index - product.from_day) / YEAR_DAYS)
    season = 1 + product.season * (day.told.season.strength - 1) * day.season
    return float(product.a_day * day.grown * drift * season * day.event(product.name))


def _parts(day: Day, product: ProductRow) -> list[tuple[ChannelRow, float]]:
    """Give what part of a usual day's demand comes by each channel on this day."""
    channels, simulation = day.told.channels, day.told.simulation
    web = (1 - product.stall) * simulation.weekdays[day.weekday]
    stall = product.stall * _DAYS_A_WEEK if day.weekday == simulation.stall_day and day.is_open else 0.0
    return [(channels[_WEB], web), (channels[_STALL], stall)]


def _sell(day: Day, product: ProductRow, channel: ChannelRow, pieces: int) -> None:
    truth = day.truth
    _note(truth.asked_mg.setdefault(day.date, {}), product, pieces)
    waiting = truth.owed.get(product.name, 0)
    sold = max(0, min(pieces, _PATIENCE_BATCHES * product.batch + _PATIENCE_PIECES - waiting))
    if sold < pieces:
        _note(truth.lost_mg.setdefault(day.date, {}), product, pieces - sold)
    if sold:
        truth.owed[product.name] = waiting + sold
        taken = truth.untold_takings.setdefault(day.date, {})
        taken[channel.name] = taken.get(channel.name, 0) + sold * product.price_minor


def _note(sums: dict[str, int], product: ProductRow, pieces: int) -> None:
    for item, grams in product.grams.items():
        sums[item] = sums.get(item, 0) + round(grams * pieces * _MG)


def _poisson(rng: Random, mean: float) -> int:
    """Give a Poisson number. Source: Knuth, The Art of Computer Programming, volume 2, 3.4.1 (from memory)."""
    limit, product, count = exp(-mean), rng.random(), 0
    while product > limit:
        product *= rng.random()
        count += 1
    return count
