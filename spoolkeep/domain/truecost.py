"""What a good kilogram of plastic truly costs: price, freight, the hand that changes it, what fails, and what lies.

The page of buys calls it. It must not know suppliers' names, a clock, or where its figures come from.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from spoolkeep.domain.failing import HIGH, LOW, ODDS, Chance, Floats, Seller
from spoolkeep.domain.split import whole_parts

MG_PER_KG = 1_000_000
SECONDS_PER_HOUR = 3600
PPM = 1_000_000
DAYS_PER_YEAR = 365.25
DAYS_PER_MONTH = DAYS_PER_YEAR / 12
"""Source: the mean year of the Julian calendar."""
LEANING = 5
"""For how many jobs what is usual counts beside a material's own. Source: our own choice."""
A_FAILURE, KG_PER_HOUR = 0.65, 0.025
ONE_FAILURE = 1.0
"""The relative standard deviation of what one failure loses: jobs differ twofold and fail anywhere (a lognormal of 0.7
times a uniform has 1.08). Source: our own choice."""
FACTORS = 9
_MIDDLES: Floats = np.array([NormalDist().inv_cdf((at + 0.5) / FACTORS) for at in range(FACTORS)])
TOLD_APART = 0.9
"""How sure it must be that one is dearer before it is called so: as the bounds, ninety per cent. Source: our own."""


@dataclass(frozen=True)
class Rates:
    """What the workshop's own time, money and room cost, in minor units."""

    hour_minor: int
    """An hour of a person."""
    change_seconds: int
    """What it takes to change a spool."""
    carry_ppm_a_year: int
    """Of cash tied up."""
    space_minor_a_month: int
    """The room of one spool."""


@dataclass(frozen=True)
class Losing:
    """What jobs of one material lose beside good parts."""

    other_share: float
    """Purged and primed on good jobs, of each good gram."""
    per_failure: float
    """Plastic that a failed job wastes, in good jobs' plastic: 0.5 is half a job."""
    hours_minor: float
    """What the machine would have earned in a failed job's hours, for each kilogram of a good job's plastic."""
    spread: float = 0.0
    """How far the two may be off, as a relative standard deviation: few failures tell little of the usual one."""

    @property
    def factors(self) -> Floats:
        """Give equally likely factors of what a failure loses, (FACTORS,), with a mean of 1: a lognormal's middles."""
        sigma = math.sqrt(math.log1p(self.spread**2))
        found: Floats = np.exp(sigma * _MIDDLES)
        return np.asarray(found / found.mean())


class Lost(NamedTuple):
    """What ended jobs of one material, or of all, came to."""

    good_jobs: int
    good_mg: int
    """What was drawn for good parts by them."""
    other_mg: int
    """What they purged, primed and wasted besides."""
    failed_jobs: int
    failed_mg: int
    """What was wasted by those that failed."""
    failed_minor: float
    """What machines would have earned in their hours."""


def losing(lost: Lost, *, like: Losing) -> Losing:
    """Give what jobs lose, by what they came to; few of them lean on `like`, for LEANING jobs.

    What a failure wastes is taken to be the same whoever sold the plastic, so that a supplier is judged by how often
    its plastic fails, of which jobs tell soonest. With every failure counted, drawn over good is as the books have it.
    Source: the ratio estimator (Cochran, Sampling Techniques, 3rd ed., 6.4, from memory); the leaning is our own.
    """
    if not (lost.good_jobs and lost.good_mg):
        return like
    usual_mg = lost.good_mg / lost.good_jobs
    failures = lost.failed_jobs + LEANING
    return Losing(
        other_share=(lost.other_mg / usual_mg + LEANING * like.other_share) / (lost.good_jobs + LEANING),
        per_failure=(lost.failed_mg / usual_mg + LEANING * like.per_failure) / failures,
        hours_minor=(lost.failed_minor / usual_mg * MG_PER_KG + LEANING * like.hours_minor) / failures,
        spread=ONE_FAILURE / math.sqrt(failures),
    )


def unknown_losing(earns_minor_per_hour: float) -> Losing:
    """Give what jobs are taken to lose where none ended yet: somewhat more than half a job, and its hours.

    Source: our own choice. A job fails half way on average: half a usual job where all are as likely to, 0.82 of one
    where jobs, a lognormal of 0.7, fail by their grams; between these. KG_PER_HOUR is common practice, no source.
    """
    return Losing(0.0, A_FAILURE, A_FAILURE / KG_PER_HOUR * earns_minor_per_hour, ONE_FAILURE / math.sqrt(LEANING))


class Parts(NamedTuple):
    """What one kilogram that is bought costs, in minor units a kilogram."""

    price: float
    freight: float
    changing: float
    cash: float
    room: float


def parts(*, price_minor: float, freight_minor: float, spool_mg: int, lies_days: float, rates: Rates) -> Parts:
    """Give what a bought kilogram costs; price and freight in minor units a kilogram, `lies_days` from delivery to use.

    A larger spool shows its worth: it is changed, and takes a place, less often for each kilogram.
    Source: activity-based costing, common practice.
    """
    kilograms = spool_mg / MG_PER_KG
    landed = price_minor + freight_minor
    return Parts(
        price=price_minor,
        freight=freight_minor,
        changing=rates.hour_minor * rates.change_seconds / SECONDS_PER_HOUR / kilograms,
        cash=landed * carry_share(rates, lies_days),
        room=rates.space_minor_a_month * lies_days / DAYS_PER_MONTH / kilograms,
    )


def carry_share(rates: Rates, lies_days: float) -> float:
    """Give what tying cash up for so many days costs, as a share of it."""
    return rates.carry_ppm_a_year / PPM * lies_days / DAYS_PER_YEAR


@dataclass(frozen=True)
class Cost:
    """The true cost of a good kilogram on one offer, in minor units, and how surely it is known."""

    seller: Seller
    parts: Parts
    losing: Losing
    chance: Chance

    @property
    def bought(self) -> float:
        """Give what a kilogram costs before anything fails."""
        return sum(self.parts)

    @property
    def each(self) -> Floats:
        """Give the true cost at each of failing.CHANCES and each factor of what a failure loses, (240, FACTORS)."""
        lost = self.bought * self.losing.per_failure + self.losing.hours_minor
        found: Floats = self.bought * (1 + self.losing.other_share) + lost * ODDS[:, None] * self.losing.factors
        return found

    @property
    def mean(self) -> float:
        """Give the expected true cost: offers are ranked by it."""
        return float((self.chance.weights @ self.each).mean())

    @property
    def low(self) -> float:
        """Give the bound with five per cent below it, by what is known of failures."""
        return self._at(LOW)

    @property
    def high(self) -> float:
        """Give the bound with five per cent above it."""
        return self._at(HIGH)

    def _at(self, share: float) -> float:
        each = self.each.ravel()
        order = np.argsort(each)
        weights = np.repeat(self.chance.weights / FACTORS, FACTORS)[order]
        return float(np.interp(share, np.cumsum(weights) - weights / 2, each[order]))

    @property
    def mean_drawn(self) -> float:
        """Give the kilograms that are expected to be drawn for a good one."""
        return 1 + self.losing.other_share + float(self.chance.weights @ ODDS) * self.losing.per_failure

    @property
    def wasted(self) -> float:
        """Give the plastic that is expected to be lost with a good kilogram, in minor units."""
        return self.bought * (self.mean_drawn - 1)

    @property
    def hours(self) -> float:
        """Give what machines are expected to lose in failed jobs for a good kilogram, in minor units."""
        return float(self.chance.weights @ ODDS) * self.losing.hours_minor

    @property
    def minor(self) -> tuple[int, ...]:
        """Give price, freight, changing, cash with room, waste, hours and their sum in whole units: they add up."""
        told, mean = self.parts, round(self.mean)
        rest = (told.cash + told.room, self.wasted, self.hours)
        return (*whole_parts(mean, [told.price, told.freight, told.changing, *rest]), mean)

    def chance_for(self, cost_minor: float) -> float | None:
        """Give the chance of failing at which a good kilogram costs this; None where it is dearer if nothing fails."""
        spare = cost_minor - self.bought * (1 + self.losing.other_share)
        each = self.bought * self.losing.per_failure + self.losing.hours_minor
        if spare < 0:
            return None
        return spare / (spare + each) if each > 0 else 1.0


def sure_to_be_dearer(one: Cost, than: Cost) -> float:
    """Give how likely a good kilogram of one costs more than of the other.

    What a failure loses is the same of both, whatever it is. Two offers of one seller also fail alike; of two sellers
    each chance is taken by itself: what both have of their material's is left out, so the answer is a little less sure.
    """
    pairs = list(zip(one.each.T, than.each.T, strict=True))
    if one.seller == than.seller:
        return float(np.mean([one.chance.weights @ (dear > cheap) for dear, cheap in pairs]))
    below = np.concatenate(([0.0], np.cumsum(than.chance.weights)))
    return float(np.mean([one.chance.weights @ below[np.searchsorted(cheap, dear)] for dear, cheap in pairs]))


@dataclass(frozen=True)
class Beside:
    """One offer beside the best of its item."""

    sure: float
    """How likely it is dearer than the best."""
    falls_minor: int | None
    """By how much a kilogram it would have to fall to cost no more; None where even its whole price is too little."""
    fails_below: float | None
    """In less than what share of jobs it would have to fail; None where that alone would not do."""

    @property
    def told_apart(self) -> bool:
        """Tell whether it is known to be dearer, and not only thought to be."""
        return self.sure >= TOLD_APART


def ranked(costs: Sequence[Cost]) -> list[int]:
    """Give the places of offers from the least expected true cost up; of two alike, the earlier."""
    return sorted(range(len(costs)), key=lambda at: (costs[at].mean, at))


def beside(one: Cost, best: Cost, *, carried: float) -> Beside:
    """Give what it would take for an offer to cost no more than the best; `carried` as `carry_share` gives it.

    A price that falls takes its carrying, and what is wasted of it, along.
    """
    over = one.mean - best.mean
    # a hair below is no further unit: sums of binary fractions
    falls = max(0, math.ceil(over / (one.mean_drawn * (1 + carried)) - 1e-6))
    fails = one.chance_for(best.mean)
    return Beside(
        sure=sure_to_be_dearer(one, best),
        falls_minor=falls if falls <= one.parts.price else None,
        fails_below=fails,
    )
